"""Cell: charge is conserved, voltage falls as it must, and cold takes nothing for good."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hostsim.cell import OCV_ANCHORS_MV, Cell, life_h, mean_current_ma, usable_fraction

KINDS = sorted(OCV_ANCHORS_MV)


@given(
    capacity_mah=st.floats(1, 20000),
    draws=st.lists(st.floats(0, 5e6), max_size=30),
    t_degc=st.floats(-60, 80),
    kind=st.sampled_from(KINDS),
)
def test_no_more_comes_out_than_went_in(capacity_mah, draws, t_degc, kind):
    cell = Cell(kind, capacity_mah, self_discharge_percent_per_month=0)
    cell.voltage_mv(0, t_degc)
    given_uah = 0.0
    for draw in draws:
        got = cell.draw_uah(draw)
        assert 0 <= got <= draw
        assert got == draw or cell.empty
        given_uah += got
    assert given_uah <= 1000 * capacity_mah * (1 + 1e-9)
    assert cell.state_of_charge == pytest.approx(1 - given_uah / (1000 * capacity_mah), abs=1e-9)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("t_degc", [-30, -20, 0, 25, 50])
def test_voltage_only_falls_while_it_is_drawn(kind, t_degc):
    cell = Cell(kind, 1000)
    voltages_mv = [cell.voltage_mv(0, t_degc)]
    while not cell.empty:
        cell.draw_uah(7000)
        voltages_mv.append(cell.voltage_mv(0, t_degc))
    assert voltages_mv[0] == 4200
    assert voltages_mv[-1] == OCV_ANCHORS_MV[kind][0]
    assert all(a >= b for a, b in zip(voltages_mv, voltages_mv[1:], strict=False))
    # the curve has no jump: 0.7 % of the charge never moves it by more than the steepest stretch does
    assert max(a - b for a, b in zip(voltages_mv, voltages_mv[1:], strict=False)) < 300


def test_cold_hides_charge_and_warmth_gives_it_back():
    cell = Cell("lipo", 1000, self_discharge_percent_per_month=0)
    cell.draw_uah(700_000)
    assert not cell.empty
    cell.voltage_mv(0, -20)  # 35 % of the capacity cannot be drawn at -20 degC, and 30 % is left
    assert cell.empty
    assert cell.draw_uah(1) == 0
    assert cell.state_of_charge == pytest.approx(0.3)
    cell.voltage_mv(0, 25)
    assert not cell.empty
    assert cell.draw_uah(1e9) == pytest.approx(300_000)
    assert cell.empty
    assert cell.state_of_charge == 0


def test_a_load_pulls_the_voltage_down_the_more_the_colder():
    cell = Cell("lipo", 1000, internal_resistance_ohm=0.2)
    resting_mv = cell.voltage_mv(0, 25)
    assert resting_mv - cell.voltage_mv(300, 25) == 60
    assert cell.voltage_mv(0, 0) - cell.voltage_mv(300, 0) == 120
    assert cell.voltage_mv(1e6, 0) == 0


def test_usable_fraction_is_continuous_and_bounded():
    values = [usable_fraction(t / 10) for t in range(-800, 801)]
    assert min(values) == 0.3
    assert max(values) == 1.0
    assert all(0 <= b - a < 0.002 for a, b in zip(values, values[1:], strict=False))
    assert usable_fraction(0) == 0.85
    assert usable_fraction(-20) == pytest.approx(0.65)


def test_ageing_does_not_depend_on_the_step():
    one, many = Cell("lipo", 1000), Cell("lipo", 1000)
    one.age_s(30 * 86400)
    for _ in range(30 * 24):
        many.age_s(3600)
    assert one.state_of_charge == pytest.approx(many.state_of_charge, abs=1e-12)
    assert one.state_of_charge < 1


def test_no_self_discharge_means_none():
    cell = Cell("lipo", 1000, self_discharge_percent_per_month=0)
    cell.age_s(1e9)
    assert cell.state_of_charge == 1.0


@pytest.mark.parametrize(
    "arguments",
    [
        {"kind": "alkaline"},
        {"capacity_mah": 0},
        {"capacity_mah": float("nan")},
        {"self_discharge_percent_per_month": 100},
        {"self_discharge_percent_per_month": -1},
        {"internal_resistance_ohm": -0.1},
        {"state_of_charge": 1.1},
    ],
)
def test_impossible_cells_are_refused(arguments):
    with pytest.raises(ValueError, match=r"kind|capacity|charge"):
        Cell(**arguments)


def test_charging_is_refused():
    with pytest.raises(ValueError, match="charging"):
        Cell().draw_uah(-1)


@pytest.mark.parametrize("phases", [[], [(1, 0)], [(1, -1), (1, 2)]])
def test_a_mean_needs_time(phases):
    with pytest.raises(ValueError):
        mean_current_ma(phases)


@pytest.mark.parametrize("arguments", [(1000, 0, 0), (-1, 1, 0), (1000, -1, 2)])
def test_a_life_needs_a_current(arguments):
    with pytest.raises(ValueError):
        life_h(*arguments)
