"""What clock chips have in common. Law: they show what their oscillator has counted, and say when it had stopped.

Years are 2000 to 2099, hours 0 to 23. The oscillator is handed in: `shows(now_ms)` gives s since 1970, None when it
has been without a supply since it was set; `set(now_ms, epoch_s)` sets it to the beginning of a second.
"""

from .part import Part

Y2K_S = 946684800
DAY_S = 86400
MONDAY_SHIFT = 3  # 1970-01-01 was a Thursday
SEARCH_DAYS = 366 * 8 + 1  # a date of 29 February that is also a weekday may be long in coming


def bcd(value):
    return value // 10 << 4 | value % 10


def from_bcd(value):
    return (value >> 4) * 10 + (value & 15)


def civil(day):
    """(year, month, day of the month) of a day counted from 1970-01-01."""
    # Euclidean affine functions on years that begin in March; C. Neri and L. Schneider, 2022, from memory
    day += 719468
    era, of_era = day // 146097, day % 146097
    year = (of_era - of_era // 1460 + of_era // 36524 - of_era // 146096) // 365
    of_year = of_era - (365 * year + year // 4 - year // 100)
    month = (5 * of_year + 2) // 153
    date = of_year - (153 * month + 2) // 5 + 1
    month = month + 3 if month < 10 else month - 9
    return year + era * 400 + (1 if month <= 2 else 0), month, date


def day_number(year, month, date):
    """The day, counted from 1970-01-01; the inverse of civil()."""
    if month <= 2:
        year -= 1
    era, of_era = year // 400, year % 400
    of_year = (153 * (month - 3 if month > 2 else month + 9) + 2) // 5 + date - 1
    return era * 146097 + of_era * 365 + of_era // 4 - of_era // 100 + of_year - 719468


class ClockChip(Part):
    """Time registers from SECONDS on. Keep one object for the life of the node: alarms live in it.

    backed_up: a cell keeps it going without its supply.
    """

    SECONDS = 0
    SIZE = 0
    FIRST = ()  # registers after power-on
    WEEKDAY, DATE = 3, 4  # places behind SECONDS
    WEEKDAY_FROM = 1

    def __init__(self, now_ms, clock, backed_up=True):
        self._clock = clock
        self._backed_up = backed_up
        self._born_ms = now_ms()
        super().__init__(now_ms)

    @property
    def clock(self):
        """The oscillator that was handed in."""
        return self._clock

    def reset(self):
        self._registers = bytearray(self.FIRST)
        self._pointer = 0
        self._stopped = self._clock.shows(self._now_ms()) is None
        self._born_ms = self._now_ms()
        # the weekday is whatever was written and counts on from there; until then Monday is the first
        self._weekday_shift = MONDAY_SHIFT
        self._alarms_from_s = self.shown_s()

    def lose_supply(self):
        if not self._backed_up:
            self._clock.stop()
            self.reset()

    def shown_s(self):
        """Seconds since 1970 that the registers show; a chip that was never set counts from 2000."""
        shown_s = self._clock.shows(self._now_ms())
        return Y2K_S + int(self._now_ms() - self._born_ms) // 1000 if shown_s is None else shown_s

    def stopped(self):
        """True while the chip's flag says that its time is not to be trusted."""
        if self._clock.shows(self._now_ms()) is None:
            self._stopped = True
        return self._stopped

    def write(self, data):
        if not data:
            return
        self._pointer = data[0] % self.SIZE
        written = None
        for byte in data[1:]:
            place = self._pointer - self.SECONDS
            if 0 <= place < 7:
                # the user buffers are taken over as a whole
                written = written or self._time()
                written[place] = byte
                self._time_written(place, byte)
            else:
                self._store(self._pointer, byte)
            self._pointer = (self._pointer + 1) % self.SIZE
        if written is not None:
            self._set(written)

    def read(self, count):
        # the time is frozen at the start of a transfer, so that no carry comes in between
        time = self._time()
        answer = bytearray(count)
        for index in range(count):
            place = self._pointer - self.SECONDS
            answer[index] = self._shown(place, time[place]) if 0 <= place < 7 else self._load(self._pointer)
            self._pointer = (self._pointer + 1) % self.SIZE
        return answer

    def _time(self):
        """The seven time registers."""
        shown_s = self.shown_s()
        day, of_day = shown_s // DAY_S, shown_s % DAY_S
        year, month, date = civil(day)
        time = bytearray(7)
        time[0], time[1], time[2] = bcd(of_day % 60), bcd(of_day // 60 % 60), bcd(of_day // 3600)
        time[self.WEEKDAY] = (day + self._weekday_shift) % 7 + self.WEEKDAY_FROM
        time[self.DATE] = bcd(date)
        time[5], time[6] = bcd(month), bcd(year % 100)
        return time

    def _set(self, time):
        date = from_bcd(time[self.DATE] & 0x3F)
        day = day_number(2000 + from_bcd(time[6]), from_bcd(time[5] & 0x1F), date)
        self._weekday_shift = ((time[self.WEEKDAY] & 7) - self.WEEKDAY_FROM - day) % 7
        of_day = from_bcd(time[2] & 0x3F) * 3600 + from_bcd(time[1] & 0x7F) * 60 + from_bcd(time[0] & 0x7F)
        self._stopped = self.stopped()
        self._clock.set(self._now_ms(), day * DAY_S + of_day)
        self._alarms_from_s = self.shown_s()

    def _clear_stopped(self):
        if self._clock.shows(self._now_ms()) is None:
            # never set and yet declared good: from now on it counts from where it is
            self._clock.set(self._now_ms(), self.shown_s())
        self._stopped = False

    def _time_written(self, place, byte):
        pass

    def _shown(self, place, byte):
        return byte

    def _store(self, register, byte):
        self._registers[register] = byte

    def _load(self, register):
        return self._registers[register]

    def _next_match(self, after_s, second, minute, hour, date, weekday):
        """The first second after `after_s` in which the time registers match; None stands for any. None: never."""
        if date == 0 or date is not None and date > 31:
            return None
        at_s = after_s + 1
        for day in range(at_s // DAY_S, at_s // DAY_S + SEARCH_DAYS):
            if date is not None and civil(day)[2] != date:
                continue
            if weekday is not None and (day + self._weekday_shift) % 7 + self.WEEKDAY_FROM != weekday:
                continue
            found_s = _first_in_day(max(at_s - day * DAY_S, 0), second, minute, hour)
            if found_s is not None:
                return day * DAY_S + found_s
        return None


def _first_in_day(from_s, second, minute, hour):
    """The first second of a day, from `from_s` on, that matches; None when there is none left."""
    for an_hour in range(from_s // 3600, 24) if hour is None else (hour,):
        for a_minute in range(60) if minute is None else (minute,):
            start_s = an_hour * 3600 + a_minute * 60
            for a_second in range(60) if second is None else (second,):
                if start_s + a_second >= from_s:
                    return start_s + a_second
    return None
