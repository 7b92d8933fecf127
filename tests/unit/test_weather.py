"""Weather: three formats mean the same, time runs on for ever, and no bad file gets in."""

import math
import os

import pytest

from hostsim import convert_tmy3, weather
from hostsim.weather_table import SIZE_MAX

HOUR_S = 3600
CSV_HEADER = "hour,temperature_degc,humidity_percent,ghi_w_m2,illuminance_lx,wind_m_s,pressure_hpa"
TMY3_HEADER = "Date (MM/DD/YYYY),Time (HH:MM),GHI (W/m^2),GH illum (lx),Dry-bulb (C),Dew-point (C),RHum (%)"
TMY3_HEADER += ",Pressure (mbar),Wspd (m/s)"
MONTH_DAYS = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)


def day(hour):
    """Made-up weather of one hour (1..24): temperature, humidity, GHI, illuminance in lx, wind, pressure."""
    ghi = max(0, 700 - 20 * (hour - 13) ** 2)
    return hour - 5.0, 90 - hour, ghi, 100 * round(1.08 * ghi), 1 + hour / 10, 990 + hour


def csv_lines(rows=24):
    return [CSV_HEADER] + [",".join(map(str, (h, *day((h - 1) % 24 + 1)))) for h in range(1, rows + 1)]


def tmy3_lines():
    lines = ['700000,"NORTH YARD, DRY",XX,-5.0,36.1,-79.9,273', TMY3_HEADER]
    for month, days in enumerate(MONTH_DAYS, start=1):
        for d in range(1, days + 1):
            for hour in range(1, 25):
                t, rh, ghi, lux, wind, pressure = day(hour)
                stamp = f"{month:02}/{d:02}/{1988 + month},{hour:02}:00"
                lines.append(f"{stamp},{ghi},{lux // 100},{t},{t - 3},{rh},{pressure},{wind}")
    return lines


def epw_lines(days=2, illuminance=None):
    lines = ["LOCATION,North Yard,XX,XXX,TMY3,700000,36.1,-79.9,-5.0,273.0"]
    lines += [f"{name},0" for name in ("DESIGN CONDITIONS", "TYPICAL/EXTREME PERIODS", "GROUND TEMPERATURES")]
    lines += ["HOLIDAYS/DAYLIGHT SAVINGS,No,0,0,0", "COMMENTS 1,made up", "COMMENTS 2,"]
    lines.append(f"DATA PERIODS,1,1,Data,Sunday, 1/ 1, 1/{days:2}")
    for d in range(1, days + 1):
        for hour in range(1, 25):
            t, rh, ghi, lux, wind, pressure = day(hour)
            cells = ["1999", "1", str(d), str(hour), "60", "?9?9?9", t, t - 3, rh, pressure * 100]
            cells += [0, 0, 300, ghi, 0, 0, lux if illuminance is None else illuminance, 0, 0, 0, 180, wind]
            cells += [5, 5, 9.9, 77777, 9, 999999999, 15, 0.1, 0, 88, 0.2, 0, 1]
            lines.append(",".join(map(str, cells)))
    return lines


@pytest.fixture
def write(tmp_path):
    def write(lines, name="weather.csv"):
        path = tmp_path / name
        path.write_bytes(lines if isinstance(lines, bytes) else ("\n".join(lines) + "\n").encode())
        return path

    return write


def fails(path, *fragments):
    with pytest.raises(weather.WeatherError) as caught:
        weather.load(path)
    message = str(caught.value)
    assert str(path) in message
    assert "\n" not in message
    for fragment in fragments:
        assert fragment in message
    return caught.value


@pytest.mark.parametrize("lines", [csv_lines(), epw_lines(), tmy3_lines()], ids=["csv", "epw", "tmy3"])
def test_three_formats_say_the_same(write, lines):
    got = weather.load(write(lines))
    for hour in range(1, 25):
        t, rh, ghi, lux, wind, pressure = day(hour)
        at_end, at_middle = got.at(hour * HOUR_S), got.at(hour * HOUR_S - 1800)
        assert (at_end[0], at_end[1], at_end[4], at_end[5]) == pytest.approx((t, rh, wind, pressure))
        assert at_middle[2:4] == pytest.approx((ghi, lux))
    assert got.utc_offset_s == (0 if lines[0] == CSV_HEADER else -5 * HOUR_S)


def test_lines_between_the_points(write):
    got = weather.load(write(csv_lines()))
    assert got.at(6.25 * HOUR_S)[0] == pytest.approx(day(6)[0] + 0.25)
    quarter_past_noon = got.at(12.75 * HOUR_S)  # a quarter of the way from the middle of hour 13 to that of 14
    assert quarter_past_noon[2] == pytest.approx(0.75 * day(13)[2] + 0.25 * day(14)[2])


def test_it_repeats_for_ever_and_never_jumps(write):
    got = weather.load(write(csv_lines(48)))
    assert got.period_s == 48 * HOUR_S
    for second in (0, 1, 1799, 1800, 3600, 86399, -1, -86400, 5 * 48 * HOUR_S + 7):
        assert got.at(second) == pytest.approx(got.at(second + got.period_s))
        before, after = got.at(second), got.at(second + 1)
        assert abs(before[0] - after[0]) <= 24 / HOUR_S + 1e-9
    # just below a whole period the index must not run off the end
    for first_s in (HOUR_S, HOUR_S / 2):
        assert got.at(math.nextafter(first_s, 0)) == pytest.approx(got.at(first_s))


def test_sunshine_is_conserved():
    year = weather.bundled()
    hours = [year.at(hour * HOUR_S + 1800)[2] for hour in range(8760)]
    quarters = [year.at(second)[2] for second in range(450, 8760 * HOUR_S, 900)]
    assert sum(quarters) / 4 == pytest.approx(sum(hours), rel=1e-9)
    assert year.utc_offset_s == -5 * HOUR_S
    assert weather.bundled() is year


def test_iso_time_any_step_and_zone(write):
    header = "time,temperature_degc,humidity_percent,ghi_w_m2"
    lines = [header] + [f"2024-03-01T{m // 60:02}:{m % 60:02}:00+01:00,{m / 10},50,{m}" for m in range(0, 600, 10)]
    got = weather.load(write(lines))
    start_s = (31 + 29) * 86400  # 2024 is a leap year
    assert got.utc_offset_s == HOUR_S
    assert got.at(start_s + 1200)[0] == pytest.approx(2.0)
    assert got.at(start_s + 900)[2] == pytest.approx(20.0)  # the mean over 00:10 to 00:20 belongs to 00:15


def test_what_a_file_leaves_out_has_documented_defaults(write):
    bare = ["hour,humidity_percent,temperature_degc,note"] + [f"{h},60,{h},x" for h in range(1, 25)]
    assert weather.load(write(bare)).at(HOUR_S) == (1.0, 60.0, 0.0, 0.0, 2.0, 1013.25)
    with_sun = ["hour,temperature_degc,humidity_percent,ghi_w_m2"] + [f"{h},5,60,100" for h in range(1, 25)]
    assert weather.load(write(with_sun)).at(0)[2:4] == pytest.approx((100.0, 11000.0))
    with_light = ["hour,temperature_degc,humidity_percent,illuminance_lx"] + [f"{h},5,60,9999" for h in range(1, 25)]
    assert weather.load(write(with_light)).at(0)[2:4] == pytest.approx((90.9, 9999.0))


@pytest.mark.parametrize("illuminance", [999999, 0], ids=["missing", "zeros"])
def test_epw_without_illuminance_gets_it_from_the_sun(write, illuminance):
    got = weather.load(write(epw_lines(illuminance=illuminance)))
    assert got.at(12.5 * HOUR_S)[2:4] == pytest.approx((700.0, 77000.0))


def test_epw_of_a_part_of_the_year_begins_on_its_day(write):
    lines = [line.replace("1999,1,", "1999,7,").replace(" 1/ 1, 1/ 2", " 7/ 1, 7/ 2") for line in epw_lines()]
    first_of_july_s = 181 * 86400
    got = weather.load(write(change(9, ",-4.0,", ",-14.0,")(lines)))
    assert got.at(first_of_july_s + HOUR_S)[0] == pytest.approx(-14.0)
    assert got.at(first_of_july_s + 25 * HOUR_S)[0] == pytest.approx(-4.0)
    assert got.period_s == 2 * 86400


def test_sensors_that_overshoot_are_believed_up_to_the_physical_bound(write):
    header = "hour,temperature_degc,humidity_percent,ghi_w_m2,illuminance_lx"
    got = weather.load(write([header] + [f"{h},5,104,-3,-20" for h in range(1, 25)]))
    assert got.at(0)[1:4] == (100.0, 0.0, 0.0)


def test_one_missing_illuminance_is_filled_alone(write):
    lines = csv_lines()
    lines[13] = lines[13].replace(str(day(13)[3]), "-9900")
    got = weather.load(write(lines))
    assert got.at(12.5 * HOUR_S)[3] == pytest.approx(110 * 700)
    assert got.at(11.5 * HOUR_S)[3] == pytest.approx(day(12)[3])


def test_the_converter_keeps_every_hour(write, tmp_path):
    source = write(tmy3_lines(), "source.csv")
    target = tmp_path / "small.csv"
    assert convert_tmy3.convert(source, target) == 8760
    original, small = weather.load(source), weather.load(target)
    assert small.utc_offset_s == original.utc_offset_s
    for second in range(0, 8760 * HOUR_S, 1111111):
        assert small.at(second) == pytest.approx(original.at(second))


def test_the_converter_names_its_error(tmp_path, capsys):
    assert convert_tmy3.main([]) == 2
    assert convert_tmy3.main([str(tmp_path / "none.csv"), str(tmp_path / "out.csv")]) == 2
    assert "none.csv" in capsys.readouterr().err
    assert not (tmp_path / "out.csv").exists()


def test_dos_lines_and_a_byte_order_mark_are_no_error(write):
    path = write(b"\xef\xbb\xbf" + "\r\n".join(csv_lines()).encode() + b"\r\n\r\n")
    assert weather.load(path).at(HOUR_S)[0] == day(1)[0]


def test_files_that_are_no_files(tmp_path):
    fails(tmp_path / "absent.csv", "cannot be read", "No such file")
    fails(tmp_path, "not a regular file")
    assert fails(tmp_path / "absent.csv").line is None


def test_huge_file_is_refused_unread(tmp_path):
    path = tmp_path / "huge.csv"
    path.touch()
    os.truncate(path, SIZE_MAX + 1)  # sparse: takes no room
    fails(path, "bytes", str(SIZE_MAX))


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (b"", "empty"),
        (b"\n \n,,\n", "empty"),
        (b"PK\x03\x04" + bytes(500), "binary"),
        ("\n".join(csv_lines()).encode("utf-16"), "binary"),
        (b"some,other,table\n1,2,3\n", "neither TMY3 nor EPW"),
        (b"," * 9_000_000, "cells"),
        (b'hour,temperature_degc\n"' + b"x" * 200_000, "field larger"),
    ],
)
def test_content_that_is_no_weather(write, data, reason):
    fails(write(data), reason)


def change(line_number, old, new):
    def edit(lines):
        assert old in lines[line_number - 1]
        lines[line_number - 1] = lines[line_number - 1].replace(old, new, 1)
        return lines

    return edit


@pytest.mark.parametrize(
    ("edit", "line", "reason"),
    [
        (change(1, "humidity_percent", "rh"), None, "humidity_percent is missing"),
        (change(1, "hour", "when"), 1, "hour"),
        (change(1, "wind_m_s", "ghi_w_m2"), 1, "2 times"),
        (change(3, "2,-3.0,", "2,warm,"), 3, "temperature_degc is not a number: 'warm'"),
        (change(3, "2,-3.0,", "2,nan,"), 3, "not between"),
        (change(3, "2,-3.0,", "2,1e999,"), 3, "not between"),
        (change(3, "2,-3.0,", "2,-9900,"), 3, "temperature_degc is missing here (1 of 24 rows)"),
        (change(3, "2,-3.0,", "2,9999,"), 3, "missing here"),
        (change(3, "2,-3.0,", "2,,"), 3, "missing here"),
        (change(3, ",88,", ",188,"), 3, "humidity_percent 188 is not between 0 and 110"),
        (change(14, ",700,", ",-9900,"), 14, "ghi_w_m2 is missing here"),
        (change(14, ",700,", ",7000,"), 14, "ghi_w_m2 7000"),
        (change(9, "8,", "9,"), 9, "hour 9 does not follow hour 7"),
        (change(9, "8,", "8.5,"), 9, "hour is not a whole number"),
        (change(2, "1,", "99999,"), 2, "first hour"),
        (
            lambda lines: [f"{line},{-60000 * n or 'utc_offset_s'}" for n, line in enumerate(lines)],
            2,
            "-60000",
        ),
        (lambda lines: [f"{line},{60000 * n or 'utc_offset_s'}" for n, line in enumerate(lines)], 2, "60000"),
        (
            lambda lines: [f"{line},{'utc_offset_s' if not n else 'EST'}" for n, line in enumerate(lines)],
            2,
            "EST",
        ),
        (lambda lines: lines[:-1], None, "23 rows"),
        (lambda lines: [*lines[:-1], lines[-1][:18]], 25, "cut short"),
        (lambda lines: lines[:1], None, "0 rows"),
    ],
)
def test_damaged_csv(write, edit, line, reason):
    assert fails(write(edit(csv_lines())), reason).line == line


@pytest.mark.parametrize(
    ("edit", "line", "reason"),
    [
        (change(1, "-5.0", "west"), 1, "time zone"),
        (change(2, "RHum (%)", "RHum"), None, "humidity_percent is missing"),
        (change(2, "Date (MM/DD/YYYY)", "Date"), 1, "neither"),
        (change(50, "24:00", "noon"), 50, "hour"),
        (change(50, "01/02/1989", "01-02-1989"), 50, "date"),
        (lambda lines: lines[:5000], 5000, "cut short"),
        (lambda lines: lines[:4000] + lines[4001:], 4001, "not the next hour"),
        (lambda lines: lines[:2] + lines[26:], 3, "1 January"),
        (lambda lines: lines[: 2 + 24 * 20] + lines[2 + 24 * 31 :], 483, "not the next hour"),
        (lambda lines: lines[:-1] + [lines[-1][:-9]], 8762, "cut short"),
        (lambda lines: lines[:1], 1, "neither"),
    ],
)
def test_damaged_tmy3(write, edit, line, reason):
    assert fails(write(edit(tmy3_lines())), reason).line == line


@pytest.mark.parametrize(
    ("edit", "line", "reason"),
    [
        (change(1, "-5.0", "99"), 1, "time zone"),
        (change(8, "DATA PERIODS,1,1", "DATA PERIODS,1,4"), 8, "one value an hour"),
        (change(8, "DATA PERIODS", "DATES"), 1, "DATA PERIODS"),
        (change(10, ",-3.0,", ",99.9,"), 10, "temperature_degc is missing here"),
        (change(10, ",88,", ",999,"), 10, "humidity_percent is missing here"),
        (lambda lines: lines[:-20], 36, "cut short"),
        (lambda lines: lines[:-1] + [lines[-1][:60]], 56, "cells instead of 35"),
        (lambda lines: lines[:8], None, "0 rows"),
        (lambda lines: lines[:1], 1, "DATA PERIODS"),
    ],
)
def test_damaged_epw(write, edit, line, reason):
    assert fails(write(edit(epw_lines())), reason).line == line


@pytest.mark.parametrize(
    ("stamp", "reason"),
    [("yesterday", "ISO 8601"), ("2024-03-01T05:30:00", "even"), ("2024-03-01T05:00:00Z", "offset")],
)
def test_damaged_time_axis(write, stamp, reason):
    lines = ["time,temperature_degc,humidity_percent"]
    lines += [f"2024-03-01T{h:02}:00:00,5,50" for h in range(24)]
    lines[6] = f"{stamp},5,50"
    assert fails(write(lines), reason).line == 7


def test_time_that_runs_backwards_is_refused(write):
    lines = ["time,temperature_degc,humidity_percent"]
    lines += [f"2024-03-01T{h:02}:00:00,5,50" for h in range(23, -1, -1)]
    fails(write(lines), "forward")


def test_every_cut_of_a_file_is_an_error_or_harmless(write):
    """However a copy was interrupted, the result is an error that names the file, or the same weather."""
    data = ("\n".join(epw_lines()) + "\n").encode()
    whole = weather.load(write(data)).at(86400)
    read = 0
    for length in [*range(0, len(data), 37), len(data) - 1]:
        path = write(data[:length], "cut.epw")
        try:
            got = weather.load(path).at(86400)
        except weather.WeatherError as error:
            assert error.path == str(path)  # noqa: PT017 - both outcomes are right, for different lengths
        else:
            read += 1
            assert got == whole
    assert read == 1  # only the last line end was missing
