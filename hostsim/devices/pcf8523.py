"""PCF8523 clock chip. Law: as delivered it does not use its backup cell, and its integrity flag is up.

NXP, PCF8523 product data sheet Rev. 6 (17 September 2013): tables 5 (registers), 7 to 9 (control), 12 (seconds with
the OS flag, page 20), 22 to 25 (alarm). Its timers are not modelled.
"""

from .clock_chip import ClockChip, from_bcd

ADDRESS = 0x68
CONTROL_1, CONTROL_2, CONTROL_3 = 0, 1, 2
SOFT_RESET = 0x58
ALARM = 0x0A
AIE = 0x02
AF = 0x08
OS = 0x80
DISABLED = 0x80
POWER_MANAGEMENT = 0xE0


class Pcf8523(ClockChip):
    """Its alarm has no seconds: it comes at the full minute."""

    SECONDS = 3
    SIZE = 0x14
    WEEKDAY, DATE = 4, 3
    WEEKDAY_FROM = 0
    FIRST = b"\x00\x00\xe0" + bytes(7) + b"\x80\x80\x80\x80" + b"\x00\x00" + b"\x07\x00\x07\x00"

    def reset(self):
        super().reset()
        self._raised_flag = False

    def lose_supply(self):
        if self._registers[CONTROL_3] & POWER_MANAGEMENT == POWER_MANAGEMENT:
            # battery switch-over is off: the cell does not help
            self._clock.stop()
            self.reset()
        else:
            super().lose_supply()

    def alarm_s(self):
        """When, in the chip's own seconds since 1970, the INT pin goes low next; None: it will not."""
        return self._alarm() if self._registers[CONTROL_1] & AIE else None

    def interrupt(self):
        """True while the INT pin is pulled low."""
        return bool(self._registers[CONTROL_1] & AIE and self._raised())

    def _raised(self):
        at_s = self._alarm()
        if at_s is not None and at_s <= self.shown_s():
            self._raised_flag = True
        return self._raised_flag

    def _alarm(self):
        minute, hour, date, weekday = self._registers[ALARM : ALARM + 4]
        if minute & hour & date & weekday & DISABLED:
            return None
        return self._next_match(
            self._alarms_from_s,
            0,
            _wanted(minute, 0x7F),
            _wanted(hour, 0x3F),
            _wanted(date, 0x3F),
            _wanted(weekday, 0x07),
        )

    def _time_written(self, place, byte):
        if place == 0 and not byte & OS:
            self._clear_stopped()

    def _shown(self, place, byte):
        return byte | OS if place == 0 and self.stopped() else byte

    def _store(self, register, byte):
        if register == CONTROL_1 and byte == SOFT_RESET:
            self.reset()
        elif register == CONTROL_2:
            raised = self._raised()
            if raised and not byte & AF:
                self._raised_flag = False
                self._alarms_from_s = self.shown_s()
            self._registers[CONTROL_2] = byte & 0x07
        else:
            if ALARM <= register < ALARM + 4:
                self._raised()
                self._alarms_from_s = self.shown_s()
            self._registers[register] = byte

    def _load(self, register):
        if register == CONTROL_2:
            return self._registers[CONTROL_2] | (AF if self._raised() else 0)
        return self._registers[register]


def _wanted(register, mask):
    return None if register & DISABLED else from_bcd(register & mask)
