"""Faults of card, supply and chip on the two real runtimes. Law: whatever befalls the board, nothing stored is lost.

The scenario names each fault; the judge's verdict is the same as on the fast runtime. On micropython the card has a
real FAT on it, and the process of the VM ends where the supply does.
"""

import importlib
import io
import json
import os
import tomllib
from collections import Counter
from dataclasses import replace
from types import SimpleNamespace

import pytest
from cp_bench import copied
from mp_bench import Bench
from on_card import on_card

from hostsim.events import Events
from hostsim.fat import Volume
from hostsim.fault_names_card import CARD
from hostsim.fault_names_power import DAMAGE, POWER
from hostsim.faults import Fault
from hostsim.runtimes import RuntimeAbsent
from hostsim.runtimes.micropython import memories, spoilt_card
from hostsim.runtimes.micropython import vm as vms
from hostsim.scenario import load
from hostsim.world import World

RUNTIMES = ("micropython", "circuitpython")
HOUR = 1 / 24
MAST = "yard-mast"  # it reaches every network


def once(name, hour, **extras):
    return {"name": name, "node": MAST, "at_day": hour * HOUR, **extras}


def while_(name, from_hour, to_hour, **extras):
    return {"name": name, "node": MAST, "from_day": from_hour * HOUR, "to_day": to_hour * HOUR, **extras}


@pytest.fixture
def rehearsed(tmp_path):
    """A function: what became of a node in `hours` with these faults in its scenario's file."""
    made = []

    def rehearse(runtime, hours, faults, size_mib=64, broker="", seed=1):
        folder = tmp_path / str(len(made))
        entries = "".join(
            "\n[[fault]]\n" + "".join(f"{key} = {json.dumps(value)}\n" for key, value in fault.items())
            for fault in faults
        )
        copied(folder, ("yard-mast.toml", "size_mib = 64", f"size_mib = {size_mib}"))
        file = folder / "scenario.toml"
        file.write_text(file.read_text() + entries)
        found = load(folder)
        mast = [plan for plan in found.nodes if plan.name == MAST]
        found = replace(found, nodes=mast, days=hours * HOUR, seed=seed)
        if broker:
            found = replace(found, broker_windows=[(0, hours * 3600.0, broker)])
        wake = importlib.import_module(f"hostsim.runtimes.{runtime}").wake
        causes, starts = Counter(), []

        def noted(node, world, judge):
            causes[node.reset_cause] += 1
            starts.append(node.now_ms)
            wake(node, world, judge)

        stream = io.StringIO()
        world = World(found, Events(stream), "", noted)
        try:
            world.run()
        except RuntimeAbsent as absent:
            pytest.skip(str(absent))
        node = world.nodes[0]
        judge = world.judges[node.name]
        count = world.finish()[node.name]
        made.append(world)
        broken = {entry.id: entry.evidence for entry in world.invariants.all.values() if entry.state == "broken"}
        parts = ("delivered", "waiting", "overwritten", "destroyed", "lost")
        return SimpleNamespace(
            world=world,
            node=node,
            judge=judge,
            count=count,
            broken=broken,
            causes=causes,
            starts=starts,
            seen=node.faults.seen,
            events=stream.getvalue(),
            whole=broken == {} and count["lost"] == 0 and count["stored"] == sum(count[part] for part in parts),
        )

    return rehearse


# --- together -------------------------------------------------------------------------------------------------------

ALL = [
    while_("card-full", 0, 0.4),
    once("card-torn", 1),
    once("card-garbage", 1.3),
    while_("card-removed", 1.6, 1.9),
    while_("card-write-dropped", 2.1, 2.6),
    while_("card-read-error", 3.1, 3.4),
    once("power-cut", 4.1, at="write", damage="group-8"),
    once("power-cut", 5.1, at="step", count=30, clock="lost"),
    once("power-cut", 6.22, at="sleep"),
    while_("card-slow", 6.8, 7.7, more_ms=30),
    once("watchdog-reset", 7.1, count=20),
    once("memory-zeroed", 8.1, count=10),
    while_("brown-out", 8.8, 9.4, memory="kept"),
    once("card-unit-gone", 11),
]


@pytest.mark.parametrize("runtime", RUNTIMES)
def test_all_faults_in_half_a_day(rehearsed, runtime):
    lived = rehearsed(runtime, 12, ALL)
    assert lived.broken == {}
    assert lived.whole
    assert {name for name, count in lived.seen.items() if count} == CARD.keys() - {"card-removed"} | POWER.keys()
    assert lived.seen["power-cut"] == 3
    assert lived.causes["power-on"] == 4
    assert lived.count["held"] > 5
    assert lived.count["stored"] + lived.count["unstored"] >= 70
    assert lived.count["delivered"] >= lived.count["stored"] - lived.count["destroyed"] - 7


@pytest.mark.parametrize("runtime", RUNTIMES)
def test_faults_that_come_by_chance(rehearsed, runtime):
    rates = {
        "card-torn": {},
        "card-garbage": {},
        "power-cut": {"at": "write", "damage": "group-32"},
        "watchdog-reset": {"count": 15},
        "memory-zeroed": {"count": 40},
    }
    faults = [{"name": name, "node": MAST, "per_day": 12, **extras} for name, extras in rates.items()]
    faults += [
        {"name": name, "node": MAST, "per_day": 8, "lasts_h": 0.3}
        for name in ("card-read-error", "card-write-dropped")
    ]
    lived = rehearsed(runtime, 10, faults, seed=4)
    assert lived.broken == {}
    assert lived.whole
    assert sum(lived.seen.values()) > 20


# --- the card -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["card-write-dropped", "card-read-error"])
def test_readings_are_held_while_the_card_on_a_fat_keeps_nothing(rehearsed, name):
    lived = rehearsed("micropython", 3, [while_(name, 0.9, 1.9)])
    assert lived.whole
    assert (lived.count["held"], lived.count["stored"], lived.count["unstored"]) == (6, 19, 0)


@pytest.mark.parametrize("name", ["card-torn", "card-garbage"])
def test_a_write_to_the_ring_that_went_wrong_is_done_again(rehearsed, name):
    # the first one while the ring is being made, in the middle of writes to the file system, which are left alone
    lived = rehearsed("micropython", 3, [once(name, hour) for hour in (0, 0.5, 1, 1.5, 2)])
    assert lived.whole
    assert (lived.seen[name], lived.count["held"], lived.count["stored"]) == (5, 0, 19)
    assert lived.node.card.writes >= 19 + 5


def test_two_writes_to_a_fat_that_went_wrong_hold_the_reading(rehearsed):
    lived = rehearsed("micropython", 2, [once("card-torn", 1), once("card-garbage", 1)])
    assert lived.whole
    assert lived.count["held"] == 1


def test_a_slow_card_is_not_searched_twice_in_a_wake(rehearsed):
    """At 250 ms a sector, those of the file system included, a cold start is over before the ring is found."""
    lived = rehearsed(
        "micropython", 2.5, [while_("card-slow", 0.9, 1.9, more_ms=250), once("power-cut", 1.1, at="step")]
    )
    assert lived.whole, lived.broken
    assert lived.count["held"] >= 4
    assert '"event":"ring-found","head":7' in lived.events


def test_a_slow_card_takes_longer_and_is_written_all_the_same(rehearsed):
    """Each sector that the file system reads for itself takes as long as one of the ring."""
    quick = rehearsed("micropython", 1, [])
    slow = rehearsed("micropython", 1, [while_("card-slow", 0, 1, more_ms=200)])
    assert slow.whole
    assert slow.count["held"] == 0
    assert slow.node.meter.spent_ms["storing"] > quick.node.meter.spent_ms["storing"] + 200 * 60


def test_a_full_fat_takes_no_ring_and_is_as_it_was_afterwards(rehearsed):
    lived = rehearsed("micropython", 2, [while_("card-full", 0, 1)])
    assert lived.whole
    assert (lived.count["held"], lived.count["stored"]) == (6, 13)
    card = lived.node.card
    volume = Volume(card.lies)
    assert [file.name for file in volume.files()] == ["torpor.ring"]
    # clusters are free again that were shown as taken
    assert not any(spoilt_card.BAD[2] in card.lies(sector) for sector in volume.fats)
    lived = rehearsed("micropython", 2, [while_("card-full", 0.4, 1)])
    assert (lived.whole, lived.count["held"]) == (True, 0)


def test_a_unit_of_a_large_ring_takes_hardly_anything(rehearsed):
    lived = rehearsed("micropython", 4, [once("card-unit-gone", 3)], broker="down")
    assert lived.whole
    assert lived.seen["card-unit-gone"] == 1
    assert lived.count["destroyed"] <= 1
    assert (lived.count["held"], lived.count["stored"]) == (0, 25)


def test_a_unit_with_the_file_system_in_it_leaves_a_card_for_a_person(rehearsed):
    """A ring of 1 MiB lies in the same 4 MiB as the tables of the FAT: nothing is left that could be mounted."""
    lived = rehearsed("micropython", 4, [once("card-unit-gone", 2.05)], size_mib=1, broker="down")
    assert lived.whole
    assert lived.count["destroyed"] == 13
    assert lived.count["held"] == 12
    assert lived.count["waiting"] == 12


GIVEN_UP = """
import gc
ports.power.rail("card", True)
ports.card.rings()
ports.card.create("torpor.ring", 320)
ports.card.keep("torpor.ring")
file = ports.card.open("torpor.ring")
file.write(5, bytearray(512))
file = None
junk = [bytearray(40) for _ in range(500)]
junk = None
gc.collect()
"""


def test_a_ring_that_is_given_up_in_a_wake_is_not_written_to_by_the_garbage_collector():
    """A file that nobody refers to would write its directory entry, in the middle of anything."""
    bench = Bench()
    card = bench.chip.card
    landed = []
    land = card.land
    card.land = lambda sector, data: (land(sector, data), landed.append(card.is_of_ring(sector)))
    bench.said(GIVEN_UP)
    assert landed.count(True) == 1
    assert landed[-1]


# --- the supply -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("damage", DAMAGE)
@pytest.mark.parametrize("runtime", RUNTIMES)
def test_a_power_cut_at_a_write_whatever_the_write_leaves(rehearsed, runtime, damage):
    cuts = [once("power-cut", hour, at="write", count=n, damage=damage) for hour, n in ((0.5, 1), (1.5, 2), (2, 1))]
    lived = rehearsed(runtime, 3, cuts)
    assert lived.whole, lived.broken
    assert lived.seen["power-cut"] == 3
    assert lived.causes["power-on"] == 4
    assert lived.count["stored"] == 19
    # as a person finds them
    assert sorted(on_card(lived.node)[1]) == list(range(1, 20))


@pytest.mark.parametrize("damage", ["dropped", "torn", "group-32"])
def test_a_power_cut_while_the_ring_is_made_on_a_fat(rehearsed, damage):
    """What was written to the file system may be rubbish then, which only a person can mend: readings are held."""
    for write in (1, 3, 8, 20):
        lived = rehearsed("micropython", 0.8, [once("power-cut", 0, at="write", count=write, damage=damage)])
        assert lived.whole, (write, lived.broken)
        assert (lived.seen["power-cut"], lived.count["stored"]) == (1, 5)
        assert damage == "group-32" or lived.count["held"] == 0


@pytest.mark.parametrize("runtime", RUNTIMES)
def test_a_power_cut_at_a_passing_of_time(rehearsed, runtime):
    counts = [1, 2, 3, 5, 8, 13, 21, 34, 55, 70]
    lived = rehearsed(
        runtime, 6, [once("power-cut", 0.4 + 0.5 * i, count=count, at="step") for i, count in enumerate(counts)]
    )
    assert lived.whole, lived.broken
    assert lived.causes["power-on"] == lived.seen["power-cut"] + 1 >= len(counts)


@pytest.mark.parametrize("runtime", RUNTIMES)
def test_a_power_cut_in_the_sleep_comes_at_its_time(rehearsed, runtime):
    lived = rehearsed(runtime, 2, [once("power-cut", 1.05, at="sleep", clock="lost")])
    assert lived.whole, lived.broken
    assert lived.seen["power-cut"] == 1
    assert min(abs(start_ms - 3780000) for start_ms in lived.starts) <= 1
    # the clock chip says so, and a new run begins
    assert lived.events.count('"event":"run-began"') == 2


@pytest.mark.parametrize("runtime", RUNTIMES)
@pytest.mark.parametrize("name", ["watchdog-reset", "memory-zeroed"])
def test_a_reset_from_outside(rehearsed, runtime, name):
    counts = [1, 2, 4, 7, 11, 16, 25, 36]
    lived = rehearsed(runtime, 5, [once(name, 0.4 + 0.5 * i, count=count) for i, count in enumerate(counts)])
    assert lived.whole, lived.broken
    assert lived.causes["watchdog"] == lived.seen[name] >= len(counts) - 1
    assert lived.events.count('"event":"run-began"') == (1 if name == "watchdog-reset" else lived.seen[name] + 1)
    assert lived.count["unstored"] == 0
    assert lived.count["stored"] == 31


@pytest.mark.parametrize("runtime", RUNTIMES)
def test_a_supply_that_gives_way_under_the_radio(rehearsed, runtime):
    """MicroPython's chip calls it power-on. The node rests all the same, and opens no window for a person."""
    lived = rehearsed(runtime, 6, [while_("brown-out", 2, 4, memory="kept")])
    assert lived.whole, lived.broken
    assert 2 <= lived.causes["brown-out"] <= 8
    # the window after power-on, and what the wakes take
    assert lived.node.meter.spent_ms["awake"] < 110_000
    assert lived.count["stored"] >= 35


@pytest.mark.parametrize("seed", [1, 2])
def test_a_supply_that_gives_way_under_the_radio_and_takes_memory_along(rehearsed, seed):
    """Out of the blue it looks like a battery that was changed, and costs one window; the next ones have a mark."""
    lived = rehearsed("micropython", 6, [while_("brown-out", 2, 4, memory="lost")], seed=seed)
    assert lived.whole, lived.broken
    # it cannot count the times, and tries again after each rest
    assert 2 <= lived.causes["brown-out"] <= 13
    # two windows, and what the wakes take
    assert lived.node.meter.spent_ms["awake"] < 180_000
    assert lived.count["stored"] >= 35


def test_the_process_of_the_vm_ends_where_the_supply_does(rehearsed, monkeypatch):
    pids = []
    made = vms.Vm.__init__

    def noted(self, *arguments):
        made(self, *arguments)
        pids.append(self._process.pid)

    monkeypatch.setattr(vms.Vm, "__init__", noted)
    lived = rehearsed("micropython", 1, [once("power-cut", 0.5, at="write", damage="torn")])
    assert lived.whole
    assert len(set(pids)) == len(lived.starts) == 8
    for pid in pids:
        with pytest.raises(ProcessLookupError):
            os.kill(pid, 0)


# --- a clock without a cell of its own ------------------------------------------------------------------------------


@pytest.mark.parametrize("runtime", RUNTIMES)
def test_the_clock_of_the_chip_goes_with_the_supply_whatever_the_scenario_says(runtime):
    found = load(None)
    plan = found.nodes[2]
    text = plan.settings_toml.decode().replace('rtc = "ds3231"', 'rtc = "internal"')
    plan = replace(plan, settings_toml=text.encode(), settings=tomllib.loads(text))
    cut = {"at": "step", "count": 5, "damage": "dropped", "clock": "kept"}
    fault = Fault("power-cut", plan.name, 3600.0, 3600.0, cut)
    world = World(
        replace(found, days=2 * HOUR, nodes=[plan], faults=[fault]),
        Events(io.StringIO()),
        "",
        importlib.import_module(f"hostsim.runtimes.{runtime}").wake,
    )
    lost = []
    judge = world.judges[plan.name]
    clock_lost = judge.clock_lost
    judge.clock_lost = lambda t_ms: (lost.append(t_ms), clock_lost(t_ms))
    try:
        world.run()
    except RuntimeAbsent as absent:
        pytest.skip(str(absent))
    assert any(3_600_000 < t_ms < 3_700_000 for t_ms in lost)
    assert world.finish()[plan.name]["lost"] == 0
    assert not [entry for entry in world.invariants.all.values() if entry.state == "broken"]


# --- able to fail ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("runtime", RUNTIMES)
def test_a_card_that_forgets_without_a_fault_is_found_out(rehearsed, runtime):
    lived = rehearsed(runtime, 1, [once("card-torn", 0.5)], broker="down")
    assert lived.whole
    card = lived.node.card
    card.forget(list(card.ring_sectors()) if runtime == "micropython" else range(card.sectors))
    count = lived.judge.finish(3_600_000, card.peek, card.sectors, None)
    assert (count["lost"], count["destroyed"]) == (7, 0)


def test_a_write_that_is_dropped_behind_the_judges_back_is_found_out(rehearsed, monkeypatch):
    """A held reading needs an excuse that the card itself has given."""
    monkeypatch.setattr(spoilt_card.Spoilt, "_holds", silent)
    lived = rehearsed("micropython", 11, [while_("card-write-dropped", 1, 11)], broker="down")
    assert lived.count["unstored"] > 0
    # and no wake hangs meanwhile
    assert lived.broken.keys() == {8}


def test_a_mark_of_the_radio_that_is_never_kept_is_found_out(rehearsed, monkeypatch):
    """Each brown-out then costs a window; the sessions go on without it."""
    kept = memories.Nvs.set

    def forgetful(self, a, b, data):
        if self._name == "torpor/radio_on":
            raise OSError(memories.NO_SPACE)
        kept(self, a, b, data)

    monkeypatch.setattr(memories.Nvs, "set", forgetful)
    lived = rehearsed("micropython", 4, [while_("brown-out", 2, 3, memory="lost")])
    assert lived.node.meter.spent_ms["awake"] > 1_500_000
    assert lived.count["delivered"] >= 20


def silent(self, name):
    return self._faults.holds(name, self._node.now_ms)
