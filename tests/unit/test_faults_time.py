"""Faults of clocks and time servers. Law: a stated time covers the truth, as soon as anybody could know it."""

import random

import pytest
from test_world import DAY_S, MAST, broken, lived, scenario

from hostsim.events import Events
from hostsim.faults import Fault
from hostsim.runtimes import fast
from hostsim.world import World


def with_faults(*faults, days=2, servers=(), **more):
    made = [Fault(name, MAST.name, at_s, at_s, extras) for name, at_s, extras in faults]
    world, counts, _ = lived(scenario(days, faults=made, time_windows=list(servers), **more))
    return world, counts[MAST.name]


@pytest.mark.parametrize(
    ("name", "extras"),
    [
        ("clock-reset", {"told": "told"}),
        ("clock-reset", {"told": "silent"}),
        ("clock-years-off", {"years": 1}),
        ("clock-years-off", {"years": 50}),
        ("clock-jump", {"seconds": 86_400}),
        ("clock-jump", {"seconds": -86_400}),
        ("clock-jump", {"seconds": 1}),
        ("clock-jump", {"seconds": -1}),
        ("clock-jump", {"seconds": 150}),
        ("clock-jump", {"seconds": -299}),
    ],
)
def test_it_heals_and_every_reading_is_there(name, extras):
    world, count = with_faults((name, 0.71 * DAY_S, extras))
    assert broken(world) == {}
    assert world.events.traces == []
    assert count["lost"] == 0
    assert count["delivered"] >= 286
    tally = world.tallies[MAST.name]
    # most readings are as good as before
    assert tally.stated_s(0.5) <= 3
    assert tally.off_s(0.5) <= 3
    assert world.nodes[0].faults.seen == {name: 1}


def test_what_was_taken_in_unknown_time_gets_it_from_the_anchor():
    """The clock is reset while no time server answers; a day later one does, and every time is right."""
    lost_s, back_s = 0.5 * DAY_S, 0.9 * DAY_S
    world, count = with_faults(("clock-reset", lost_s, {"told": "told"}), servers=[(lost_s - 60, back_s, "silent")])
    assert broken(world) == {}
    assert count["delivered"] == 289
    tally = world.tallies[MAST.name]
    assert tally.off_s(0.95) <= tally.stated_s(0.95) <= 4


@pytest.mark.parametrize("fault", [None, ("clock-reset", 0.5 * DAY_S, {"told": "silent"})])
def test_one_server_astray_is_outvoted_or_nothing_is_believed(fault):
    """The other one is the broker's host. With a clock that is known it decides; else the time stays unknown."""
    world, count = with_faults(*([fault] if fault else []), servers=[(0.2 * DAY_S, 1.5 * DAY_S, "astray")])
    assert broken(world) == {}
    assert count["lost"] == 0
    assert world.tallies[MAST.name].off_s(0.95) < 60


def test_a_clock_that_jumped_and_of_which_the_judge_was_not_told_breaks_a_promise():
    """What is excused is what the world did, and nothing else."""
    found = scenario(1.5)
    world = World(found, Events(None), "", fast.wake)
    node = world.nodes[0]

    def wake(*arguments):
        if node.wakes == 100:
            node.clock.set(node.now_ms, node.clock.shows(node.now_ms) + 150)
        fast.wake(*arguments)

    world._wake = wake
    world.run()
    world.finish()
    assert 5 in broken(world)


@pytest.mark.parametrize("seed", range(40))
def test_all_of_them_in_any_company(seed):
    draw = random.Random(seed)
    faults = []
    for _ in range(draw.randint(1, 5)):
        name = draw.choice(["clock-reset", "clock-years-off", "clock-jump"])
        extras = {
            "clock-reset": {"told": draw.choice(["told", "silent"])},
            "clock-years-off": {"years": draw.randint(1, 50)},
            "clock-jump": {"seconds": draw.choice([-1, 1]) * draw.choice([1, 30, 290, 310, 1500, 20_000])},
        }[name]
        faults.append((name, draw.uniform(0, 2.5 * DAY_S), extras))
    servers = []
    if draw.random() < 0.6:
        servers = [(draw.uniform(0, 2 * DAY_S), 2.2 * DAY_S, draw.choice(["silent", "astray", "zero"]))]
    world, count = with_faults(*faults, days=3, servers=servers)
    assert broken(world) == {}
    assert world.events.traces == []
    assert count["lost"] == 0
