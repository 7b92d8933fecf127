"""A storm as files. Law: what is loaded from them lives the same life, event for event."""

import io
from dataclasses import replace
from datetime import date
from random import Random

import pytest

from hostsim import scenario, storm
from hostsim.fault_kinds import Choice, Number
from hostsim.fault_names import FAULTS
from hostsim.faults import Draw, Fault
from hostsim.runtimes import settings_check
from hostsim.storm_draw import DAY_S, extra, on_grid_s, times_s
from hostsim.storm_faults import NEVER
from hostsim.storm_life import lived
from hostsim.storm_pieces import Storm, built
from hostsim.storm_text import Unwritable, write, written


def events_of(found):
    stream = io.StringIO()
    return lived(found, stream), stream.getvalue()


@pytest.mark.parametrize("seed", range(4))
def test_what_was_written_lives_the_same_life(seed, tmp_path):
    drawn = storm.scenario(seed, 1.5)
    write(drawn, tmp_path)
    loaded = scenario.load(tmp_path, None, settings_check.refusal)
    assert loaded.faults == drawn.faults
    assert [network.windows for network in loaded.networks] == [network.windows for network in drawn.networks]
    assert events_of(loaded) == events_of(drawn)


def test_what_was_written_is_the_same_scenario(tmp_path):
    for seed in range(40):
        drawn = storm.scenario(seed)
        folder = tmp_path / str(seed)
        write(drawn, folder)
        loaded = scenario.load(folder, None, settings_check.refusal)
        # the weather is one object; the board's states are dicts of frozen things
        assert replace(loaded, path=drawn.path) == drawn
        scenario.check_end(loaded)


def test_what_has_no_words_is_refused():
    drawn = storm.scenario(0, 1)
    for change in ({"draws": [Draw(("broker",), "down", 1.0, 60.0, 0.0, 1e6)]}, {"require": {"lost_max": 0}}):
        with pytest.raises(Unwritable):
            written(replace(drawn, **change))
    awkward_s = next(at_s for at_s in range(1, 10**6) if at_s / DAY_S * DAY_S != at_s)
    with pytest.raises(Unwritable, match="no decimal of a day"):
        written(replace(drawn, broker_windows=[(0.0, awkward_s, "down")]))


def test_every_storm_has_settings_that_a_node_takes():
    for seed in range(300):
        for plan in built(storm.storm(seed, 3.0)).nodes:
            assert settings_check.refusal(plan.settings_toml) is None


def test_a_time_on_the_grid_is_a_decimal_of_a_day():
    draw = Random(1)
    for _ in range(2000):
        at_s = on_grid_s(draw.uniform(0, 400 * DAY_S))
        assert float(repr(at_s / DAY_S)) * DAY_S == at_s


def test_what_lasts_never_overlaps_and_what_strikes_may():
    for seed in range(200):
        draw = Random(seed)
        lasting = times_s(draw, 5.0, (0.1, 20.0), 10 * DAY_S, [DAY_S, 2 * DAY_S])
        assert all(from_s < to_s for from_s, to_s in lasting)
        assert all(before[1] <= after[0] for before, after in zip(lasting, lasting[1:], strict=False))
        assert all(from_s == to_s <= 10 * DAY_S for from_s, to_s in times_s(draw, 5.0, None, 10 * DAY_S, []))


@pytest.mark.parametrize(
    "of", [Number(0, 10, 3), Number(1, 2000, 7, whole=True), Number(-5, 5, 0), Choice(("a", "b"))]
)
def test_what_a_fault_takes_is_within_its_bounds_and_reaches_them(of):
    draw = Random(3)
    drawn = [extra(draw, of) for _ in range(500)]
    if isinstance(of, Choice):
        assert set(drawn) == set(of.words)
    else:
        assert min(drawn) == of.low
        assert max(drawn) == of.high
        assert of.default in drawn
        assert len(set(drawn)) > 50 or of.high - of.low < 50
        assert not of.whole or all(isinstance(value, int) for value in drawn)


def test_every_name_is_drawn_and_within_its_bounds():
    seen = set()
    for seed in range(60):
        for fault in storm.scenario(seed).faults:
            kind = FAULTS[fault.name]
            assert set(fault.extras) == set(kind.extras)
            assert (fault.from_s < fault.to_s) == kind.lasting
            seen.add(fault.name)
    assert seen == set(FAULTS) - set(NEVER)
    assert set(NEVER) <= set(FAULTS)


def test_a_card_is_full_when_its_ring_is_to_be_made():
    full = [fault for seed in range(60) for fault in storm.scenario(seed).faults if fault.name == "card-full"]
    firsts = {(fault.node, fault.to_s): fault for fault in full if fault.from_s == 0}
    assert len(firsts) > 20
    assert any(fault.from_s > 0 for fault in full)
    full = Storm(1, 0.1, date(2030, 1, 1), ("alder",), (Fault("card-full", "alder", 0.0, 3600.0),))
    met = lived(built(full))
    assert met["nodes"][0]["faults"] == {"card-full": 1}
