"""Law: every needed cell of a weather file is a believable number, or one line says where it is not."""

import csv
import io
import os
import stat

SIZE_MAX = 64 * 1024 * 1024
CELLS_MAX = 8_000_000  # a year of minutes with 15 columns; bounds the memory
ROWS_MIN = 24
REQUIRED = ("temperature_degc", "humidity_percent")
# Bounds of belief, not of physics: world records with room to spare, and the night offset of a pyranometer
BOUNDS = {
    "temperature_degc": (-90.0, 65.0),
    "humidity_percent": (0.0, 110.0),
    "ghi_w_m2": (-20.0, 1600.0),
    "illuminance_lx": (-100.0, 200000.0),
    "wind_m_s": (0.0, 120.0),
    "pressure_hpa": (300.0, 1100.0),
}
# Stand-ins for "not measured": -9900 in TMY3; 99.9, 999, 9999, 99999, 999900, 999999 in EPW; the others are
# habits. A stand-in counts as one only where it is out of bounds: 9999 lx is a fair reading.
MISSING_MARKERS = {-9900.0, -9999.0, -999.0, -99.0, 99.9, 999.0, 9999.0, 99999.0, 999900.0, 999999.0}


class WeatherError(ValueError):
    """A weather file cannot be used. `path`, `line` (from 1; None: the file as a whole), `reason`."""

    def __init__(self, path, line, reason):
        self.path, self.line, self.reason = str(path), line, reason
        super().__init__(f"{path}: {reason}" if line is None else f"{path}, line {line}: {reason}")


def read_rows(path):
    """[(line number, [cell, ...])] of all lines that are not blank."""
    try:
        status = os.stat(path)
        if not stat.S_ISREG(status.st_mode):
            raise WeatherError(path, None, "not a regular file")
        if status.st_size > SIZE_MAX:
            raise WeatherError(path, None, f"{status.st_size} bytes; {SIZE_MAX} is the limit")
        with open(path, "rb") as file:
            data = file.read(SIZE_MAX + 1)
    except (OSError, TypeError) as error:
        raise WeatherError(path, None, f"cannot be read: {getattr(error, 'strerror', None) or error}")
    if any(byte in data for byte in range(32) if byte not in b"\t\n\r\f"):
        raise WeatherError(path, None, "binary data, not a text file")
    if data.count(b",") + data.count(b"\n") > CELLS_MAX:
        raise WeatherError(path, None, f"more than {CELLS_MAX} cells")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("latin-1")  # old EPW files write place names so; numbers read alike
    reader = csv.reader(io.StringIO(text, newline=""))
    try:
        rows = [(reader.line_num, cells) for cells in reader if any(cell.strip() for cell in cells)]
    except csv.Error as error:
        raise WeatherError(path, reader.line_num, str(error))
    if not rows:
        raise WeatherError(path, None, "empty")
    return rows


def column_names(cells):
    """Headings as they are compared: trimmed, in lower case."""
    return [cell.strip().lower() for cell in cells]


def read_columns(path, rows, width, wanted):
    """{name: [number, or None for missing]} of data `rows`; `wanted` maps index -> (name, factor).

    WeatherError for a row that is not `width` cells wide and for any missing value but an illuminance.
    """
    if len(rows) < ROWS_MIN:
        raise WeatherError(path, None, f"{len(rows)} rows of data; at least {ROWS_MIN} are needed")
    found = {name for name, _ in wanted.values()}
    for name in REQUIRED:
        if name not in found:
            raise WeatherError(path, None, f"the column {name} is missing")
    for line, cells in rows:
        if len(cells) != width:
            raise WeatherError(path, line, f"{len(cells)} cells instead of {width}: is the file cut short?")
    result = {}
    for index, (name, factor) in wanted.items():
        result[name] = [_value(path, line, name, cells[index], factor) for line, cells in rows]
        gaps = result[name].count(None)
        # missing illuminance is computed from the sun, a column that is empty throughout counts as absent
        if gaps and (name in REQUIRED or (gaps < len(rows) and name != "illuminance_lx")):
            line = rows[result[name].index(None)][0]
            raise WeatherError(path, line, f"{name} is missing here ({gaps} of {len(rows)} rows)")
    return result


def _value(path, line, name, cell, factor):
    """The cell as a number in our unit, None for a missing value."""
    if not cell.strip():
        return None
    try:
        raw = float(cell)
    except ValueError:
        raise WeatherError(path, line, f"{name} is not a number: {cell.strip()[:40]!r}")
    low, high = BOUNDS[name]
    if low <= raw * factor <= high:
        return raw * factor
    if raw in MISSING_MARKERS:
        return None
    raise WeatherError(path, line, f"{name} {cell.strip()[:40]} is not between {low:g} and {high:g}")


def whole_number(path, line, cell, what):
    """The cell as an int; WeatherError calls it `what`."""
    try:
        return int(cell)
    except ValueError:
        raise WeatherError(path, line, f"{what} is not a whole number: {cell.strip()[:40]!r}")
