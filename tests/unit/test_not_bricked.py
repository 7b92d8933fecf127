"""A node cannot be bricked. Law: whatever is in its file or befalls its supply, it comes back by itself."""

import pytest
from test_world import DAY_S, MAST, broken, lived, scenario

from hostsim import settings_faults
from hostsim.faults import Fault
from hostsim.runtimes import fast

# rules between keys that each of these breaks; every line by itself is within its bounds
CONTRADICTIONS = {
    "transmits more often than it samples": (b"sample_every_s = 600", b"sample_every_s = 86400"),
    "writes again below where it stopped": (
        b"[battery]\n",
        b"[battery]\nwrite_off_mv = 3600\nwrite_on_mv = 3300\n",
    ),
    "a rail that the board does not have": (b'rail = "card"', b'rail = "cupboard"'),
}


def with_faults(*faults, days=2):
    return lived(scenario(days, faults=[Fault(name, MAST.name, *when, extras) for name, when, extras in faults]))


@pytest.mark.parametrize("words", sorted(CONTRADICTIONS))
def test_settings_that_contradict_themselves_leave_the_last_good_ones_in_force(monkeypatch, words):
    old, new = CONTRADICTIONS[words]
    assert MAST.settings_toml.count(old) == 1
    contradictory = MAST.settings_toml.replace(old, new)
    monkeypatch.setitem(settings_faults._AS, "settings-refused", lambda data, fault: contradictory)
    world, counts, _ = with_faults(("settings-refused", (0.5 * DAY_S, 3 * DAY_S), {}))
    assert broken(world) == {}
    assert world.events.traces == []
    assert (counts[MAST.name]["stored"], counts[MAST.name]["lost"]) == (289, 0)
    health = world.broker.retained[f"torpor/{MAST.name}/health"]
    assert b'"settings_problem": null' not in health
    assert b'"settings": ' in health


@pytest.mark.parametrize("memory", ["kept", "lost"])
def test_a_brown_out_at_every_radio_start_costs_no_service_windows(memory):
    """A window is 60 s awake for a person: a weak cell would pay it after each brown-out."""
    found = {}
    for name, faults in (("calm", ()), ("weak", (("brown-out", (0.5 * DAY_S, 1.5 * DAY_S), {"memory": memory}),))):
        world, counts, _ = with_faults(*faults)
        assert broken(world) == {}
        assert counts[MAST.name]["lost"] == 0
        meter = world.nodes[0].meter
        found[name] = meter.ms[meter.names.index("awake")]
    assert world.nodes[0].faults.seen == {"brown-out": 1}
    assert world.events.traces == []
    # a day of up to 72 brown-outs, each with a wake of a second: far below a window for each
    assert found["weak"] - found["calm"] < 150_000


def test_a_board_that_took_brown_outs_for_a_person_would_be_found_out(monkeypatch):
    monkeypatch.setitem(fast.CAUSES, "brown-out", "power-on")
    world, _, _ = with_faults(("brown-out", (0.5 * DAY_S, 1.5 * DAY_S), {"memory": "kept"}))
    meter = world.nodes[0].meter
    assert meter.ms[meter.names.index("awake")] > 1_000_000
