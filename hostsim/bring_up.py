"""Bring-up of a scenario's boards on the desk. Law: what it says is what the board's own code printed.

Faults can be planted, by name, to see which line names them: docs/bringup.md has the table.
"""

import json
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from hostsim.bring_up_faults import FAULTS
from hostsim.events import Events
from hostsim.scenario import Scenario
from hostsim.world import World

LINE = re.compile(r"(pass|fail|not fitted|note|now) +([^\n]*)")
# `item (fault): value | limit | what to do`
ITEM = re.compile(r"(?P<item>[^:|]*?)(?: \((?P<fault>[a-z-]+)\))?(?:: (?P<rest>.*))?")
RESET_DO = "that call never came back, and the watchdog ended it: take out what is named here, and run it again"
JOIN_DO = "no address is handed out (DHCP), or the radio hangs; take that [[network]] out, and run it again"
STATES = ("asleep", "awake", "online")


class Unplantable(Exception):
    """A fault that is not known, or a node that the scenario does not have; str() is one line."""


@dataclass
class BroughtUp:
    """One board: its lines as printed, and its record. ended: why it ended early, "" where it did not."""

    node: str
    lines: list[str]
    record: dict
    ended: str


def bring_up(
    scenario: Scenario,
    runtime: str = "fast",
    faults: Iterable[str] = (),
    nodes: Iterable[str] | None = None,
    task: str = "run",
    arguments: dict | None = None,
    told: Callable[[BroughtUp], None] | None = None,
) -> list[BroughtUp]:
    """Bring up every node, or those named. Raises Unplantable, and RuntimeAbsent.

    task and arguments: a function of torpor.bringup and what it is given. told(board): called as each is done.
    """
    from hostsim.runtimes import bring_up as runtimes

    known = [plan.name for plan in scenario.nodes]
    wanted = known if nodes is None else list(nodes)
    for name in wanted:
        if name not in known:
            raise Unplantable(f"no node {name!r} in this scenario; there are {', '.join(known)}")
    planted = []
    for name in faults:
        if name not in FAULTS:
            raise Unplantable(f"no fault {name!r}; there are {', '.join(sorted(FAULTS))}")
        if runtime not in FAULTS[name].runtimes:
            raise Unplantable(f"fault {name!r} cannot be planted on runtime {runtime}")
        planted.append(FAULTS[name])
    for fault in planted:
        scenario = fault.scene(scenario)
    world = World(scenario, Events(None), "", lambda *_: None)
    done = []
    for node in world.nodes:
        if node.name not in wanted:
            continue
        node.begin_wake()
        judge = world.judges[node.name]
        judge.wake_began(node.now_ms, node.retained)
        given = dict(arguments or {}, label=node.name)
        if task in ("run", "pauses"):
            given["expect"] = expected(node.board)
        for fault in planted:
            fault.early(node)

        def plant(wires):
            for fault in planted:
                fault.late(wires)

        lines, ended = runtimes.run(runtime, node, world, judge, task, given, plant)
        if task == "pauses" and ended == runtimes.ASLEEP:
            ended = ""
        done.append(BroughtUp(node.name, lines, record_of(lines, node.name, ended), ended))
        if told is not None:
            told(done[-1])
    return done


def expected(board) -> dict[str, str]:
    """What a meter should show in each state, by the board's profile."""
    found = {}
    for name in STATES:
        state = board.states[name]
        ua = state.current_ua
        shown = f"{ua:g} uA" if ua < 1000 else f"{ua / 1000:g} mA"
        found[name] = f"{shown}, {state.spread:.0%} more or less (profile {board.name})"
    return found


def record_of(lines: list[str], node: str, ended: str = "") -> dict:
    """The record among the lines of a console; made of the lines where the board did not get to print it."""
    for line in reversed(lines):
        if line.startswith("{"):
            try:
                found = json.loads(line)
            except ValueError:
                continue
            if isinstance(found, dict) and found.get("bringup") == 1:
                return found
    record: dict = {"bringup": 1, "label": node, "node": node, "chip": "", "time_s": None, "numbers": {}}
    record |= {"items": [], "notes": []}
    trying = "bring-up"
    for line in lines:
        match = LINE.fullmatch(line)
        if match is None:
            continue
        result, text = match[1], match[2]
        if result == "now":
            trying = text
        elif result == "note":
            record["notes"].append(text)
        else:
            record["items"].append({"result": result, **_item(text)})
    if ended:
        fault, do = ("join-hangs", JOIN_DO) if trying.startswith("join ") else ("reset", RESET_DO)
        item = {"result": "fail", "item": trying, "fault": fault, "value": ended, "limit": "", "do": do}
        record["items"].append(item)
    record["failed"] = sum(item["result"] == "fail" for item in record["items"])
    return record


def _item(text: str) -> dict:
    match = ITEM.fullmatch(text)
    found = match.groupdict() if match is not None else {"item": text}
    value, limit, do = ((found.get("rest") or "").split(" | ") + ["", ""])[:3]
    return {"item": found["item"], "fault": found.get("fault") or "", "value": value, "limit": limit, "do": do}
