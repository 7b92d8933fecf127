"""Supplies, watchdog and the way to sleep on MicroPython. Law: deep_sleep() leaves nothing on, whatever fails.

The chip does not tell a brown-out from power-on, nor a panic from a software reset. Retained memory does, where it
survived; where it did not, a mark in non-volatile storage does, made when the radio was started in doubt.
"""

import machine

from ..retained import Retained as Diary
from .mp_memory import RADIO_ON
from .mp_pins import pin, pin_mv

SLEEP_S_MAX = 86400
# causes in the words of docs/porting.md
CAUSES = {
    machine.PWRON_RESET: "power-on",
    machine.HARD_RESET: "pin",
    machine.WDT_RESET: "watchdog",
    machine.DEEPSLEEP_RESET: "deep-sleep",
    machine.SOFT_RESET: "software",
}
# the longest that the RP2040 takes
WATCHDOG_MS_SMALL = 8388
# a clock chip's alarm that is this late has been lost: the board's own timer wakes it
LATE_S = 60
LATE_SHARE = 20
# an alarm that knows minutes only is used where it comes this close
ALARM_S_OFF = 5


class Power:
    """settings: all of them; retained, nvm: as in mp_memory; rails: mp_pins.Rails.

    let_go(rail): lets go of the pins of what hangs on a rail.
    """

    def __init__(self, settings, retained, nvm, rails, let_go):
        self._settings = settings
        self._rails = rails
        self._let_go = let_go
        self.retained = retained
        self._nvm = nvm
        diary = Diary(retained)
        # sessions that go well wear no flash: a brown-out that comes out of the blue costs one service window
        self._in_doubt = diary.cold or not diary.run or diary.failures > 0
        self.reset_cause = CAUSES.get(machine.reset_cause(), "power-on")
        # a mark is for one reset, whatever that turns out to be; one that cannot be taken away would count for ever
        marked = self.reset_cause != "deep-sleep" and nvm.flag(RADIO_ON) and nvm.keep_flag(RADIO_ON, False)
        if self.reset_cause == "power-on" and _radio_was_on(diary, marked):
            self.reset_cause = "brown-out"
        self.wake_reason = None
        if self.reset_cause == "deep-sleep":
            # a clock chip's alarm, which is a timer too, comes over the other kind of wake-up
            self.wake_reason = "button" if machine.wake_reason() == machine.EXT0_WAKE else "timer"
        self._watchdog = _armed(settings["status"]["watchdog_s"] * 1000)

    def attach(self, clock, signal):
        """What it needs to go to sleep; both are made later."""
        self._clock = clock
        self._signal = signal

    def radio_starts(self):
        """To be called before it draws any current."""
        if self._in_doubt:
            # a chip that cannot keep it must do without it, and not without its session
            self._nvm.keep_flag(RADIO_ON, True)

    def radio_is_off(self):
        if self._in_doubt:
            self._nvm.keep_flag(RADIO_ON, False)

    def rail(self, name, on):
        """KeyError for a rail that the settings do not name, ValueError for a pin that the board does not have."""
        if not on:
            self._let_go(name)
        self._rails.switch(name, on)

    def battery_mv(self):
        battery = self._settings["battery"]
        if not battery["pin"]:
            return None
        try:
            mv = pin_mv(battery["pin"])
        except (ValueError, OSError):
            return None
        upper_ohm, lower_ohm = battery["divider_upper_ohm"], battery["divider_lower_ohm"]
        return mv * (upper_ohm + lower_ohm) // lower_ohm if lower_ohm else mv

    def feed_watchdog(self):
        if self._watchdog is not None:
            self._watchdog.feed()

    def deep_sleep(self, seconds):
        for name in self._rails.on():
            try:
                self.rail(name, False)
            except Exception:
                # the others still go off
                pass
        late_s = 0
        try:
            late_s = self._arm(seconds)
        except Exception:
            # the timer wakes it in any case
            pass
        sleep(seconds + late_s)

    def _arm(self, seconds):
        """Wake up by pins too. Returns how much longer the timer has to wait because a clock chip comes first."""
        button, alarm = self._settings["status"]["button"], self._settings["time"]["rtc_alarm"]
        if not button and not alarm:
            return 0
        import esp32

        if button and not self._signal.button():
            # one that is stuck would wake the board again at once
            try:
                esp32.wake_on_ext0(pin(button, machine.Pin.IN, machine.Pin.PULL_UP), esp32.WAKEUP_ALL_LOW)
            except (AttributeError, ValueError):
                # not every chip and not every pin can
                pass
        if not alarm or not self._set_chip_alarm(seconds):
            return 0
        esp32.wake_on_ext1((pin(alarm, machine.Pin.IN, machine.Pin.PULL_UP),), esp32.WAKEUP_ALL_LOW)
        return LATE_S + seconds // LATE_SHARE

    def _set_chip_alarm(self, seconds):
        """True when the clock chip will wake the board; it must be told at each sleep, and lets its pin go then."""
        chip = self._clock.chip()
        if chip is None:
            return False
        shown_s = chip.epoch_s()
        return shown_s is not None and chip.set_alarm(shown_s + seconds) <= shown_s + seconds + ALARM_S_OFF


def _radio_was_on(diary, marked):
    """True when a network was being tried and memory is whole: a supply that was away would have taken it along.

    Where memory is lost the mark says so. A battery that is changed in the middle of a session, or the chip's reset
    pin, may look like this, too, and the board rests; done once more it does not.
    """
    return marked if diary.cold else diary.trying != 0


def sleep(seconds):
    """1 s to a day: what is longer than 24.8 days overflows and is asleep for ever. Does not return."""
    machine.deepsleep(max(1, min(SLEEP_S_MAX, seconds)) * 1000)


def rest(error, retry_s):
    """The last resort of main.py: count what kept the ports from being built, and sleep. Does not return."""
    try:
        from .console import Log
        from .mp_memory import Retained

        Log().trace(error)
        diary = Diary(Retained(machine.RTC()))
        diary.count("settings" if isinstance(error, (AttributeError, KeyError, ValueError)) else "defect")
        diary.save()
    finally:
        sleep(retry_s)


def _armed(timeout_ms):
    """The watchdog, running, or None: not wanted. It cannot be stopped; in deep sleep it stands still."""
    if not timeout_ms:
        return None
    try:
        return machine.WDT(timeout=timeout_ms)
    except ValueError:
        return machine.WDT(timeout=WATCHDOG_MS_SMALL)
