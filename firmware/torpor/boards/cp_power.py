"""Supplies, watchdog and the way to sleep on CircuitPython. Law: deep_sleep() leaves nothing on, whatever fails."""

import alarm
import microcontroller
from watchdog import WatchDogMode

from ..retained import Retained
from . import cp_sleep
from .cp_memory import SAFE_MODES, WATCHDOGS
from .cp_pins import pin_mv

# the longest that the RP2040 takes is 8388 ms
WATCHDOG_S_SMALL = 8
# a call must have come back before the watchdog bites
CALL_SPARE_MS = 1000
NO_LIMIT_MS = 86400000
# a clock chip's alarm that is this late has been lost: the board's own timer wakes it
LATE_S = 60
LATE_SHARE = 20
# an alarm that knows minutes only is used where it comes this close
ALARM_S_OFF = 5
COUNT_MAX = 255


class Power:
    """settings: all of them; cause: of the reset; rails, watchdog, clock, signal: the other parts of the port.

    let_go(rail): lets go of the pins of what hangs on a rail.
    """

    def __init__(self, settings, cause, rails, watchdog, clock, signal, let_go):
        self._settings = settings
        self._rails = rails
        self._watchdog = watchdog
        self._clock = clock
        self._signal = signal
        self._let_go = let_go
        self.retained = alarm.sleep_memory
        self.reset_cause = cause
        self.wake_reason = cp_sleep.wake_reason(cause, settings["status"]["button"])

    def rail(self, name, on):
        """ValueError for a rail that the settings do not name, or whose pin cannot be used."""
        if not on:
            self._let_go(name)
        self._rails.switch(name, on)

    def battery_mv(self):
        battery = self._settings["battery"]
        if not battery["pin"]:
            return None
        try:
            mv = pin_mv(battery["pin"])
        except (RuntimeError, ValueError):
            return None
        upper_ohm, lower_ohm = battery["divider_upper_ohm"], battery["divider_lower_ohm"]
        return mv * (upper_ohm + lower_ohm) // lower_ohm if lower_ohm else mv

    def feed_watchdog(self):
        self._watchdog.feed()

    def deep_sleep(self, seconds):
        for name in self._rails.on():
            try:
                self.rail(name, False)
            except Exception:
                # the others still go off
                pass
        names = []
        late_s = 0
        if self._settings["time"]["rtc_alarm"] and self._set_chip_alarm(seconds):
            names.append(self._settings["time"]["rtc_alarm"])
            late_s = LATE_S + seconds // LATE_SHARE
        if self._settings["status"]["button"] and not self._signal.button():
            # a button that is stuck would wake the board again at once
            self._signal.release()
            names.append(self._settings["status"]["button"])
        pins = cp_sleep.pin_alarms(names)
        self._watchdog.stop()
        cp_sleep.sleep(seconds, pins, late_s if len(pins) == len(names) else 0)

    def _set_chip_alarm(self, seconds):
        """True when the clock chip will wake the board; it must be told at each sleep, and lets its pin go then."""
        try:
            chip = self._clock.chip()
            shown_s = chip.epoch_s() if chip is not None else None
            if chip is None or shown_s is None:
                return False
            return chip.set_alarm(shown_s + seconds) <= shown_s + seconds + ALARM_S_OFF
        except OSError:
            return False


class Watchdog:
    """It runs from here on, unless timeout_s is 0 or the chip has none. call_ms_max: what one call may take."""

    def __init__(self, timeout_s):
        self._timer = None
        self.call_ms_max = NO_LIMIT_MS
        timer = microcontroller.watchdog
        if not timeout_s or timer is None:
            return
        try:
            try:
                timer.timeout = timeout_s
            except ValueError:
                timeout_s = timer.timeout = WATCHDOG_S_SMALL
            timer.mode = WatchDogMode.RESET
        except (NotImplementedError, RuntimeError, ValueError):
            return
        self._timer = timer
        self.call_ms_max = timeout_s * 1000 - CALL_SPARE_MS

    def feed(self):
        if self._timer is not None:
            self._timer.feed()

    def stop(self):
        """It would run on through a sleep that is only pretended because of USB."""
        if self._timer is not None:
            try:
                self._timer.mode = None
            except (NotImplementedError, RuntimeError, ValueError):
                # some chips cannot stop theirs; in deep sleep it stands still
                pass


def remember_resets(memory, cause):
    """Which network hung the board, where the reset has zeroed retained memory (docs/boards.md says which do).

    The watchdog resets in a row are counted on the chip, and stand in for the network that was being tried.
    """
    counters = memory.counters()
    if cause == "watchdog":
        diary = Retained(alarm.sleep_memory)
        if diary.cold:
            counters[WATCHDOGS] = min(COUNT_MAX, counters[WATCHDOGS] + 1)
            diary.trying = counters[WATCHDOGS]
            diary.resets = counters[WATCHDOGS] - 1
            diary.save()
    elif cause == "deep-sleep":
        # the wake before came to its end
        counters[WATCHDOGS] = counters[SAFE_MODES] = 0
    memory.keep(counters)
