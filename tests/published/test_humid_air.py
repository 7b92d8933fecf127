"""Humid air against published values: each check stands beside its source."""

import csv

import pytest

from hostsim import humid_air, weather

# WMO-No. 8 Annex 4.B, computed from the printed constants to 5 figures; hPa over water
WMO_WATER_HPA = {
    -40: 0.19021,
    -20: 1.2597,
    -5: 4.2218,
    0: 6.1120,
    10: 12.260,
    25: 31.601,
    40: 73.675,
    50: 123.45,
}
# IAPWS-IF97 saturation line, independent package iapws 1.5.5; hPa
IAPWS_HPA = {
    0: 6.1121,
    5: 8.7257,
    10: 12.282,
    15: 17.057,
    20: 23.392,
    25: 31.697,
    30: 42.467,
    35: 56.286,
    40: 73.844,
}
# ASHRAE Fundamentals 2017 chapter 1 table 3; hPa
ASHRAE_HPA = {5: 8.726, 25: 31.697, 50: 123.513}
# dew points, degC, by pvlib 0.16.1 atmosphere.tdew_from_rh, which cites WMO-No. 8 (2023)
WMO_DEW_DEGC = [
    (20, 50, 9.255175),
    (25, 60, 16.693149),
    (30, 80, 26.168846),
    (10, 90, 8.433938),
    (40, 40, 23.833610),
    (0, 50, -9.202020),
    (-10, 70, -14.438704),
]
# absolute humidity, g/m3: e / (Rv T) with the WMO vapour pressure, Rv 461.5 J/kg K
WMO_ABSOLUTE_G_M3 = [
    (20, 50, 8.6208),
    (25, 60, 13.7797),
    (30, 80, 24.2094),
    (10, 90, 8.4441),
    (35, 20, 7.8937),
]
# the same by psychrolib 2.5.0 (ASHRAE vapour pressure)
ASHRAE_ABSOLUTE_G_M3 = [
    (20, 50, 8.6433),
    (25, 60, 13.8189),
    (30, 80, 24.2785),
    (10, 90, 8.4573),
    (35, 20, 7.9143),
]
# UCI Occupancy Detection (Candanedo and Feldheim 2016): degC, %, humidity ratio as the data set states it
OCCUPANCY = [
    (23.18, 27.272, 0.0047929881765052),
    (22.2, 27.2, 0.0045022827427646),
    (21.5, 26.0, 0.0041210499692655),
    (22.79, 27.445, 0.0047102240468062),
]


@pytest.mark.parametrize(("t_degc", "hpa"), WMO_WATER_HPA.items())
def test_saturation_pressure_is_the_wmo_formula(t_degc, hpa):
    assert humid_air.saturation_vapour_pressure_hpa(t_degc) == pytest.approx(hpa, rel=1e-4)


@pytest.mark.parametrize(("t_degc", "hpa"), [*IAPWS_HPA.items(), *ASHRAE_HPA.items()])
def test_saturation_pressure_against_the_steam_tables(t_degc, hpa):
    assert humid_air.saturation_vapour_pressure_hpa(t_degc) == pytest.approx(hpa, rel=0.0035)


@pytest.mark.parametrize(("t_degc", "rh_percent", "dew_degc"), WMO_DEW_DEGC)
def test_dew_point_is_the_wmo_formula(t_degc, rh_percent, dew_degc):
    assert humid_air.dew_point_degc(t_degc, rh_percent) == pytest.approx(dew_degc, abs=2e-6)


# Sensirion application note "Dew-point calculation", worked examples, printed to 0.01 degC
@pytest.mark.parametrize(("t_degc", "rh_percent", "dew_degc"), [(25, 10, -8.77), (50, 90, 47.90)])
def test_dew_point_of_a_sensor_makers_examples(t_degc, rh_percent, dew_degc):
    assert humid_air.dew_point_degc(t_degc, rh_percent) == pytest.approx(dew_degc, abs=0.005)


@pytest.mark.parametrize(("t_degc", "rh_percent", "g_m3"), WMO_ABSOLUTE_G_M3)
def test_absolute_humidity(t_degc, rh_percent, g_m3):
    assert humid_air.absolute_humidity_g_m3(t_degc, rh_percent) == pytest.approx(g_m3, abs=1e-4)


@pytest.mark.parametrize(("t_degc", "rh_percent", "g_m3"), ASHRAE_ABSOLUTE_G_M3)
def test_absolute_humidity_against_ashrae(t_degc, rh_percent, g_m3):
    assert humid_air.absolute_humidity_g_m3(t_degc, rh_percent) == pytest.approx(g_m3, rel=0.0035)


@pytest.mark.parametrize(("t_degc", "rh_percent", "ratio"), OCCUPANCY)
def test_humidity_ratio_of_real_sensor_rows(t_degc, rh_percent, ratio):
    vapour_hpa = rh_percent / 100 * humid_air.saturation_vapour_pressure_hpa(t_degc)
    assert 0.621945 * vapour_hpa / (1013.25 - vapour_hpa) == pytest.approx(ratio, rel=0.0030)


def test_dew_point_of_a_whole_real_year():
    """TMY3 station 723170 states the dew point of every hour beside temperature and (whole) humidity."""
    with open(weather.BUNDLED, newline="") as file:
        rows = [
            (float(r["temperature_degc"]), float(r["humidity_percent"]), float(r["dew_point_degc"]))
            for r in csv.DictReader(file)
        ]
    differences = [humid_air.dew_point_degc(t, rh) - dew for t, rh, dew in rows]
    mean_k = sum(differences) / len(differences)
    p95_k = sorted(map(abs, differences))[int(0.95 * len(differences))]
    worst_k = max(map(abs, differences))
    print(f"dew point, {len(rows)} hours: mean {mean_k:+.3f} K, p95 {p95_k:.3f} K, worst {worst_k:.2f} K")
    assert len(rows) == 8760
    assert p95_k <= 0.40
    assert abs(mean_k) <= 0.05


def test_against_psychrolib():
    """psychrolib 2.5.0 (ASHRAE, dew point by iteration): at most 0.04 K apart, 0.03 K nearly everywhere."""
    psychrolib = pytest.importorskip("psychrolib", reason="psychrolib is not installed")
    psychrolib.SetUnitSystem(psychrolib.SI)
    differences = []
    for t_degc in range(1, 41):
        ours_pa = 100 * humid_air.saturation_vapour_pressure_hpa(t_degc)
        assert ours_pa == pytest.approx(psychrolib.GetSatVapPres(t_degc), rel=0.0035)
        for rh_percent in range(20, 101, 5):
            theirs = psychrolib.GetTDewPointFromRelHum(t_degc, rh_percent / 100)
            if theirs > 0:  # below, psychrolib gives the frost point
                differences.append(abs(humid_air.dew_point_degc(t_degc, rh_percent) - theirs))
    beyond = sum(difference > 0.03 for difference in differences)
    print(f"{len(differences)} dew points, worst {max(differences):.4f} K, {beyond} beyond 0.03 K")
    assert max(differences) <= 0.04
    assert beyond <= 0.05 * len(differences)


def test_against_pvlib():
    atmosphere = pytest.importorskip("pvlib.atmosphere", reason="pvlib is not installed")
    for t_degc in range(-40, 51, 5):
        for rh_percent in (1, 20, 60, 100):
            theirs = atmosphere.tdew_from_rh(float(t_degc), float(rh_percent))
            assert humid_air.dew_point_degc(t_degc, rh_percent) == pytest.approx(float(theirs), abs=1e-6)


def test_warming_keeps_the_vapour():
    for t_out, rh_out, t_in in [(-10, 70, 20), (5, 95, 30), (25, 60, 45), (12, 40, 12)]:
        rh_in = humid_air.rh_after_warming(t_out, rh_out, t_in)
        assert humid_air.dew_point_degc(t_in, rh_in) == pytest.approx(
            humid_air.dew_point_degc(t_out, rh_out), abs=1e-9
        )
    assert humid_air.rh_after_warming(20, 90, 5) == 100.0


@pytest.mark.parametrize("rh_percent", [0, -1])
def test_dry_air_has_no_dew_point(rh_percent):
    with pytest.raises(ValueError, match="no dew point"):
        humid_air.dew_point_degc(20, rh_percent)
