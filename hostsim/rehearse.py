"""A rehearsal from its scenario to its report. Law: the report says what the judge counted, and nothing else."""

import importlib
import json
import shlex
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from hostsim import scenario as scenarios
from hostsim.cell import life_h, self_discharge_ma
from hostsim.events import Events
from hostsim.node import Node
from hostsim.report import page
from hostsim.tally import DELAY_EDGES_S
from hostsim.wood import equilibrium_moisture_percent
from hostsim.world import World

RUNTIMES = ("fast", "circuitpython", "micropython")


class Rehearsal:
    """One run. `results` is report.json; `timeline` what the page draws besides; `traces` unexpected exceptions."""

    def __init__(
        self,
        scenario: scenarios.Scenario,
        asked_for: str | None,
        weather_file: str | None = None,
        broker: tuple[str, int] | None = None,
        ca_file: Path | None = None,
        runtime: str = "fast",
        board_images: Sequence[Path] = (),
    ):
        self.scenario = scenario
        self.runtime = runtime
        self._replay = replay_command(scenario, asked_for, weather_file, broker, ca_file, runtime, board_images)
        self._broker = broker
        self._ca_pem = ca_file.read_text(encoding="ascii") if ca_file is not None else None
        self.results: dict = {}
        self.timeline: dict = {}
        self.traces: list[str] = []
        self.world: World | None = None

    def run(self, out: Path | None, progress: Callable[[float, int], None] | None = None) -> dict:
        """Rehearse; write events.jsonl, report.json and report.html into `out` (None: write nothing).

        Raises RuntimeAbsent where this machine does not have the runtime.
        """
        wake = importlib.import_module(f"hostsim.runtimes.{self.runtime}").wake
        stream = None
        if out is not None:
            out.mkdir(parents=True, exist_ok=True)
            stream = (out / "events.jsonl").open("w", encoding="utf-8", newline="\n")
        events = Events(stream)
        desk = None
        if self._broker is not None:
            from hostsim.runtimes.sockets import Desk

            desk = Desk(self._broker, self._ca_pem)
        world = self.world = World(self.scenario, events, self._replay, wake, desk)
        started = time.perf_counter()
        try:
            if desk is not None:
                desk.open(world)
            world.run(progress)
        finally:
            if desk is not None:
                desk.close()
            if stream is not None:
                stream.close()
        wall_s = time.perf_counter() - started
        counts = world.finish()
        self.traces = events.traces
        self.results = results(world, counts, wall_s, self.runtime)
        self.timeline = timeline(world)
        if out is not None:
            (out / "report.json").write_text(json.dumps(self.results, indent=1) + "\n", encoding="utf-8")
            (out / "report.html").write_text(page.render(self.results, self.timeline), encoding="utf-8")
        return self.results


def load(path, weather_file=None, seed=None, days=None) -> scenarios.Scenario:
    """The scenario with the command line's changes. Raises ScenarioError, also for settings that a node would refuse,
    and WeatherError."""
    from hostsim.runtimes import settings_check

    found = scenarios.load(path, weather_file, settings_check.refusal)
    if seed is not None:
        found = replace(found, seed=seed)
    if days is not None:
        found = replace(found, days=days)
    scenarios.check_end(found)
    return found


def replay_command(scenario, asked_for, weather_file, broker, ca_file=None, runtime="fast", board_images=()) -> str:
    """The command that does this rehearsal again."""
    words = ["torpor", "rehearse"]
    if asked_for is not None:
        words.append(str(asked_for))
    if weather_file is not None:
        words += ["--weather", str(weather_file)]
    words += ["--seed", str(scenario.seed), "--days", f"{scenario.days:.15g}"]
    if broker is not None:
        words += ["--broker", f"{broker[0]}:{broker[1]}"]
    if ca_file is not None:
        words += ["--ca", str(ca_file)]
    if runtime != "fast":
        words += ["--runtime", runtime]
    for image in board_images:
        words += ["--board-image", str(image)]
    return shlex.join(words)


def results(world: World, counts: dict[str, dict], wall_s: float, runtime: str) -> dict:
    """What goes into report.json."""
    scenario = world.scenario
    nodes = [_node_results(world, node, counts[node.name]) for node in world.nodes]
    start = time.gmtime(scenario.start_epoch_s)
    return {
        "schema": 1,
        "scenario": scenario.name,
        "runtime": runtime,
        "seed": scenario.seed,
        "days": scenario.days,
        "start": time.strftime("%Y-%m-%dT%H:%M:%SZ", start),
        "nodes": nodes,
        "replay": world.replay,
        "invariants": [_verdict(entry, nodes) for entry in world.invariants.all.values()],
        "requirements": _requirements(scenario.require, nodes),
        "speed": {"wakes": sum(node["wakes"] for node in nodes), "wall_s": round(wall_s, 3)},
    }


def _verdict(entry, nodes: list[dict]) -> dict:
    evidence = entry.evidence
    if entry.count > 1:
        evidence += f" (and {entry.count - 1:,} more)"
    if entry.state == "held":
        evidence = _looked_at(entry.id, nodes)
    return {
        "id": entry.id,
        "name": entry.name,
        "state": entry.state,
        "evidence": evidence,
        "replay": entry.replay,
    }


def _looked_at(invariant: int, nodes: list[dict]) -> str:
    """How much was looked at without finding anything against an invariant."""
    readings = [node["readings"] for node in nodes]
    arrived = sum(count["delivered"] + count["duplicates"] for count in readings)
    stored = sum(count["stored"] for count in readings)
    written = sum(node["card"]["sector_writes"] for node in nodes)
    return {
        1: f"{stored:,} readings",
        2: f"{arrived:,} readings that arrived",
        3: f"{sum(node['sessions']['tried'] for node in nodes):,} wakes with the radio on",
        4: f"{sum(node['wakes'] for node in nodes):,} wakes",
        5: f"{arrived:,} readings that arrived",
        7: f"{arrived:,} payloads, {written:,} sectors and every log line",
        8: f"{sum(node['due'] for node in nodes):,} slots",
    }.get(invariant, "")


def _node_results(world: World, node: Node, count: dict) -> dict:
    judge, tally = world.judges[node.name], world.tallies[node.name]
    lived_ms = sum(node.meter.ms)
    charge_uah = node.meter.charge_uah()
    mean_ua = charge_uah * 3_600_000.0 / lived_ms if lived_ms else 0.0
    ended = [since / 86_400_000 for since in (node.weak_since_ms, node.dead_since_ms) if since is not None]
    served_days = min(ended) if ended else _life_days(world, node, mean_ua)
    return {
        "node": node.name,
        "wakes": node.wakes,
        "due": judge.slots.due,
        "missed": judge.slots.missed,
        "readings": count,
        "energy": {
            "charge_mah": round(charge_uah / 1000.0, 3),
            "mean_ua": round(mean_ua, 2),
            "battery_days": round(served_days, 1),
            "battery_weak_day": _day(node.weak_since_ms),
            "battery_empty_day": _day(node.dead_since_ms),
        },
        "time": {
            "stated_s_p50": tally.stated_s(0.5),
            "stated_s_p95": tally.stated_s(0.95),
            "actual_s_p50": tally.off_s(0.5),
            "actual_s_p95": tally.off_s(0.95),
        },
        "sessions": {"tried": tally.tried, "accepted": tally.accepted},
        "card": {"sector_writes": node.card.writes, "sector_reads": node.card.reads},
    }


def _day(since_ms: int | None) -> float | None:
    return None if since_ms is None else round(since_ms / 86_400_000, 1)


def _life_days(world: World, node: Node, mean_ua: float) -> float:
    """How long a full cell lasts at the mean current so far, self-discharge included."""
    cell = _plan(world, node).cell
    capacity_mah = cell["capacity_mah"]
    lost_ma = self_discharge_ma(capacity_mah, cell["self_discharge_percent_per_month"])
    return life_h(capacity_mah * cell["state_of_charge"], mean_ua / 1000.0, lost_ma) / 24.0


def _plan(world: World, node: Node):
    return next(plan for plan in world.scenario.nodes if plan.name == node.name)


def _requirements(wanted: dict[str, float], nodes: list[dict]) -> list[dict]:
    readings = [node["readings"] for node in nodes]
    stored = sum(count["stored"] for count in readings)
    got = {
        "delivered": sum(count["delivered"] for count in readings) / stored if stored else None,
        "lost_max": sum(count["lost"] for count in readings),
        "missed_max": sum(node["missed"] for node in nodes),
        "unstored_max": sum(count["unstored"] for count in readings),
        "battery_days_min": min(node["energy"]["battery_days"] for node in nodes),
        "stated_s_max": _worst([node["time"]["stated_s_p95"] for node in nodes]),
    }
    found = []
    for key, value in wanted.items():
        figure = got[key]
        if figure is None:
            met = False
        elif key.endswith("_max"):
            met = figure <= value
        else:
            met = figure >= value
        found.append({"key": key, "wanted": value, "got": figure, "met": met})
    return found


def _worst(figures: list) -> float | None:
    """The largest, None when one of them is not known."""
    return None if None in figures else max(figures)


def timeline(world: World) -> dict:
    """What the page draws: windows, and figures by bin."""
    scenario = world.scenario  # with what came by chance
    windows = []
    for network in scenario.networks:
        windows += [_window(f"network {network.ssid}", *window) for window in network.windows]
    windows += [_window("broker", *window) for window in scenario.broker_windows]
    windows += [_window("time server", *window) for window in scenario.time_windows]
    windows += [_befell(fault) for fault in scenario.faults]
    states = scenario.nodes[0].board.states
    return {
        "start_epoch_s": scenario.start_epoch_s,
        "bin_s": world.bin_s,
        "bins": world.bins,
        "windows": windows,
        "nodes": {node.name: _node_timeline(world, node) for node in world.nodes},
        "currents": [
            {"state": name, "current_ua": state.current_ua, "spread": state.spread, "source": state.source}
            for name, state in states.items()
        ],
    }


def _befell(fault) -> dict:
    # what strikes once is drawn as the minute in which it may
    to_s = fault.to_s if fault.to_s > fault.from_s else fault.from_s + 60.0
    return _window(f"faults of {fault.node}", fault.from_s, to_s, fault.name, node=fault.node)


def _window(lane: str, from_s: float, to_s: float, kind: str, node: str | None = None) -> dict:
    return {"lane": lane, "kind": kind, "from_s": from_s, "to_s": to_s, "node": node}


def _node_timeline(world: World, node: Node) -> dict:
    tally = world.tallies[node.name]
    degc, humidity = tally.degc_mean(), tally.humidity_mean()
    moisture = [
        None if t is None else equilibrium_moisture_percent(t, min(100.0, rh))
        for t, rh in zip(degc, humidity, strict=True)
    ]
    lived_ms = sum(node.meter.ms)
    mean_ua = node.meter.charge_uah() * 3_600_000.0 / lived_ms if lived_ms else 0.0
    return {
        "stored": tally.stored_by_bin,
        "delivered": tally.delivered_by_bin,
        "waiting": tally.waiting(),
        "missed": tally.missed_by_bin,
        "state_of_charge": _rounded(tally.charge_left, 4),
        "battery_mv": tally.battery_mv,
        "inside_degc_min": _rounded(tally.degc_min, 2),
        "inside_degc_mean": _rounded(degc, 2),
        "inside_degc_max": _rounded(tally.degc_max, 2),
        "humidity_mean": _rounded(humidity, 1),
        "emc_percent": _rounded(moisture, 2),
        "charge_by_state_mah": {
            state: round(uah / 1000.0, 3) for state, uah in node.meter.charge_by_state_uah().items()
        },
        "time_by_state_s": {state: ms / 1000.0 for state, ms in zip(node.meter.names, node.meter.ms, strict=True)},
        "delay_histogram": {"edges_s": list(DELAY_EDGES_S), "counts": tally.delays},
        "life_days": round(_life_days(world, node, mean_ua), 1),
        "capacity_mah": _plan(world, node).cell["capacity_mah"],
    }


def _rounded(values, digits: int) -> list:
    return [None if value is None else round(value, digits) for value in values]


def failed(found: dict) -> bool:
    """True when an invariant is broken or a requirement is not met."""
    return any(entry["state"] == "broken" for entry in found["invariants"]) or not all(
        entry["met"] for entry in found["requirements"]
    )
