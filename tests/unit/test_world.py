"""The world. Law: all that happens follows from the scenario and the seed, and the judge sees it."""

import hashlib
import io
import os
import subprocess
import sys
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest

from hostsim.events import Events
from hostsim.faults import Fault
from hostsim.runtimes import fast
from hostsim.scenario import load
from hostsim.world import World

BASE = load(None)
DAY_S = 86400
MAST = BASE.nodes[2]  # it reaches every network


def plan(changes=(), was=MAST, **more):
    """A node's plan with lines of its settings changed."""
    text = was.settings_toml.decode()
    for before, after in changes:
        assert text.count(before) == 1, before
        text = text.replace(before, after)
    return replace(was, settings_toml=text.encode(), settings=tomllib.loads(text), **more)


def scenario(days, node=MAST, **more):
    quiet = [replace(network, windows=[]) for network in BASE.networks]
    calm = {"networks": quiet, "broker_windows": [], "time_windows": [], "faults": []}
    return replace(BASE, days=days, nodes=[node], **(calm | more))


def removed(from_s, to_s):
    return Fault("card-removed", MAST.name, from_s, to_s)


def lived(found, wake=fast.wake):
    stream = io.StringIO()
    world = World(found, Events(stream), "", wake)
    world.run()
    return world, world.finish(), stream.getvalue()


def broken(world):
    return {i: entry.evidence for i, entry in world.invariants.all.items() if entry.state == "broken"}


def balanced(count):
    return (
        count["stored"]
        == count["delivered"] + count["waiting"] + count["overwritten"] + count["destroyed"] + count["lost"]
    )


def digest(world, events):
    """All that a rehearsal leaves behind, as one number."""
    facts = [events]
    for node in world.nodes:
        facts += [node.meter.ms, node.meter.charge_uah(), node.now_ms, bytes(node.retained)]
        facts += [node.card.peek(sector) for sector in range(node.card.sectors)]
        tally = world.tallies[node.name]
        facts += [tally.stored_by_bin, tally.delivered_by_bin, tally.delays, tally.degc_mean(), tally.battery_mv]
    return hashlib.sha256(repr(facts).encode()).hexdigest()


# --- what becomes of readings ---------------------------------------------------------------------------------------


def test_a_quiet_day_is_delivered():
    world, counts, _ = lived(scenario(1))
    count = counts["yard-mast"]
    assert broken(world) == {}
    assert count["stored"] == count["delivered"] == world.judges["yard-mast"].slots.due == 145


@pytest.mark.parametrize(("kind", "overwritten"), [("down", True), ("mute", True), ("forgets", False)])
def test_a_tiny_ring_and_a_broker_that_fails_for_weeks(kind, overwritten):
    """1 MiB holds 1856 readings: 12.9 days at 10 min. What the judge saw overwritten is what the node has counted."""
    tiny = plan([("size_mib = 64", "size_mib = 1")])
    world, counts, _ = lived(scenario(23, tiny, broker_windows=[(DAY_S, 21 * DAY_S, kind)]))
    count = counts["yard-mast"]
    assert broken(world) == {}
    assert balanced(count)
    assert (count["lost"], count["waiting"], count["unstored"]) == (0, 0, 0)
    if overwritten:
        assert 0 < 20 * 144 - 1856 - 6 <= count["overwritten"] <= 20 * 144 - 1856 + 40
        assert world.tallies["yard-mast"].waiting()[-1] == 0
    else:
        assert count["duplicates"] > 0


def test_without_a_card_readings_are_held_and_the_oldest_are_dropped_and_counted():
    bare = [removed(0, 1.5 * DAY_S)]
    world, counts, _ = lived(scenario(2, faults=bare, broker_windows=[(0, DAY_S, "down")]))
    count = counts["yard-mast"]
    assert broken(world) == {}
    assert balanced(count)
    assert count["unstored"] > 50
    assert count["held"] > 80
    assert count["stored"] + count["unstored"] == 2 * 144 + 1


def test_a_card_that_is_pulled_for_a_day_costs_nothing_while_there_is_a_broker():
    world, counts, _ = lived(scenario(4, faults=[removed(DAY_S, 2 * DAY_S)]))
    assert broken(world) == {}
    assert counts["yard-mast"]["delivered"] == 4 * 144 + 1
    # the wake for the first slot after the window may begin in it
    assert counts["yard-mast"]["held"] in (144, 145)


def written_ms(found):
    """When each sector of a rehearsal landed."""
    world = World(found, Events(None), "", fast.wake)
    node, moments = world.nodes[0], []
    judged = node.card.wrote

    def wrote(sector, data):
        moments.append(node.now_ms)
        judged(sector, data)

    node.card.wrote = wrote
    world.run()
    return moments


def test_a_card_that_is_pulled_at_any_moment_around_a_write():
    """A minute later it is back. Pulled between a write and its reading back, the card has the reading all the same:
    it is then held as well, delivered twice under two names, and was sampled once.
    """
    at_ms = written_ms(scenario(0.2))[-1]
    seen = set()
    for cut_ms in range(-100, 12, 2):
        at_s = (at_ms + cut_ms) / 1000
        world, counts, _ = lived(scenario(0.3, faults=[removed(at_s, at_s + 60)]))
        count = counts["yard-mast"]
        assert broken(world) == {}, cut_ms
        assert balanced(count)
        assert (count["lost"], count["unstored"]) == (0, 0)
        assert (world.judges["yard-mast"].slots.due, world.judges["yard-mast"].slots.missed) == (44, 0)
        seen.add((count["stored"], count["held"]))
    assert seen == {(44, 0), (44, 1), (45, 1)}


def test_networks_that_hang_the_board():
    hanging = [replace(network, windows=[(0, DAY_S, "hangs")]) for network in BASE.networks]
    world, counts, _ = lived(scenario(2, networks=hanging))
    assert broken(world) == {}
    assert counts["yard-mast"]["delivered"] == 2 * 144 + 1


def test_time_that_is_not_to_be_had_for_days():
    world, counts, _ = lived(scenario(4, time_windows=[(0, 3 * DAY_S, "silent")]))
    assert broken(world) == {}
    assert balanced(counts["yard-mast"])


# --- the battery ----------------------------------------------------------------------------------------------------


def test_a_battery_that_runs_down_is_weak_before_it_is_empty():
    found = scenario(12, plan(cell=MAST.cell | {"capacity_mah": 40.0}))
    world, counts, events = lived(found)
    node = world.nodes[0]
    assert broken(world) == {}
    assert balanced(counts["yard-mast"])
    assert 0 < node.weak_since_ms < node.dead_since_ms <= node.now_ms
    assert events.count('"battery-empty"') == 1
    assert world.tallies["yard-mast"].battery_mv[-1] is None
    # a weak node takes no readings, and that is its excuse
    last_day = max(day for day, stored in enumerate(world.tallies["yard-mast"].stored_by_bin) if stored)
    assert last_day <= node.weak_since_ms * 24 // (DAY_S * 1000) + 24
    assert world.judges["yard-mast"].slots.missed > 0


def test_a_good_battery_is_neither():
    world, _, _ = lived(scenario(1))
    assert world.nodes[0].weak_since_ms is None
    assert world.nodes[0].dead_since_ms is None


def test_the_threshold_is_the_settings():
    thresholds = "".join(f"{what}_mv = 4300\n" for what in ("write_off", "write_on", "radio_off", "radio_on"))
    strict = plan([("[battery]\n", "[battery]\n" + thresholds)])
    world, counts, _ = lived(scenario(1, strict))
    assert world.nodes[0].weak_since_ms == 0
    assert counts["yard-mast"]["stored"] == 0
    assert broken(world) == {}


def test_time_and_charge_add_up_over_a_life():
    world, _, _ = lived(scenario(3, networks=BASE.networks, broker_windows=[(DAY_S, 1.5 * DAY_S, "mute")]))
    node = world.nodes[0]
    assert sum(node.meter.ms) == node.now_ms
    by_hand = sum(ua * ms for ua, ms in zip(node.meter.true_ua, node.meter.ms, strict=True)) / 3_600_000
    assert node.meter.charge_uah() == pytest.approx(by_hand)
    assert all(ms > 0 for ms in node.meter.ms)


# --- nodes that do what no node should ------------------------------------------------------------------------------


def asleep_for(seconds):
    def wake(node, world, judge):
        if node.begin_wake():
            judge.wake_began(node.now_ms, node.retained)
            judge.wake_ended(node.now_ms, "sleep", node.battery_mv)
            node.sleep(seconds)

    return wake


@pytest.mark.parametrize("seconds", [600, 86400])
def test_a_node_that_only_sleeps_is_named(seconds):
    world, counts, _ = lived(scenario(2), asleep_for(seconds))
    assert 8 in broken(world)
    assert counts["yard-mast"]["stored"] == 0
    assert world.judges["yard-mast"].slots.missed == 288


FOREIGN = ("torpor/south-stack/health", "torpor/yard-mast", "other/yard-mast/readings", "torpor/yard-mast/a/b")


@pytest.mark.parametrize("topic", FOREIGN)
def test_a_packet_under_another_name_is_named(topic):
    def wake(node, world, judge):
        asleep_for(600)(node, world, judge)
        if node.name == "yard-mast":
            world.arrived(topic, b"{}", node)

    world, _, _ = lived(replace(scenario(0.1), nodes=[MAST, BASE.nodes[1]]), wake)
    assert repr(topic) in broken(world)[2]


# --- one seed, one history ------------------------------------------------------------------------------------------

REPLAY = """
import sys
sys.path.insert(0, {here!r})
from test_world import BASE, digest, lived, replace
world, _, events = lived(replace(BASE, days=1.5, seed=11))
print(digest(world, events))
"""


@pytest.fixture(scope="module")
def history():
    world, _, events = lived(replace(BASE, days=1.5, seed=11))
    return digest(world, events)


def test_a_second_world_in_the_same_process_is_the_same(history):
    world, _, events = lived(replace(BASE, days=1.5, seed=11))
    assert digest(world, events) == history


def test_another_seed_is_another_history(history):
    world, _, events = lived(replace(BASE, days=1.5, seed=12))
    assert digest(world, events) != history


@pytest.mark.parametrize("hash_seed", ["0", "1", "4242"])
def test_another_process_with_another_hash_seed_is_the_same(history, hash_seed):
    ran = subprocess.run(
        [sys.executable, "-c", REPLAY.format(here=str(Path(__file__).parent))],
        env=os.environ | {"PYTHONHASHSEED": hash_seed},
        capture_output=True,
        text=True,
        timeout=120,
        check=True,
    )
    assert ran.stdout.strip() == history


def test_a_node_does_not_change_what_its_neighbours_live_through():
    def mast(nodes):
        world, _, _ = lived(replace(BASE, days=1, nodes=nodes))
        node = next(node for node in world.nodes if node.name == "yard-mast")
        return node.meter.ms, node.meter.charge_uah(), bytes(node.retained)

    assert mast([MAST]) == mast(BASE.nodes)


def test_progress_is_told_and_ends_at_one():
    told = []
    world = World(scenario(8), Events(None), "", fast.wake)
    world.run(lambda share, wakes: told.append((share, wakes)))
    assert told[-1] == (1.0, world.nodes[0].wakes)
    assert [share for share, _ in told] == sorted(share for share, _ in told)
    assert len(told) > 2
