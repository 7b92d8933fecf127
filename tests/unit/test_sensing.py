"""What parts are exposed to. Law: the same part in the same minute feels the same, however it is asked."""

from random import Random
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hostsim.sensing import DRAWS, NOISE, OFFSET, Surroundings, minute
from hostsim.voltages import at_pin
from hostsim.wiring import Rails, Wiring

AIR = SimpleNamespace(inside_degc=12.0, humidity_percent=70.0, illuminance_lx=500.0, pressure_hpa=1000.0)
NAMES = sorted(OFFSET)


def part(seed="1", climate=AIR, at=None):
    at = at or [0]
    return Surroundings(climate, lambda: at[0], Random(seed))


@given(st.lists(st.sampled_from(NAMES), max_size=30), st.integers(0, 10_000_000))
def test_order_and_number_of_questions_change_nothing(asked, at):
    one, other = part(at=[at]), part(at=[at])
    for name in asked:
        getattr(other, name)
    assert [getattr(one, name) for name in NAMES] == [getattr(other, name) for name in NAMES]


def test_it_is_noisy_from_minute_to_minute_and_as_wide_as_it_says():
    at = [0]
    shown = part(at=at)
    degc = []
    for at[0] in range(DRAWS):
        degc.append(shown.inside_degc)
    mean = sum(degc) / DRAWS
    deviation = (sum((value - mean) ** 2 for value in degc) / DRAWS) ** 0.5
    assert 0.9 * NOISE["inside_degc"] < deviation < 1.1 * NOISE["inside_degc"]
    assert abs(mean - AIR.inside_degc) < 4 * OFFSET["inside_degc"]


def test_two_parts_differ():
    assert part("1").inside_degc != part("2").inside_degc


def test_what_cannot_be_is_not_shown():
    dark = SimpleNamespace(inside_degc=0.0, humidity_percent=100.0, illuminance_lx=0.0, pressure_hpa=1000.0)
    for seed in range(20):
        shown = part(seed, dark)
        assert shown.humidity_percent <= 100.0
        assert shown.illuminance_lx == 0.0


@pytest.mark.parametrize(("now_ms", "nearest"), [(0, 0), (29_999, 0), (30_000, 1), (595_000, 10), (604_999, 10)])
def test_the_nearest_minute_counts(now_ms, nearest):
    assert minute(now_ms) == nearest


# --- voltages -------------------------------------------------------------------------------------------------------

SETTINGS = {
    "analog": [
        {"name": "supply", "pin": "A1", "rail": "sensors", "divider_upper_ohm": 100, "divider_lower_ohm": 100},
        {"name": "wood-probe", "pin": "A2"},
    ],
    "battery": {"pin": "A0", "divider_upper_ohm": 300, "divider_lower_ohm": 100},
    "rails": {"sensors": "D5"},
}


def bench():
    wiring = Wiring(SETTINGS)
    return SimpleNamespace(wiring=wiring, noise=Random(1), battery_mv=3600), Rails(wiring.rails)


def test_a_divider_leaves_its_share_and_is_undone():
    node, rails = bench()
    pin_mv, supply_mv = at_pin(node, rails, "A0")
    assert abs(pin_mv - 900) <= 4
    assert supply_mv == 4 * pin_mv


def test_a_voltage_without_its_rail_is_next_to_nothing():
    node, rails = bench()
    assert at_pin(node, rails, "A1")[0] < 8
    rails.switch("sensors", True, 0)
    assert abs(at_pin(node, rails, "A1")[0] - 1650) <= 4


@pytest.mark.parametrize("pin", ["A2", "A9", ""])
def test_nothing_is_wired_to_other_pins(pin):
    node, rails = bench()
    with pytest.raises(OSError, match="19|No such device"):
        at_pin(node, rails, pin)
