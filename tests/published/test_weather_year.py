"""The bundled year against rows and sums of its source, TMY3 station 723170 (data/weather/SOURCE.md)."""

import hashlib

import pytest

from hostsim import weather
from hostsim.wood import equilibrium_moisture_percent

HOUR_S = 3600
# row (0-based): temperature, humidity, GHI, illuminance (source: units of 100 lx), wind, pressure
CHECK_ROWS = {
    0: (10.0, 77, 0, 0, 6.2, 993),  # 1 January 01:00
    844: (-16.7, 86, None, None, 0.0, 1002),  # coldest, 5 February 05:00
    3852: (26.7, 54, 1013, 1055, 3.6, 985),  # brightest, 10 June 13:00
    4356: (28.3, 46, 831, 910, 4.1, 987),  # 1 July 13:00
    4549: (35.6, 48, 845, 897, 4.6, 987),  # hottest, 9 July 14:00
}


@pytest.fixture(scope="module")
def hours():
    """(temperature, humidity, ghi, lux, wind, pressure) per row, each asked for where the file defines it."""
    year = weather.bundled()
    rows = []
    for row in range(8760):
        end_s = (row + 1) * HOUR_S
        t, rh, _, _, wind, pressure = year.at(end_s)
        _, _, ghi, lux, _, _ = year.at(end_s - HOUR_S // 2)
        rows.append((t, rh, ghi, lux, wind, pressure))
    return rows


@pytest.mark.parametrize("row", CHECK_ROWS)
def test_check_rows(hours, row):
    t, rh, ghi, illuminance_100lx, wind, pressure = CHECK_ROWS[row]
    got = hours[row]
    assert (got[0], got[1], got[4], got[5]) == pytest.approx((t, rh, wind, pressure))
    if ghi is not None:
        assert got[2:4] == pytest.approx((ghi, 100 * illuminance_100lx))


def test_the_extremes_are_where_the_source_has_them(hours):
    assert min(range(8760), key=lambda row: hours[row][0]) == 844
    assert max(range(8760), key=lambda row: hours[row][0]) == 4549
    assert max(range(8760), key=lambda row: hours[row][2]) == 3852


def test_means(hours):
    mean_t = sum(row[0] for row in hours) / 8760
    mean_rh = sum(row[1] for row in hours) / 8760
    ghi_kwh_m2 = sum(row[2] for row in hours) / 1000
    mean_moisture = sum(equilibrium_moisture_percent(row[0], row[1]) for row in hours) / 8760
    print(f"T {mean_t:.3f} degC, RH {mean_rh:.3f} %, GHI {ghi_kwh_m2:.3f} kWh/m2, wood {mean_moisture:.3f} %")
    assert mean_t == pytest.approx(14.422, abs=5e-4)
    assert mean_rh == pytest.approx(69.516, abs=5e-4)
    assert ghi_kwh_m2 == pytest.approx(1566.203, abs=5e-4)
    assert mean_moisture == pytest.approx(14.984, abs=5e-4)


def test_daylight_per_watt_is_what_studies_measure(hours):
    # Littlefair 1985 and 1988 (Lighting Res. Technol. 20(4):177): global daylight about 105 to 109 lm/W
    ratios = sorted(lux / ghi for _, _, ghi, lux, _, _ in hours if ghi >= 50)
    median = ratios[len(ratios) // 2]
    print(f"{median:.1f} lx per W/m2 (median of {len(ratios)} hours)")
    assert 105 <= median <= 109
    assert abs(median / weather.LX_PER_W_M2 - 1) <= 0.03


def test_full_sun_is_no_brighter_than_the_sun(hours):
    # common quote (from memory): direct sun 32,000 to 100,000 lx; the source's maximum is 105,500 lx global
    assert max(row[3] for row in hours) == pytest.approx(105_500)


def test_the_file_is_the_one_that_its_source_page_describes():
    digest = hashlib.sha256(weather.BUNDLED.read_bytes()).hexdigest()
    page = (weather.BUNDLED.parent / "SOURCE.md").read_text(encoding="utf-8")
    assert digest in page
    assert weather.BUNDLED.stat().st_size < 400_000
