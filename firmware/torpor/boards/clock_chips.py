"""Clock chips over a bus. Law: a chip whose oscillator has stopped, or that shows no date, shows no time at all.

For both interpreters: the bus has CircuitPython's calls (docs/porting.md). Years are 2000 to 2099, in which every
fourth year has a 29 February. What a chip raises is OSError: it does not answer, or the bus is held.
"""

from errno import ETIMEDOUT

ADDRESS = 0x68
LOCK_TRIES = 100
Y2K_S = 946684800
DAY_S = 86400
# after STOP the first second of a PCF8523 is over in 508 ms (its data sheet, section on STOP; from memory)
STOP_MS = 492
SATURDAY = 6  # 2000-01-01 was one; Sunday is 0
DAYS_BEFORE = (0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334)


def civil(epoch_s):
    """(year, month, day, hour, minute, second, weekday) in UTC; weekday: 0 is Sunday. For 2000 to 2099."""
    days, of_day = divmod(epoch_s - Y2K_S, DAY_S)
    year = 4 * days // 1461
    of_year = days - (1461 * year + 3) // 4
    month = 12
    while of_year < _before(year, month):
        month -= 1
    date = of_year - _before(year, month) + 1
    return 2000 + year, month, date, of_day // 3600, of_day // 60 % 60, of_day % 60, (days + SATURDAY) % 7


def epoch_s(year, month, day, hour, minute, second):
    """Seconds since 1970; None for what is no date and time of 2000 to 2099."""
    year -= 2000
    if not (0 <= year <= 99 and 1 <= month <= 12 and hour <= 23 and minute <= 59 and second <= 59):
        return None
    length = _before(year, month + 1) - _before(year, month) if month < 12 else 31
    if not 1 <= day <= length:
        return None
    days = (1461 * year + 3) // 4 + _before(year, month) + day - 1
    return Y2K_S + days * DAY_S + hour * 3600 + minute * 60 + second


def _before(year, month):
    """Days of the year before a month."""
    return DAYS_BEFORE[month - 1] + (1 if month > 2 and year % 4 == 0 else 0)


def open_chip(name, bus, wait_ms):
    """The chip that the settings' [time] rtc names, on its bus; wait_ms(n) waits. Nothing is sent yet."""
    return Pcf8523(bus, wait_ms) if name == "pcf8523" else Ds3231(bus, wait_ms)


class Chip:
    """What the chips have in common: registers behind an address."""

    def __init__(self, bus, wait_ms):
        self._bus = bus
        self._wait_ms = wait_ms

    def _read(self, register, count):
        buffer = bytearray(count)
        self._lock()
        try:
            self._bus.writeto_then_readfrom(ADDRESS, bytes((register,)), buffer)
        finally:
            self._bus.unlock()
        return buffer

    def _write(self, register, *values):
        self._lock()
        try:
            self._bus.writeto(ADDRESS, bytes((register,) + values))
        finally:
            self._bus.unlock()

    def _lock(self):
        for _ in range(LOCK_TRIES):
            if self._bus.try_lock():
                return
        raise OSError(ETIMEDOUT, "the bus is not let go")


class Ds3231(Chip):
    """Maxim Integrated, DS3231 data sheet 19-5170: figure 1 (registers), table 2 (alarm masks)."""

    def epoch_s(self):
        """What it shows, None when its oscillator has stopped since it was set. Raises OSError."""
        r = self._read(0, 16)
        # OSF, bit 7 of the status
        return None if r[15] & 0x80 else _shown(r[0], r[1], r[2], r[4], r[5], r[6])

    def set(self, shown_s):
        """Set it to the beginning of a second: writing the seconds restarts its divider. Raises OSError."""
        year, month, day, hour, minute, second, weekday = civil(shown_s)
        # it runs on its cell too (EOSC 0), INT is for alarms (INTCN 1), which are off
        self._write(0x0E, 0x04)
        self._write(0, _bcd(second), _bcd(minute), _bcd(hour), weekday + 1, _bcd(day), _bcd(month), _bcd(year - 2000))
        # last: what says that the time is good
        self._write(0x0F, 0)

    def set_alarm(self, at_s):
        """INT goes low at that second and stays low until clear_alarm(); returns the second. Raises OSError."""
        _, _, day, hour, minute, second, _ = civil(at_s)
        self._write(7, _bcd(second), _bcd(minute), _bcd(hour), _bcd(day))
        self.clear_alarm()
        self._write(0x0E, 0x05)
        return at_s

    def clear_alarm(self):
        """Let INT go. The oscillator-stop flag is left as it is. Raises OSError."""
        # writing a 1 changes none of the flags (table "Status Register")
        self._write(0x0F, self._read(0x0F, 1)[0] & 0xFC)


class Pcf8523(Chip):
    """NXP, PCF8523 product data sheet Rev. 6: tables 5 to 12 (registers), 22 to 25 (alarm), section on STOP."""

    def epoch_s(self):
        """What it shows, None when its oscillator has stopped since it was set. Raises OSError."""
        r = self._read(0, 10)
        # OS, bit 7 of the seconds; STOP, bit 5 of control 1: a setting that was cut short
        return None if r[3] & 0x80 or r[0] & 0x20 else _shown(r[3], r[4], r[5], r[6], r[8], r[9])

    def set(self, shown_s):
        """Set it to the beginning of a second. Takes half a second. Raises OSError."""
        year, month, day, hour, minute, second, weekday = civil(shown_s)
        self._write(0, 0x20)
        # as delivered it does not go over to its cell
        self._write(2, 0)
        self._write(3, _bcd(second), _bcd(minute), _bcd(hour), _bcd(day), weekday, _bcd(month), _bcd(year - 2000))
        self._wait_ms(STOP_MS)
        self._write(0, 0)

    def set_alarm(self, at_s):
        """As that of the DS3231, but the alarm knows minutes only: it comes at the next full one. Raises OSError."""
        at_s += -at_s % 60
        _, _, day, hour, minute, _, _ = civil(at_s)
        # the clock output has the same pin
        self._write(0x0F, 0x38)
        self._write(0x0A, _bcd(minute), _bcd(hour), _bcd(day), 0x80)
        self.clear_alarm()
        self._write(0, 0x02)
        return at_s

    def clear_alarm(self):
        """Let INT go. Raises OSError."""
        self._write(1, 0)


def _shown(second, minute, hour, day, month, year):
    if hour & 0x40 and hour & 0x1F:
        # set by somebody else, in the 12-hour mode of the DS3231
        twelve = _number(hour & 0x1F)
        hour = twelve % 12 + (12 if hour & 0x20 else 0) if 1 <= twelve <= 12 else 99
    else:
        hour = _number(hour & 0x3F)
    year = _number(year)
    return epoch_s(
        2000 + year, _number(month & 0x1F), _number(day & 0x3F), hour, _number(minute), _number(second & 0x7F)
    )


def _bcd(value):
    return value // 10 << 4 | value % 10


def _number(bcd):
    """The number that a register holds; 100, which fits nowhere, when it holds none."""
    return 100 if bcd & 15 > 9 or bcd >> 4 > 9 else (bcd >> 4) * 10 + (bcd & 15)
