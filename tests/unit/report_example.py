"""A made-up year in the timber yard, and what a browser or a terminal makes of its report.

Law: the year is the same each time it is made, and has the outages and numbers that such a year has.
"""

import json
import math
import random
from html.parser import HTMLParser

from rich.console import Console

from hostsim.report import page, summary

HOSTILE = "<script>alert(1)</script>\"'&</script>[bold]"
NAMES = ("north-stack", "south-stack", "yard-mast")
INVARIANTS = ("stored is kept", "nothing invented", "measure, then radio", "each wake ends", "times hold")
INVARIANTS += ("ledger agrees", "no secret leaks", "each slot has a record")
CURRENTS = {"wake": 38000, "service": 41000, "sample": 12500, "store": 31000, "join": 118000, "sync": 96000}
CURRENTS |= {"send": 104000, "sleep": 18}


def example(days: int = 365, names=NAMES, seed: int = 7) -> tuple[dict, dict]:
    """A year in the timber yard, made up, but with the outages and numbers that such a year has."""
    rng = random.Random(seed)
    series = {name: _node_series(rng, index, days) for index, name in enumerate(names)}
    results = {"schema": 1, "scenario": "timber-yard-year", "runtime": "fast", "seed": seed, "days": float(days)}
    results |= {
        "start": "2027-01-01T05:00:00Z",
        "nodes": [_node_results(name, series[name], days) for name in names],
        "invariants": [
            {"id": i, "name": name, "state": "held", "evidence": f"{1000 * i} checked", "replay": None}
            for i, name in enumerate(INVARIANTS, 1)
        ],
        "requirements": [
            {"key": "must_last_days", "wanted": 365, "got": 377.4, "met": True},
            {"key": "lost_max", "wanted": 0, "got": 0, "met": True},
        ],
        "speed": {"wakes": 144 * days * len(names), "wall_s": 24.31},
    }
    spans = {"start_epoch_s": 1798779600, "bin_s": 86400, "bins": days, "windows": _windows(rng, days)}
    sources = {"join": "measured with a shunt, 20 runs", "sleep": "chip data sheet, table 4-6, and regulator 8 µA"}
    currents = [
        {"state": state, "current_ua": float(ua), "spread": 0.15, "source": sources.get(state, "chip data sheet")}
        for state, ua in CURRENTS.items()
    ]
    return results, {**spans, "nodes": series, "currents": currents}


def _windows(rng: random.Random, days: int) -> list[dict]:
    def window(lane, kind, from_day, length_days, node=None):
        ends = {"from_s": from_day * 86400, "to_s": (from_day + length_days) * 86400}
        return {"lane": lane, "kind": kind, **ends, "node": node}

    some = [window("network yard-office", "absent", 41, 12.5), window("network yard-office", "no address", 203, 3)]
    some += [window("network kiln-shed", "absent", 120, 30), window("network kiln-shed", "wrong password", 250, 60)]
    some += [window("network foreman-hotspot", "present", day + 0.4, 0.35) for day in range(days) if day % 7 < 5]
    some += [window("broker", "down", rng.uniform(0, days), rng.uniform(0.1, 2)) for _ in range(9)]
    some += [window("broker", "mute", 150, 5), window("card south-stack", "absent", 280, 4.2, "south-stack")]
    return [one for one in some if one["from_s"] < days * 86400]


def _node_series(rng: random.Random, index: int, days: int) -> dict:
    degc = [9 - 11 * math.cos(2 * math.pi * (d - 20) / 365) + rng.gauss(0, 2.6) for d in range(days)]
    swing = [rng.uniform(2, 5) + (index == 2) * rng.uniform(1, 9) for _ in range(days)]
    humidity = [78 + 9 * math.cos(2 * math.pi * d / 365) - 4 * index + rng.gauss(0, 4) for d in range(days)]
    waiting, level = [], 0
    for day in range(days):
        level = level + 144 if 41 <= day < 53 or (index == 1 and 120 <= day < 126) else max(0, level - 900)
        waiting.append(level or rng.choice((0, 3, 6)))
    life_days = (492.0, 377.4, 611.0)[index % 3]
    edges = [0, 1, 10, 60, 600, 1800, 3600, 7200, 21600, 86400, 259200, 604800, 1209600]
    shares = [0, 2, 60, 480, 2500, 4100, 2300, 420, 60, 40 + 20 * index, 120, 300]
    seconds = {"wake": 1.1e5, "sample": 8.4e4, "store": 1.4e4, "join": 1.3e4, "sync": 900, "send": 8200}
    seconds |= {"sleep": days * 86400 - 2.3e5, "service": 120}
    return {
        "stored": [144] * days,
        "delivered": [144] * days,
        "waiting": waiting,
        "missed": [9 if index == 0 and day in (77, 78, 301) else 0 for day in range(days)],
        "state_of_charge": [1 - day / life_days for day in range(days)],
        "battery_mv": [3600 - day for day in range(days)],
        "inside_degc_min": [t - s for t, s in zip(degc, swing, strict=True)],
        "inside_degc_mean": degc,
        "inside_degc_max": [t + 1.6 * s for t, s in zip(degc, swing, strict=True)],
        "humidity_mean": humidity,
        "emc_percent": [0.24 * h - 2.2 for h in humidity],
        "charge_by_state_mah": {key: CURRENTS[key] * s / 3.6e6 for key, s in seconds.items()},
        "time_by_state_s": seconds,
        "delay_histogram": {"edges_s": edges, "counts": shares},
        "life_days": life_days,
        "capacity_mah": 7800.0,
    }


def _node_results(name: str, series: dict, days: int) -> dict:
    due, missed, waiting = 144 * days, sum(series["missed"]), series["waiting"][-1]
    counts = {"stored": due - missed, "held": 12, "unstored": 0, "duplicates": 36, "overwritten": 0, "lost": 0}
    counts |= {"delivered": due - missed - waiting, "waiting": waiting}
    charge_mah = sum(series["charge_by_state_mah"].values())
    energy = {"charge_mah": charge_mah, "mean_ua": charge_mah * 1000 / 24 / days}
    energy |= {"battery_days": series["life_days"], "battery_empty_day": None}
    time = {"stated_s_p50": 3.0, "stated_s_p95": 21.0, "actual_s_p50": 0.41, "actual_s_p95": 5.2}
    sessions = {"tried": days * 24, "accepted": days * 23}
    return {"node": name, "wakes": due, "due": due, "missed": missed, "readings": counts, "energy": energy} | {
        "time": time,
        "sessions": sessions,
    }


class Page(HTMLParser):
    """What a browser makes of the page: its elements with their attributes, its text, and its scripts."""

    def __init__(self, html: str):
        super().__init__()
        self.elements, self.words, self.scripts, self._in_script = [], [], [], False
        self.feed(html)
        self.text = " ".join(" ".join(self.words).split())

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        self._in_script = tag == "script"

    def handle_endtag(self, tag):
        if tag == "script":
            self._in_script = False

    def handle_data(self, data):
        (self.scripts if self._in_script else self.words).append(data)

    @property
    def figures(self) -> dict:
        """The drawings, read back from the page as the page itself reads them."""
        return json.loads(next(script for script in self.scripts if script.startswith("{")))


def rendered(results, timeline) -> Page:
    return Page(page.render(results, timeline))


def terminal(results) -> str:
    console = Console(width=80, record=True, file=open("/dev/null", "w"))  # noqa: SIM115
    for line in summary.lines(results):
        console.print(line)
    return console.export_text()


def broken(results: dict, number: int, **more) -> dict:
    """The results with one invariant broken."""
    changed = {"state": "broken", "evidence": "seq 4711: off by 12 s", "replay": "torpor rehearse yard --seed 7"}
    results["invariants"][number - 1] |= changed | more
    return results


def changed(results: dict, **counts) -> dict:
    """The results with other counts for the first node."""
    results["nodes"][0]["readings"] |= counts
    return results
