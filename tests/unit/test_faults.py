"""Faults of a node. Law: when each comes follows from scenario and seed, and nothing comes twice."""

import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from hostsim import scenario
from hostsim.faults import Draw, Fault, Faults, drawn
from hostsim.scenario_fault import faults_of, windows_of
from hostsim.scenario_text import ScenarioError, Table

DAY_S = 86400.0


def tables(*entries):
    return Table("a.toml", "", {"fault": list(entries), "outage": list(entries)}, ()).tables("fault")


def test_a_lasting_one_holds_from_its_first_to_before_its_last_moment_and_counts_once():
    faults = Faults([Fault("card-removed", "mast", 10, 20), Fault("card-removed", "mast", 40, 50)])
    held = [faults.holds("card-removed", t_s * 1000) is not None for t_s in range(0, 60, 5)]
    assert held == [10 <= t_s < 20 or 40 <= t_s < 50 for t_s in range(0, 60, 5)]
    assert faults.seen == {"card-removed": 2}
    assert faults.holds("no-such", 15_000) is None


def test_of_two_that_overlap_the_later_one_holds_and_then_the_first_again():
    long, short = Fault("card-removed", "mast", 0, 100), Fault("card-removed", "mast", 10, 20)
    faults = Faults([short, long])
    assert [faults.holds("card-removed", t_s * 1000) for t_s in (5, 15, 25)] == [long, short, long]


def test_a_momentary_one_strikes_once_however_often_it_is_asked_for():
    faults = Faults([Fault("power-cut", "mast", at_s, at_s) for at_s in (10, 20)])
    assert [faults.is_due("power-cut", t_s * 1000) for t_s in (9, 10)] == [False, True]
    struck = [faults.strikes("power-cut", t_s * 1000) for t_s in range(5, 40)]
    assert [fault.from_s for fault in struck if fault is not None] == [10, 20]
    assert faults.seen == {"power-cut": 2}


def test_what_comes_by_chance_comes_at_its_rate_and_again_with_the_same_seed():
    base = scenario.load(None)
    draws = [
        Draw(("network", 0), "absent", 2.0, 600.0, 0.0, 1e9),
        Draw(("broker",), "down", 1.0, 600.0, 100 * DAY_S, 200 * DAY_S),
        Draw(("time_server",), "silent", 1.0, 600.0, 0.0, 1e9),
        Draw(("fault", "yard-mast"), "card-removed", 0.5, 60.0, 0.0, 1e9),
    ]
    asked = replace(base, draws=draws, days=400)
    first, again, other = drawn(asked), drawn(asked), drawn(replace(asked, seed=77))
    assert first.faults == again.faults != other.faults
    assert first.networks[0].windows == again.networks[0].windows != other.networks[0].windows
    assert base.networks[0].windows == first.networks[0].windows[: len(base.networks[0].windows)]
    came = len(first.networks[0].windows) - len(base.networks[0].windows)
    assert 700 < came < 900
    downs = first.broker_windows[len(base.broker_windows) :]
    assert 70 < len(downs) < 130
    assert all(100 * DAY_S <= from_s < 200 * DAY_S for from_s, _, _ in downs)
    removed = [fault for fault in first.faults if fault.node == "yard-mast"]
    assert 150 < len(removed) < 250
    # the network notices: its own timeline has the new windows
    from_s, to_s, _ = first.networks[0].windows[-1]
    reach = next(iter(first.networks[0].reach))
    present = replace(first.networks[0], presence=None)
    assert present.kind_at(reach, (from_s + to_s) / 2) == "absent"


def test_a_fault_without_a_node_befalls_each():
    found = faults_of(tables({"name": "card-removed", "at_day": 1, "lasts_h": 2}), ["a", "b"], [])
    assert found == [Fault("card-removed", node, DAY_S, DAY_S + 7200) for node in ("a", "b")]


def test_the_ways_to_say_when():
    draws = []
    assert windows_of(
        Table("a", "", {"outage": [{"kind": "down", "at_day": 2, "lasts_h": 1}]}, ()), ("down",), (), draws
    )
    assert draws == []
    by_chance = {"kind": "down", "per_day": 0.1, "lasts_h": 1, "from_day": 3, "to_day": 4}
    assert windows_of(Table("a", "", {"outage": [by_chance]}, ()), ("down",), ("broker",), draws) == []
    assert draws == [Draw(("broker",), "down", 0.1, 3600.0, 3 * DAY_S, 4 * DAY_S)]


@pytest.mark.parametrize(
    ("entry", "words"),
    [
        ({"name": "card-removed", "from_day": 1, "to_day": 2, "lasts_h": 1}, "lasts_h goes with"),
        ({"name": "card-removed", "at_day": 1}, "lasts_h is missing"),
        ({"name": "card-removed", "at_day": 1, "lasts_h": 1, "to_day": 2}, "does not go with at_day"),
        ({"name": "card-removed", "per_day": 0}, "per_day must be a number from"),
        ({"name": "card-removed", "per_day": 2000, "lasts_h": 1}, "per_day must be a number from"),
        ({"name": "card-removed", "from_day": 2, "to_day": 2}, "must be after from_day"),
        ({"name": "card-removed", "node": "c", "at_day": 1, "lasts_h": 1}, "is not known"),
        ({"name": "card-remove", "at_day": 1, "lasts_h": 1}, 'did you mean "card-removed"'),
    ],
)
def test_what_is_not_to_be_used_is_said(entry, words):
    with pytest.raises(ScenarioError, match=words):
        faults_of(tables(entry), ["a", "b"], [])


def test_two_of_one_name_at_one_node_do_not_overlap():
    one = {"name": "card-removed", "node": "a", "from_day": 1, "to_day": 3}
    other = {"name": "card-removed", "node": "a", "at_day": 2, "lasts_h": 1}
    with pytest.raises(ScenarioError, match="at_day overlaps"):
        faults_of(tables(one, other), ["a", "b"], [])
    assert len(faults_of(tables(one, other | {"node": "b"}), ["a", "b"], [])) == 2


EVERYTHING = """
import sys
sys.path.insert(0, {here!r})
from test_world import DAY_S, MAST, digest, lived, scenario
from hostsim.fault_names import FAMILIES, FAULTS
from hostsim.faults import Fault
from hostsim.judge import Judge

told = []
for name in ("clock_lost", "clock_jumped"):
    def hear(self, *what, name=name, heard=getattr(Judge, name)):
        told.append((name, *what))
        return heard(self, *what)
    setattr(Judge, name, hear)

def extras(kind):
    return {{key: of.words[-1] if hasattr(of, "words") else of.default for key, of in kind.extras.items()}}

faults = []
for number, family in enumerate(("time", "settings", "sensors", "card", "power"), 1):
    from_s = number * DAY_S / 8
    for name in FAMILIES[family]:
        faults.append(Fault(name, MAST.name, from_s, from_s + 3600 * FAULTS[name].lasting, extras(FAULTS[name])))
world, _, events = lived(scenario(0.8, faults=faults))
assert len(world.nodes[0].faults.seen) > 10, world.nodes[0].faults.seen
print(digest(world, events), told)
"""


def test_which_of_several_at_once_comes_first_does_not_hang_on_the_process():
    histories = set()
    for hash_seed in range(6):
        ran = subprocess.run(
            [sys.executable, "-c", EVERYTHING.format(here=str(Path(__file__).parent))],
            env=os.environ | {"PYTHONHASHSEED": str(hash_seed)},
            capture_output=True,
            text=True,
            timeout=120,
        )
        assert ran.returncode == 0, ran.stderr
        histories.add(ran.stdout)
    assert len(histories) == 1
