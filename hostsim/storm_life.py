"""One storm, lived through and judged. Law: the figures are the judge's and the world's; the node is asked nothing.

What comes back is plain data, so that it can come from another process or another machine.
"""

import importlib
from collections import Counter

from hostsim.events import Events
from hostsim.invariants import Invariants
from hostsim.scenario import Scenario
from hostsim.storm_draw import DAY_S
from hostsim.world import World

# more than any settings ask for: slots, sessions in between, retries, resets one after the other
WAKES_A_SLOT_MAX = 12
WAKES_BESIDES_MAX = 20_000


class Restless(Exception):
    """A node wakes and wakes, and its time hardly passes."""


def lived(scenario: Scenario, stream=None, runtime: str = "fast") -> dict:
    """Live through it. stream: where events.jsonl goes, None: nowhere. Raises Restless.

    Returns seed, days, nodes[] (node, lived_days, wakes, due, missed, readings, faults{name: how many came to bear}),
    outages{name: how many held}, broken[] (id, node, t_s, evidence, count: the first fact of each invariant and node)
    and traces[] (unknown exceptions).
    """
    wake = importlib.import_module(f"hostsim.runtimes.{runtime}").wake
    events = Events(stream)
    world = World(scenario, events, "", wake)
    breaches = _watch(world.invariants)
    wakes_max = sum(_wakes_max(plan, scenario.days) for plan in scenario.nodes)

    def progress(_share: float, wakes: int) -> None:
        if wakes > wakes_max:
            raise Restless(f"{wakes} wakes and no end")

    world.run(progress)
    counts = world.finish()
    return {
        "seed": scenario.seed,
        "days": scenario.days,
        "nodes": [_node(world, node, counts[node.name]) for node in world.nodes],
        "outages": dict(sorted(_outages(world).items())),
        "broken": list(breaches.values()),
        "traces": events.traces,
    }


def _wakes_max(plan, days: float) -> int:
    every_s = plan.settings.get("sample_every_s", 600)
    return int(days * DAY_S / every_s) * WAKES_A_SLOT_MAX + WAKES_BESIDES_MAX


def _watch(invariants: Invariants) -> dict[tuple[int, str], dict]:
    """{(invariant, node): its first breach, and how many there were}, filled as the judge finds them."""
    found: dict[tuple[int, str], dict] = {}
    told = invariants.broken

    def broken(invariant: int, node: str, t_ms: int, fact: str) -> None:
        entry = found.setdefault(
            (invariant, node), {"id": invariant, "node": node, "t_s": t_ms / 1000, "evidence": fact, "count": 0}
        )
        entry["count"] += 1
        told(invariant, node, t_ms, fact)

    invariants.broken = broken
    return found


def _node(world: World, node, readings: dict) -> dict:
    slots = world.judges[node.name].slots
    return {
        "node": node.name,
        "lived_days": round((node.dead_since_ms or node.now_ms) / 1000 / DAY_S, 3),
        "wakes": node.wakes,
        "due": slots.due,
        "missed": slots.missed,
        "readings": readings,
        "faults": dict(sorted(_met(node).items())),
    }


def _met(node) -> Counter:
    """How many faults of each name have come to bear; the card itself knows how often it was pulled."""
    return node.faults.seen + Counter({"card-removed": node.card.seating(node.now_ms / 1000.0)})


def _outages(world: World) -> Counter:
    """Windows that held for some time while a node lived."""
    end_s = max(node.now_ms for node in world.nodes) / 1000
    scenario = world.scenario
    places = [("network", network.windows) for network in scenario.networks]
    places += [("broker", scenario.broker_windows), ("time server", scenario.time_windows)]
    return Counter(f"{place} {kind}" for place, windows in places for from_s, _, kind in windows if from_s < end_s)
