"""Law: a weather file is read as a whole: three formats, told apart by content, one kind of result.

TMY3, EPW, and CSV with named columns. A file whose hours have a gap, or that ends early, is refused.
"""

from datetime import datetime

from .weather_table import BOUNDS, WeatherError, column_names, read_columns, read_rows, whole_number

# TMY3: heading -> (our name, factor). TRAP: "(lx)" stands over units of 100 lx (at most 1055 at 1013 W/m2)
TMY3_COLUMNS = {
    "Dry-bulb (C)": ("temperature_degc", 1.0),
    "RHum (%)": ("humidity_percent", 1.0),
    "GHI (W/m^2)": ("ghi_w_m2", 1.0),
    "GH illum (lx)": ("illuminance_lx", 100.0),
    "Wspd (m/s)": ("wind_m_s", 1.0),
    "Pressure (mbar)": ("pressure_hpa", 1.0),
}
# EPW: index -> (our name, factor), from the format's data dictionary (from memory); pressure is in Pa
EPW_COLUMNS = {
    6: ("temperature_degc", 1.0),
    8: ("humidity_percent", 1.0),
    9: ("pressure_hpa", 0.01),
    13: ("ghi_w_m2", 1.0),
    16: ("illuminance_lx", 1.0),
    21: ("wind_m_s", 1.0),
}
EPW_HEADER_LINES, EPW_WIDTH = 8, 35
HOURS_PER_YEAR_MAX = 8784


class Samples:
    """Evenly spaced columns: `first_s` (stamp of row 0, seconds since local 1 January 00:00), `step_s`,
    `utc_offset_s`, `columns` {name: [number, or None for missing]}; a column without any number is left out.
    """

    def __init__(self, first_s, step_s, utc_offset_s, columns):
        self.first_s, self.step_s, self.utc_offset_s = first_s, step_s, utc_offset_s
        self.columns = {n: c for n, c in columns.items() if any(value is not None for value in c)}


def read(path):
    """Samples of the file at `path`. WeatherError for a file that is missing, unfit or damaged."""
    rows = read_rows(path)
    line, first = rows[0]
    if first[0].strip().upper() == "LOCATION":
        return _read_epw(path, rows)
    if len(rows) > 1 and rows[1][1][0].startswith("Date (MM/DD/YYYY)"):
        return _read_tmy3(path, rows)
    if "temperature_degc" in column_names(first):
        return _read_named(path, rows)
    raise WeatherError(path, line, "neither TMY3 nor EPW nor a header with the column temperature_degc")


def _utc_offset_s(path, line, cells, index):
    try:
        hours = float(cells[index])
    except (ValueError, IndexError):
        hours = float("nan")
    if not -12.0 <= hours <= 14.0:
        raise WeatherError(path, line, "the header gives no time zone between -12 and 14 hours")
    return round(hours * 3600)


def _check_hours(path, stamps, last):
    """`stamps` [(line, month, day, hour 1..24)] run hour by hour to hour 24 of `last` (month, day)."""
    for (_, *before), (line, *now) in zip(stamps, stamps[1:], strict=False):
        same_day = now[:2] == before[:2] and now[2] == before[2] + 1
        next_day = before[2] == 24 and now[2] == 1 and _follows(before, now)
        if not (same_day or next_day):
            raise WeatherError(path, line, f"month {now[0]} day {now[1]} hour {now[2]} is not the next hour")
    line, *end = stamps[-1]
    if end != [*last, 24]:
        raise WeatherError(path, line, f"ends before month {last[0]} day {last[1]} hour 24: cut short?")


def _follows(before, now):
    (month, day), (next_month, next_day) = before[:2], now[:2]
    if next_day == 1:
        return day >= 28 and next_month == month % 12 + 1
    return next_month == month and next_day == day + 1


def _read_tmy3(path, rows):
    offset_s = _utc_offset_s(path, *rows[0], 3)
    line, header = rows[1]
    wanted = {i: TMY3_COLUMNS[name.strip()] for i, name in enumerate(header) if name.strip() in TMY3_COLUMNS}
    data = rows[2:]
    columns = read_columns(path, data, len(header), wanted)
    stamps = []
    for line, cells in data:
        parts = [whole_number(path, line, part, "the date") for part in cells[0].split("/")]
        if len(parts) != 3:
            raise WeatherError(path, line, f"no date MM/DD/YYYY: {cells[0][:40]!r}")
        hour = whole_number(path, line, cells[1].split(":")[0], "the hour")
        stamps.append((line, parts[0], parts[1], hour))
    if stamps[0][1:] != (1, 1, 1):
        raise WeatherError(path, stamps[0][0], "does not begin with 1 January hour 1")
    _check_hours(path, stamps, (12, 31))
    return Samples(3600, 3600, offset_s, columns)


def _read_epw(path, rows):
    offset_s = _utc_offset_s(path, *rows[0], 8)
    line, period = next((row for row in rows[:EPW_HEADER_LINES] if row[1][0] == "DATA PERIODS"), (1, []))
    try:
        per_hour = int(period[2])
        last = tuple(int(part) for part in period[6].split("/")[:2])
    except (ValueError, IndexError):
        raise WeatherError(path, line, "the header has no usable line DATA PERIODS")
    if per_hour != 1 or len(last) != 2:
        raise WeatherError(path, line, "only one value an hour over one data period can be read")
    data = rows[EPW_HEADER_LINES:]
    columns = read_columns(path, data, EPW_WIDTH, EPW_COLUMNS)
    stamps = []
    for line, cells in data:
        stamps.append((line, *(whole_number(path, line, cell, "the date") for cell in cells[1:4])))
    _check_hours(path, stamps, last)
    _, month, day, hour = stamps[0]
    try:  # 2001: any year of 365 days
        days = (datetime(2001, month, day) - datetime(2001, 1, 1)).days
    except ValueError:
        raise WeatherError(path, stamps[0][0], f"no such date: month {month} day {day}")
    if not any(columns["illuminance_lx"]):
        del columns["illuminance_lx"]  # some tools write zeros where they have no illuminance
    return Samples(days * 86400 + hour * 3600, 3600, offset_s, columns)


def _read_named(path, rows):
    line, header = rows[0]
    names = column_names(header)
    for name in (*BOUNDS, "hour", "time"):
        if names.count(name) > 1:
            raise WeatherError(path, line, f"the column {name} appears {names.count(name)} times")
    data = rows[1:]
    wanted = {i: (name, 1.0) for i, name in enumerate(names) if name in BOUNDS}
    columns = read_columns(path, data, len(header), wanted)
    if "time" in names:
        return Samples(*_iso_axis(path, data, names.index("time")), columns)
    if "hour" not in names:
        raise WeatherError(path, line, "needs a column hour (1, 2, 3 ...) or time (ISO 8601)")
    hours = [whole_number(path, line, cells[names.index("hour")], "hour") for line, cells in data]
    if not 0 <= hours[0] <= HOURS_PER_YEAR_MAX:
        raise WeatherError(path, data[0][0], f"the first hour is not between 0 and {HOURS_PER_YEAR_MAX}")
    for (line, _), before, now in zip(data[1:], hours, hours[1:], strict=False):
        if now != before + 1:
            raise WeatherError(path, line, f"hour {now} does not follow hour {before}")
    offset_s = 0
    if "utc_offset_s" in names:
        offset_s = whole_number(path, data[0][0], data[0][1][names.index("utc_offset_s")], "utc_offset_s")
        if not -43200 <= offset_s <= 50400:
            raise WeatherError(path, data[0][0], f"utc_offset_s {offset_s} is not between -43200 and 50400")
    return Samples(hours[0] * 3600, 3600, offset_s, columns)


def _iso_axis(path, data, index):
    """(first_s, step_s, utc_offset_s) of even stamps; the first one's offset is the standard time."""
    stamps = []
    for line, cells in data:
        try:
            stamps.append(datetime.fromisoformat(cells[index].strip()))
        except ValueError:
            raise WeatherError(path, line, f"time is not ISO 8601: {cells[index].strip()[:40]!r}")
        if (stamps[0].tzinfo is None) != (stamps[-1].tzinfo is None):
            raise WeatherError(path, line, "some stamps have a UTC offset and some have none")
    step = stamps[1] - stamps[0]
    for (line, _), before, now in zip(data[1:], stamps, stamps[1:], strict=False):
        if now - before != step or step.total_seconds() <= 0:
            raise WeatherError(path, line, f"time steps must be even and forward; here {now - before}")
    first = stamps[0]
    new_year = first.replace(month=1, day=1, hour=0, minute=0, second=0, microsecond=0)
    offset = first.utcoffset()
    return (
        (first - new_year).total_seconds(),
        step.total_seconds(),
        offset.total_seconds() if offset else 0,
    )
