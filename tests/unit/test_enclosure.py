"""Enclosure: stable for any step, towards one equilibrium, and as hot as published figures say."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hostsim import humid_air, weather
from hostsim.enclosure import PRESETS, Enclosure, parameters


def settled(params, t_out_degc, ghi_w_m2, wind_m_s):
    enclosure = Enclosure(params)
    enclosure.step(1e7, t_out_degc, ghi_w_m2, wind_m_s)
    return enclosure


def euler(params, dt_s, t_out, ghi, wind, start):
    """The two equations of the module's docstring in steps of 0.05 s, independent of its algebra."""
    p = parameters(params)
    shell, inside = start
    v = max(wind, p["calm_m_s"])
    sun = p["absorptance"] * (1 - p["shade"]) * p["area_m2"] * ghi
    sky = (1 - p["shade"]) * p["area_m2"] * p["sky_loss_w_m2"]
    outer = p["surface_m2"] * (p["still_w_m2k"] + p["wind_w_m2k_per_m_s"] * v)
    vent = p["ventilation_w_k"] + p["ventilation_w_k_per_m_s"] * v
    for _ in range(int(dt_s / 0.05)):
        across = p["shell_to_inside_w_k"] * (shell - inside)
        shell += 0.05 * (sun - sky - outer * (shell - t_out) - across) / p["shell_j_per_k"]
        inside += 0.05 * (p["board_heat_w"] + across - vent * (inside - t_out)) / p["inside_j_per_k"]
    return shell, inside


@pytest.mark.parametrize("preset", PRESETS)
def test_a_step_solves_the_stated_equations(preset):
    params = {"preset": preset, "board_heat_w": 0.2, "shade": 0.3}
    enclosure = Enclosure(params)
    enclosure.step(0, 5.0, 0, 0)
    state = (5.0, 5.0)
    for dt_s, t_out, ghi, wind in [(120, 5, 800, 0), (300, 7, 0, 4), (45, -3, 300, 1)]:
        enclosure.step(dt_s, t_out, ghi, wind)
        state = euler(params, dt_s, t_out, ghi, wind, state)
        assert (enclosure.shell_degc, enclosure.inside_degc) == pytest.approx(state, abs=0.02)


@given(
    dt_s=st.floats(0, 1e9),
    parts=st.integers(2, 5),
    t_out=st.floats(-60, 60),
    ghi=st.floats(0, 1400),
    wind=st.floats(0, 60),
    preset=st.sampled_from(sorted(PRESETS)),
)
def test_many_small_steps_are_one_large_step(dt_s, parts, t_out, ghi, wind, preset):
    whole, split = Enclosure({"preset": preset}), Enclosure({"preset": preset})
    for enclosure in (whole, split):
        enclosure.step(0, 10.0, 0, 0)
    whole.step(dt_s, t_out, ghi, wind)
    for _ in range(parts):
        split.step(dt_s / parts, t_out, ghi, wind)
    assert split.inside_degc == pytest.approx(whole.inside_degc, abs=1e-6)
    assert split.shell_degc == pytest.approx(whole.shell_degc, abs=1e-6)


@given(t_out=st.floats(-60, 60), start=st.floats(-60, 60), ghi=st.floats(0, 1400), wind=st.floats(0, 60))
def test_it_never_leaves_the_span_between_start_and_equilibrium(t_out, start, ghi, wind):
    end = settled(None, t_out, ghi, wind)
    highest = max(start, t_out, end.shell_degc, end.inside_degc)
    lowest = min(start, t_out, end.shell_degc, end.inside_degc)
    enclosure = Enclosure()
    enclosure.step(0, start, 0, 0)
    for _ in range(20):
        enclosure.step(97, t_out, ghi, wind)
        assert lowest - 1e-9 <= enclosure.inside_degc <= highest + 1e-9


def test_equal_rates_without_coupling_are_no_special_case():
    params = {
        "shell_to_inside_w_k": 0,
        "surface_m2": 1,
        "still_w_m2k": 1,
        "wind_w_m2k_per_m_s": 0,
        "ventilation_w_k": 1,
        "ventilation_w_k_per_m_s": 0,
        "shell_j_per_k": 100,
        "inside_j_per_k": 100,
        "sky_loss_w_m2": 0,
    }
    enclosure = Enclosure(params)
    enclosure.step(0, 0.0, 0, 0)
    enclosure.step(100, 10.0, 0, 0)
    assert enclosure.inside_degc == pytest.approx(10 * (1 - 0.36787944))  # one time constant: 1 - 1/e


def test_a_dark_roof_reaches_the_sol_air_temperature():
    """Sol-air, ASHRAE Fundamentals 2017 chapter 18 equation 30 (its number from memory).

    35 degC, 900 W/m2, horizontal (-3.9 K): dark (alpha/ho 0.052 m2K/W) 77.9 degC, light (0.026) 54.5 degC.
    """
    face = {
        "area_m2": 1,
        "surface_m2": 1,
        "still_w_m2k": 17,
        "wind_w_m2k_per_m_s": 0,
        "sky_loss_w_m2": 66.3,  # 3.9 K x 17 W/m2K
        "shell_to_inside_w_k": 1e-9,
    }
    assert settled(face | {"absorptance": 0.052 * 17}, 35, 900, 3).shell_degc == pytest.approx(77.9, abs=0.05)
    assert settled(face | {"absorptance": 0.026 * 17}, 35, 900, 3).shell_degc == pytest.approx(54.5, abs=0.05)


# makers' figure for a passive multi-plate shield at 1080 W/m2 (from memory)
@pytest.mark.parametrize(("wind_m_s", "error_k"), [(1, 1.5), (2, 0.7), (3, 0.4)])
def test_a_shield_errs_as_shields_do(wind_m_s, error_k):
    assert settled({"preset": "shield"}, 20, 1080, wind_m_s).inside_degc - 20 == pytest.approx(error_k, rel=0.25)


def test_a_shield_in_calm_sun_and_calm_clear_night():
    # WMO-No. 8 part I chapter 2 (from memory): screens up to about +2.5 K and down to -0.5 K
    assert 1.5 <= settled({"preset": "shield"}, 30, 1000, 0).inside_degc - 30 <= 3.0
    assert -0.6 <= settled({"preset": "shield"}, 5, 0, 0).inside_degc - 5 <= -0.1


def test_a_box_in_the_sun_is_no_thermometer_but_no_oven():
    """WMO-No. 8 (from memory): an exposed thermometer errs by up to 25 K in the extreme. Richardson et al.
    1999: 2.0 K in a passive multi-plate shield; Jin et al.: 0.59 K mean.
    """
    year = weather.bundled()
    errors_k = {}
    for preset in PRESETS:
        enclosure = Enclosure({"preset": preset})
        errors = []
        for second in range(0, 31536000, 600):
            t_out, _, ghi, _, wind, _ = year.at(second)
            enclosure.step(600, t_out, ghi, wind)
            errors.append(enclosure.inside_degc - t_out)
        errors_k[preset] = sorted(errors)
    for preset, errors in errors_k.items():
        print(f"{preset}: {errors[0]:+.2f} .. {errors[-1]:+.2f} K, p95 {errors[int(0.95 * len(errors))]:+.2f} K")
    assert 15 <= errors_k["box"][-1] <= 28
    assert errors_k["shield"][-1] <= 3.0
    assert 0.2 <= errors_k["shield"][int(0.95 * len(errors_k["shield"]))] <= 2.0


def test_shade_wind_and_paint_cool():
    bare = settled(None, 20, 900, 1).inside_degc
    assert settled({"shade": 0.8}, 20, 900, 1).inside_degc < bare - 5
    assert settled(None, 20, 900, 5).inside_degc < bare - 5
    assert settled({"absorptance": 0.2}, 20, 900, 1).inside_degc < bare - 5
    assert settled({"shade": 1.0}, 20, 900, 1).inside_degc == pytest.approx(20)
    assert settled({"shade": 1.0, "board_heat_w": 0.1}, 20, 0, 1).inside_degc > 20.3


def test_the_air_inside_keeps_the_outside_vapour():
    enclosure = settled(None, 20, 900, 1)
    rh_in = enclosure.inside_humidity_percent(20, 60)
    assert rh_in < 25
    assert humid_air.dew_point_degc(enclosure.inside_degc, rh_in) == pytest.approx(humid_air.dew_point_degc(20, 60))


@pytest.mark.parametrize(
    ("params", "names"),
    [
        ({"preset": "barrel"}, "barrel"),
        ({"colour": 1}, "colour"),
        ({"absorptance": 1.2}, "absorptance"),
        ({"shade": -0.1}, "shade"),
        ({"area_m2": "large"}, "area_m2"),
        ({"area_m2": True}, "area_m2"),
        ({"area_m2": float("nan")}, "area_m2"),
        ({"shell_j_per_k": 0}, "shell_j_per_k"),
        ({"shell_to_inside_w_k": 0, "ventilation_w_k": 0, "ventilation_w_k_per_m_s": 0}, "ventilation_w_k"),
    ],
)
def test_bad_parameters_are_named(params, names):
    with pytest.raises(ValueError, match=names):
        Enclosure(params)


def test_presets_survive_their_users():
    parameters()["absorptance"] = 0.0
    assert PRESETS["box"]["absorptance"] == parameters()["absorptance"] == 0.7
