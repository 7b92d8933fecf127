"""Time on MicroPython. Law: integers only, and dates: the epoch is 2000 on some ports and 1970 on others.

The chip's own RTC is the system clock too, by which certificates are checked. Where there is a clock chip it follows
that, and runs on an RC oscillator through sleep: while the clock chip does not answer it shows no time until it is
set, and only in that wake. The chip cannot be told meanwhile, so that is kept: what the chip shows afterwards is not
what the diary counts by, and counts as no time until it is set.
"""

import time
from errno import EIO

from machine import RTC

from . import clock_chips
from .mp_memory import PASSED_BY

WAIT_STEP_MS = 1000
# after these causes the chip's own RTC has begun anew, or may have
LOST = ("power-on", "brown-out")


class Clock:
    """settings: the table [time]; buses: mp_pins.Buses; nvm: mp_memory.Nvm; feed(): feeds the watchdog."""

    def __init__(self, settings, buses, nvm, reset_cause, feed):
        self._name = settings["rtc"]
        self._bus = settings["rtc_bus"]
        self._buses = buses
        self._nvm = nvm
        self._feed = feed
        # the chip's own RTC shows no time
        self._lost = self._name != "internal" or reset_cause in LOST
        # the clock chip was not there when the time was last set
        self._passed_by = False
        self._chip = None
        self._looked = False

    def ticks_ms(self):
        return time.ticks_ms()

    def elapsed_ms(self, since):
        return time.ticks_diff(time.ticks_ms(), since)

    def wait_ms(self, ms):
        while ms > WAIT_STEP_MS:
            time.sleep_ms(WAIT_STEP_MS)
            self._feed()
            ms -= WAIT_STEP_MS
        time.sleep_ms(ms)

    def chip(self):
        """The clock chip, None where there is none, or it did not answer in this wake."""
        if not self._looked:
            self._looked = True
            if self._name != "internal":
                try:
                    self._chip = clock_chips.open_chip(self._name, self._buses.get(self._bus), self.wait_ms)
                    shown_s = self._chip.epoch_s()
                    if shown_s is not None:
                        _set_internal(shown_s)
                    self._passed_by = self._nvm.flag(PASSED_BY)
                except (OSError, RuntimeError, ValueError):
                    self._chip = None
        return self._chip

    def rtc_epoch_s(self):
        chip = self.chip()
        if chip is not None:
            try:
                return None if self._passed_by else chip.epoch_s()
            except OSError:
                self._chip = None
        if self._lost:
            return None
        year, month, day, _, hour, minute, second, _ = RTC().datetime()
        return clock_chips.epoch_s(year, month, day, hour, minute, second)

    def set_rtc(self, epoch_s):
        """OSError where the clock chip does not answer and that cannot be kept for the wakes to come."""
        chip = self.chip()
        if chip is not None:
            try:
                chip.set(epoch_s)
            except OSError:
                chip = self._chip = None
        if self._name != "internal":
            self._pass_by(chip is None)
        _set_internal(epoch_s)
        self._lost = False

    def _pass_by(self, on):
        if not self._nvm.keep_flag(PASSED_BY, on) and on:
            raise OSError(EIO, "nowhere to keep it")
        self._passed_by = on


def _set_internal(epoch_s):
    year, month, day, hour, minute, second, weekday = clock_chips.civil(epoch_s)
    # Monday is 0 here
    RTC().datetime((year, month, day, (weekday + 6) % 7, hour, minute, second, 0))
