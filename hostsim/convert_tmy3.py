"""Law: the small file says of every hour exactly what the TMY3 file says, in SI-like units and nothing more.

    python -m hostsim.convert_tmy3 SOURCE.CSV TARGET.csv

Keeps hour (1..8760, hour ending, local standard time), the columns that `weather.load` reads, the dew point
(for checks) and the zone. Illuminance is turned into lx (TMY3 stores units of 100 lx).
"""

import csv
import sys

from . import weather_formats
from .weather_table import WeatherError

HEADER = (
    "hour",
    "temperature_degc",
    "dew_point_degc",
    "humidity_percent",
    "ghi_w_m2",
    "illuminance_lx",
    "wind_m_s",
    "pressure_hpa",
    "utc_offset_s",
)


def convert(source_path, target_path):
    """Write the columns of TMY3 `source_path` to CSV `target_path`; returns the number of hours.

    WeatherError for a source that `weather.load` refuses too, OSError if the target cannot be written.
    """
    samples = weather_formats.read(source_path)
    with open(source_path, newline="", encoding="ascii") as source:
        next(source)
        dew = [row["Dew-point (C)"] for row in csv.DictReader(source)]
    columns = dict(samples.columns, dew_point_degc=[float(value) for value in dew])
    rows = zip(*(columns[name] for name in HEADER[1:-1]), strict=True)
    with open(target_path, "w", newline="", encoding="ascii") as target:
        writer = csv.writer(target, lineterminator="\n")
        writer.writerow(HEADER)
        for hour, values in enumerate(rows, start=1):
            zone = samples.utc_offset_s if hour == 1 else ""
            writer.writerow([hour, *(f"{value:g}" for value in values), zone])
    return len(dew)


def main(arguments):
    if len(arguments) != 2:
        print("use: python -m hostsim.convert_tmy3 SOURCE.CSV TARGET.csv", file=sys.stderr)
        return 2
    try:
        print(f"{convert(*arguments)} hours written to {arguments[1]}")
    except (WeatherError, OSError) as error:
        print(error, file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
