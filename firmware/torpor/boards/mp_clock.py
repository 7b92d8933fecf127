"""Time on MicroPython. Law: integers only, and dates: the epoch is 2000 on some ports and 1970 on others.

The chip's own RTC is the system clock too, by which certificates are checked: it follows the clock chip where there
is one, and stands in for it while that does not answer.
"""

import time

from machine import RTC

from . import clock_chips

WAIT_STEP_MS = 1000
# after these causes the chip's own RTC has begun anew, or may have
LOST = ("power-on", "brown-out")


class Clock:
    """settings: the table [time]; buses: mp_pins.Buses; feed(): feeds the watchdog during long waits."""

    def __init__(self, settings, buses, reset_cause, feed):
        self._name = settings["rtc"]
        self._bus = settings["rtc_bus"]
        self._buses = buses
        self._feed = feed
        self._lost = reset_cause in LOST
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
                        self._lost = False
                except (OSError, RuntimeError, ValueError):
                    self._chip = None
        return self._chip

    def rtc_epoch_s(self):
        chip = self.chip()
        if chip is not None:
            try:
                return chip.epoch_s()
            except OSError:
                self._chip = None
        if self._lost:
            return None
        year, month, day, _, hour, minute, second, _ = RTC().datetime()
        return clock_chips.epoch_s(year, month, day, hour, minute, second)

    def set_rtc(self, epoch_s):
        chip = self.chip()
        if chip is not None:
            try:
                chip.set(epoch_s)
            except OSError:
                self._chip = None
        _set_internal(epoch_s)
        self._lost = False


def _set_internal(epoch_s):
    year, month, day, hour, minute, second, weekday = clock_chips.civil(epoch_s)
    # Monday is 0 here
    RTC().datetime((year, month, day, (weekday + 6) % 7, hour, minute, second, 0))
