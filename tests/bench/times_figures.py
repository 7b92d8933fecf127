"""One case, lived through, in figures. Law: each figure is of all readings that it speaks of, and none is left out.

Readings that a jump excuses which no node can see are counted apart, and only they.
"""

from times_cases import CLOCKS, Case, scenario
from times_collector import dated
from times_watch import Stated, Watch

from hostsim.events import Events
from hostsim.runtimes import fast
from hostsim.world import World

SHARES = {"p50": 0.5, "p95": 0.95, "max": 1.0}


def percentile(values: list, share: float):
    """The smallest of `values` that this share of them does not exceed (nearest rank); None without any."""
    if not values:
        return None
    # in whole thousandths: 0.07 * 100 is more than 7 in floating point
    rank = -(-round(share * 1000) * len(values) // 1000)
    return sorted(values)[max(1, rank) - 1]


def spread(values: list) -> dict:
    return {name: percentile(values, share) for name, share in SHARES.items()}


def row(case: Case, days: float, seed: int, wake=fast.wake) -> dict:
    """Live through it. Returns the keys of `figures` and `collected`, and what the case is."""
    world = World(scenario(case, days, seed), Events(None), "", wake)
    watch = Watch(world, case.jumps_hide)
    world.run()
    world.finish()
    evidence = {str(i): entry.evidence for i, entry in world.invariants.all.items() if entry.state == "broken"}
    return {
        "fault": case.fault,
        "clock": case.clock,
        "drift_ppm_max": CLOCKS[case.clock][1],
        "days": days,
        "seed": seed,
        "broken": evidence,
        **figures(watch),
        "collector": collected(watch),
    }


def off_s(watch: Watch, taken_ms: int, time_s: int) -> float:
    """How far a time is from the moment at which the sensor was read."""
    return abs(time_s * 1000 - watch.start_ms - taken_ms) / 1000.0


def figures(watch: Watch) -> dict:
    """Every delivery counts in outside and above_bound; the last one of each reading in all else.

    outside: stated times that are further off than they say, or that nobody could know; above_bound: uncertainties
    that are larger than invariant 5 allows; hidden: readings after a jump that no node can see, until the next
    synchronisation.
    """
    outside = above = 0
    for each in watch.stated:
        bound_s, excused = watch.spans.bound_s(each.taken_ms)
        if each.time_s is None or excused:
            continue
        outside += bound_s is None or off_s(watch, each.taken_ms, each.time_s) > each.uncertainty_s
        above += bound_s is not None and each.uncertainty_s > bound_s
    readings = {(each.ring, each.seq): each for each in watch.stated}.values()
    known = [each for each in readings if each.time_s is not None]
    bounds = {each: watch.spans.bound_s(each.taken_ms) for each in known}
    judged = [each for each in known if not bounds[each][1]]
    return {
        "delivered": len(readings),
        "unknown": len(readings) - len(known),
        "actual_s": spread([off_s(watch, each.taken_ms, each.time_s) for each in judged]),
        "stated_s": spread([each.uncertainty_s for each in judged]),
        "bound_s": spread([bounds[each][0] for each in judged if bounds[each][0] is not None]),
        "of_bound": spread([each.uncertainty_s / bounds[each][0] for each in judged if bounds[each][0] is not None]),
        "outside": outside,
        "above_bound": above,
        "hidden": _hidden(watch, [each for each in known if bounds[each][1]]),
    }


def _hidden(watch: Watch, excused: list[Stated]) -> dict:
    off = [off_s(watch, each.taken_ms, each.time_s) for each in excused]
    outside = sum(by_s > each.uncertainty_s for by_s, each in zip(off, excused, strict=True))
    return {"readings": len(excused), "outside": outside, "off_s_max": max(off, default=None)}


def collected(watch: Watch) -> dict:
    """What the collector makes of the readings that came without a time; outside as above."""
    unknown = {(each.ring, each.seq): each.taken_ms for each in watch.stated if each.time_s is None}
    found = {name: time for name, time in dated(watch.messages).items() if name in unknown} if unknown else {}
    off = [(off_s(watch, unknown[name], time_s), uncertainty_s) for name, (time_s, uncertainty_s, _) in found.items()]
    sources = [source for _, _, source in found.values()]
    return {
        "undated": len(unknown) - len(found),
        "by_run": sources.count("run"),
        "by_bracket": sources.count("bracket"),
        "actual_s": spread([by_s for by_s, _ in off]),
        "stated_s": spread([uncertainty_s for _, uncertainty_s in off]),
        "outside": sum(by_s > uncertainty_s for by_s, uncertainty_s in off),
    }


def failed(found: dict) -> bool:
    """Whether a time was wrong without an excuse, an uncertainty too large, or a promise broken for the judge."""
    return bool(found["outside"] or found["above_bound"] or found["collector"]["outside"] or found["broken"])
