"""Law: the weather is a pure function of time, continuous, and over one period exactly as sunny as its file.

A stamp ends its interval (TMY3, EPW and the CSV formats alike): temperature, humidity, wind and pressure are
the values at the stamp, sun and light are means over the interval that it ends and so belong to its middle.
Between these points lines are drawn, and after the last point the file starts again: a typical year serves
for any year.

What a file leaves out: no sun (`ghi_w_m2` 0, or illuminance / 110 where only that is given); illuminance of
110 lx per W/m2 (Littlefair 1985 and 1988: 105 to 109; the bundled year: 107; one outdoor study: 122); a wind
of 2 m/s; 1013.25 hPa.
"""

from functools import lru_cache
from pathlib import Path

from . import weather_formats
from .weather_table import WeatherError

__all__ = ["BUNDLED", "LX_PER_W_M2", "Weather", "WeatherError", "bundled", "load"]

BUNDLED = Path(__file__).parent / "data" / "weather" / "typical_year.csv"
LX_PER_W_M2 = 110.0
WIND_M_S = 2.0
PRESSURE_HPA = 1013.25


class Weather:
    """Weather at any second, made of `weather_formats.Samples`.

    utc_offset_s: standard time of the file minus UTC; period_s: when it repeats; rows: samples in a period.
    """

    def __init__(self, samples):
        columns = samples.columns
        rows = len(columns["temperature_degc"])
        ghi, lux = _sun_and_light(columns, rows)
        air = zip(
            columns["temperature_degc"],
            (min(rh, 100.0) for rh in columns["humidity_percent"]),
            columns.get("wind_m_s", [WIND_M_S] * rows),
            columns.get("pressure_hpa", [PRESSURE_HPA] * rows),
            strict=True,
        )
        self.utc_offset_s = int(samples.utc_offset_s)
        self.rows = rows
        self.period_s = rows * samples.step_s
        self._step_s = samples.step_s
        self._air_first_s = samples.first_s
        self._sun_first_s = samples.first_s - samples.step_s / 2.0
        self._air = _closed(list(air))
        self._sun = _closed(list(zip(ghi, lux, strict=True)))

    def at(self, seconds_since_start):
        """(temperature_degc, humidity_percent, ghi_w_m2, illuminance_lx, wind_m_s, pressure_hpa), all floats.

        seconds_since_start: seconds since local 1 January 00:00, standard time; any number, also negative.
        """
        x = (seconds_since_start - self._air_first_s) / self._step_s % self.rows
        i = int(x)
        x -= i
        t, rh, wind, pressure = self._air[i]
        t_next, rh_next, wind_next, pressure_next = self._air[i + 1]
        y = (seconds_since_start - self._sun_first_s) / self._step_s % self.rows
        i = int(y)
        y -= i
        ghi, lux = self._sun[i]
        ghi_next, lux_next = self._sun[i + 1]
        return (
            t + (t_next - t) * x,
            rh + (rh_next - rh) * x,
            ghi + (ghi_next - ghi) * y,
            lux + (lux_next - lux) * y,
            wind + (wind_next - wind) * x,
            pressure + (pressure_next - pressure) * x,
        )


def load(path):
    """Weather from a TMY3, EPW or CSV file, told apart by content. WeatherError, one line, for any other
    file.

    CSV: comma separated, a header with `temperature_degc`, `humidity_percent` and, if known, `ghi_w_m2`,
    `illuminance_lx`, `wind_m_s`, `pressure_hpa`; and `hour` (1 = the hour that ends at 01:00 on 1 January,
    then every hour; a column `utc_offset_s` may give the zone in its first row) or `time` (ISO 8601, evenly
    spaced; the first stamp's offset is the standard time). Other columns are ignored. At least 24 rows.
    """
    return Weather(weather_formats.read(path))


@lru_cache(maxsize=1)
def bundled():
    """The weather year that comes with the project (data/weather/SOURCE.md), read once."""
    return load(BUNDLED)


def _sun_and_light(columns, rows):
    ghi = columns.get("ghi_w_m2")
    lux = columns.get("illuminance_lx")
    if ghi is None:
        ghi = [(value or 0.0) / LX_PER_W_M2 for value in lux] if lux else [0.0] * rows
    ghi = [max(value, 0.0) for value in ghi]
    lux = lux or [None] * rows
    lux = [g * LX_PER_W_M2 if value is None else max(value, 0.0) for g, value in zip(ghi, lux, strict=True)]
    return ghi, lux


def _closed(points):
    """The points with the first two again at the end: an index rounded up to `rows` still has a next."""
    return points + [points[0], points[1]]
