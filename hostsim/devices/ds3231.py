"""DS3231 clock chip. Law: the oscillator-stop flag is up from the first power-on until somebody writes a 0 to it.

Maxim Integrated, DS3231 data sheet 19-5170, figure 1 (registers), table 2 (alarm masks) and the sections on control
(0Eh), status (0Fh) and temperature (11h, 12h).
"""

from .clock_chip import ClockChip, from_bcd
from .part import nearest

ADDRESS = 0x68
CONTROL, STATUS, TEMPERATURE = 0x0E, 0x0F, 0x11
ALARM_1, ALARM_2 = 0x07, 0x0B
OSF = 0x80
CONVERT = 0x20
INTCN = 0x04


class Ds3231(ClockChip):
    """climate: has inside_degc, None: 25 degC. Its alarms pull the INT pin, see alarm_s() and interrupt()."""

    SIZE = 0x13
    # control 1Ch: INTCN and the square wave's rate; status 88h: OSF and the 32-kHz output
    FIRST = bytes(14) + b"\x1c\x88\x00\x00\x00"

    def __init__(self, now_ms, clock, climate=None, backed_up=True):
        self._climate = climate
        super().__init__(now_ms, clock, backed_up)

    def reset(self):
        super().reset()
        self._flags = 0

    def alarm_s(self):
        """When, in the chip's own seconds since 1970, the INT pin goes low next; None: it will not."""
        enabled = self._registers[CONTROL] & 3 if self._registers[CONTROL] & INTCN else 0
        due = [self._alarm(number) for number in (0, 1) if enabled >> number & 1]
        due = [at_s for at_s in due if at_s is not None]
        return min(due) if due else None

    def interrupt(self):
        """True while the INT pin is pulled low."""
        control = self._registers[CONTROL]
        return bool(control & INTCN and control & 3 & self._raised())

    def _raised(self):
        for number in (0, 1):
            at_s = self._alarm(number)
            if at_s is not None and at_s <= self.shown_s():
                self._flags |= 1 << number
        return self._flags

    def _alarm(self, number):
        second, at = 0, (ALARM_1, ALARM_2)[number]
        if number == 0:
            second = None if self._registers[at] & 0x80 else from_bcd(self._registers[at] & 0x7F)
            at += 1
        minute, hour, day = self._registers[at : at + 3]
        masks = [bool(register & 0x80) for register in (minute, hour, day)]
        date = from_bcd(day & 0x3F)
        by_weekday = bool(day & 0x40)
        return self._next_match(
            self._alarms_from_s,
            second,
            None if masks[0] else from_bcd(minute & 0x7F),
            None if masks[1] else from_bcd(hour & 0x3F),
            None if masks[2] or by_weekday else date,
            date & 7 if by_weekday and not masks[2] else None,
        )

    def _store(self, register, byte):
        if register == STATUS:
            # OSF and the alarm flags can only be cleared, the busy bit is never up
            if not byte & OSF:
                self._clear_stopped()
            raised = self._raised()
            self._flags = raised & byte
            if raised & ~byte & 3:
                self._alarms_from_s = self.shown_s()
            self._registers[STATUS] = byte & 0x08
            return
        if register >= TEMPERATURE:
            return
        if ALARM_1 <= register < CONTROL:
            self._raised()
            self._alarms_from_s = self.shown_s()
        # a conversion takes 200 ms at most: here it is over at once, and the bit is down again
        self._registers[register] = byte & ~CONVERT if register == CONTROL else byte

    def _load(self, register):
        if register == STATUS:
            return self._registers[STATUS] & 0x08 | (OSF if self.stopped() else 0) | self._raised()
        if register >= TEMPERATURE:
            quarters = nearest((25.0 if self._climate is None else self._climate.inside_degc) * 4, -512, 511) & 0x3FF
            return quarters >> 2 if register == TEMPERATURE else (quarters & 3) << 6
        return self._registers[register]
