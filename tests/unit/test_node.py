"""One node as a thing. Law: time and charge come from `spend` and `sleep` alone, and add up."""

import random
from dataclasses import replace

import pytest

from hostsim.card import Card
from hostsim.cell import Cell
from hostsim.enclosure import Enclosure
from hostsim.meter import Meter
from hostsim.node import Climate, Node, generator, oscillator
from hostsim.scenario import load
from hostsim.weather import bundled

BOARD = load(None).nodes[0].board


def node(board=BOARD, seed=1, name="bench", **cell):
    climate = Climate(bundled(), 0.0, Enclosure({}), 1.0)
    return Node(name, b"", {}, board, Cell(**cell), Card(()), climate, seed)


def lived(found, wakes=200):
    draw = random.Random(5)
    for _ in range(wakes):
        found.begin_wake()
        for state in found.meter.names[2:]:
            found.spend(state, draw.randint(0, 3000))
        found.sleep(draw.randint(1, 3600))
    return found


def test_every_millisecond_is_in_one_state():
    found = lived(node())
    assert sum(found.meter.ms) == found.now_ms > 0


def test_charge_is_the_sum_of_current_times_time():
    found = lived(node())
    by_hand = sum(ua * ms / 3_600_000 for ua, ms in zip(found.meter.true_ua, found.meter.ms, strict=True))
    assert found.meter.charge_uah() == pytest.approx(by_hand)
    assert sum(found.meter.charge_by_state_uah().values()) == pytest.approx(by_hand)


def test_the_cell_gives_what_was_charged_and_ages():
    found = lived(node(capacity_mah=5000, self_discharge_percent_per_month=0))
    found.begin_wake()
    boots_uah = sum(
        found.meter.true_ua[found.meter.names.index(state)] * ms / 3_600_000
        for state, ms in (("booting", BOARD.durations["boot"]), ("awake", BOARD.durations["run"]))
    )
    given_uah = (1.0 - found.cell.state_of_charge) * 5_000_000
    assert given_uah == pytest.approx(found.meter.charge_uah() - boots_uah)


def test_true_currents_lie_within_the_spread_and_differ_from_node_to_node():
    meters = [Meter(BOARD, random.Random(seed)) for seed in range(50)]
    for index, state in enumerate(BOARD.states.values()):
        drawn = [meter.true_ua[index] for meter in meters]
        assert max(drawn) <= state.current_ua * (1 + state.spread)
        assert min(drawn) >= state.current_ua * (1 - state.spread)
        assert (len(set(drawn)) == 50) == (state.spread > 0)


def test_time_does_not_pass_backwards():
    with pytest.raises(ValueError, match="cannot pass"):
        node().spend("awake", -1)


def test_a_state_that_the_board_does_not_have_is_an_error():
    with pytest.raises(KeyError):
        node().spend("dancing", 1)


def test_an_empty_cell_does_not_boot():
    found = node(state_of_charge=0.0)
    assert not found.begin_wake()
    assert (found.dead_since_ms, found.wakes, found.now_ms) == (0, 0, 0)


def test_a_cell_that_runs_empty_in_its_sleep_does_not_boot_again():
    found = node(capacity_mah=1.0)
    assert found.begin_wake()
    found.sleep(86400)  # more than a milliampere hour
    slept_from_ms = found.now_ms - found.meter.ms[0]
    assert not found.begin_wake()
    # 1 mAh less what the frost hides, at 110 uA and 30 %
    assert 5 < (found.dead_since_ms - slept_from_ms) / 3_600_000 < 14


def test_sleep_follows_the_sleep_timer_and_not_the_wish():
    found = node(replace(BOARD, sleep_timer={"kind": "rc", "offset_ppm": 50_000.0}))
    found.begin_wake()
    before_ms = found.now_ms
    found.sleep(600)
    slept_ms = found.now_ms - before_ms
    # 5 % fast, and 200 ppm a degree of an on-chip oscillator (oscillator.py) over at most 40 degrees
    assert slept_ms == pytest.approx(600_000 / 1.05, rel=0.008)


def test_a_sleep_ends_in_a_deep_sleep_wake():
    found = node()
    assert found.reset_cause == "power-on"
    found.begin_wake()
    found.sleep(1)
    assert found.reset_cause == "deep-sleep"


def test_memory_has_the_boards_size_and_flash_is_not_zero():
    found = node(replace(BOARD, retained_bytes=256, nvm_slot_bytes=1000))
    assert found.retained == bytearray(256)
    assert found.nvm == [b"\xff" * 1000] * 2


def test_parts_draw_from_their_own_numbers():
    assert generator(1, "clock", "a").random() == generator(1, "clock", "a").random()
    drawn = {generator(seed, part, name).random() for seed in (1, 2) for part in ("a", "b") for name in ("x", "y")}
    assert len(drawn) == 8
    assert node().eui == node().eui != node(seed=2).eui != node(name="other").eui


def test_an_oscillator_is_drawn_within_its_spread():
    profile = {"kind": "crystal", "offset_spread_ppm": 10.0}
    rates = [oscillator(profile, random.Random(seed)).rate_ppm(25.0, 0.0) for seed in range(50)]
    assert -10 <= min(rates) < -3 < 3 < max(rates) <= 10


def test_the_climate_is_the_same_however_often_it_is_asked():
    one, many = (Climate(bundled(), 0.0, Enclosure({}), 0.5) for _ in range(2))
    one.let_pass(40 * 3600.0)
    for n in range(1, 81):
        many.let_pass(n * 1800.0)
    assert one.inside_degc == pytest.approx(many.inside_degc)
    assert one.illuminance_lx == pytest.approx(many.illuminance_lx)
