"""The verdict in words, and the summary that a terminal shows.

Law: the verdict is never better than the worst thing that the results say.
"""

from rich.markup import escape
from rich.table import Table
from rich.text import Text

from .words import count_of, number, plural

READY, NOT_READY, NOT_SHOWN = "ready", "not ready", "not shown"
STATE_MARKS = {"held": "✓ held", "broken": "✗ broken", "not covered": "– not covered"}
_STYLES = {READY: "bold green", NOT_READY: "bold red", NOT_SHOWN: "bold yellow"}
_STATE_STYLES = {"held": "green", "broken": "bold red", "not covered": "dim"}
_TABLE_READINGS = ("stored", "delivered", "waiting", "missed", "lost")


def total(results: dict, key: str):
    """The sum of one number over all nodes, or None as soon as it is unknown for one of them."""
    counts = [count_of(node, key) for node in results.get("nodes") or []]
    return None if None in counts else sum(counts)


def verdict(results: dict) -> tuple[str, str]:
    """(`ready` | `not ready` | `not shown`, one or two plain sentences that say why)."""
    invariants, requirements = results.get("invariants") or [], results.get("requirements") or []
    faults = _broken(invariants) + _unmet(requirements)
    lost = total(results, "lost")
    if lost:
        faults.insert(0, f"{plural(lost, 'reading')} lost")
    faults += [
        f"{node['node']} stored nothing"
        for node in results.get("nodes") or []
        if node.get("due") and node["readings"].get("stored") == 0
    ]
    if faults:
        return NOT_READY, f"Not ready to go out: {'; '.join(faults)}."
    if not total(results, "due"):
        return NOT_SHOWN, "Nothing was shown: no reading was due, so nothing could go wrong."
    held = sum(invariant["state"] == "held" for invariant in invariants)
    if not held:
        return NOT_SHOWN, f"Nothing was shown: no invariant was checked. {_balance(results)}"
    if lost is None:
        return NOT_SHOWN, f"Nothing was shown broken, yet the count is not whole. {_balance(results)}"
    return READY, f"Ready to go out: {_checks(held, len(invariants), len(requirements))}. {_balance(results)}"


def _broken(invariants: list[dict]) -> list[str]:
    return [f"invariant {one['id']} is broken ({one['name']})" for one in invariants if one["state"] == "broken"]


def _unmet(requirements: list[dict]) -> list[str]:
    return [
        f"{one['key']} is not met (wanted {number(one['wanted'], 6)}, got {number(one.get('got'), 6)})"
        for one in requirements
        if not one["met"]
    ]


def _checks(held: int, invariants: int, requirements: int) -> str:
    text = "every invariant held" if held == invariants else f"{held} of {invariants} invariants held"
    if held < invariants:
        text += f", {invariants - held} not covered by this scenario"
    return text + (", every requirement is met" if requirements else ", nothing further was asked for")


def _balance(results: dict) -> str:
    due, delivered, waiting = (total(results, key) for key in ("due", "delivered", "waiting"))
    text = f"Of {plural(due, 'reading')} due, {number(delivered)} delivered, {number(waiting)} waiting"
    for key in ("overwritten", "unstored", "missed", "destroyed", "lost"):
        count = total(results, key)
        if count or count is None:
            text += f", {number(count)} {key}"
    return text + (", none lost." if total(results, "lost") == 0 else ".")


def lines(results: dict) -> list:
    """Rich renderables for a terminal of 80 columns, the verdict first."""
    state, sentence = verdict(results)
    shown = [Text(sentence, style=_STYLES[state]), ""]
    if results.get("nodes"):
        shown += [_nodes_table(results["nodes"]), ""]
    if results.get("invariants"):
        shown += [_invariants_table(results["invariants"]), ""]
    if results.get("requirements"):
        shown += [_requirements_table(results["requirements"]), ""]
    return [*shown, _speed_line(results)]


def _grid(*titles: str) -> Table:
    table = Table(box=None, padding=(0, 1, 0, 0), header_style="bold", width=80)
    table.add_column(titles[0], overflow="fold", ratio=1)
    for title in titles[1:]:
        table.add_column(title, justify="right", no_wrap=True)
    return table


def _nodes_table(nodes: list[dict]) -> Table:
    table = _grid("node", "due", *_TABLE_READINGS, "battery days")
    for node in nodes:
        days = (node.get("energy") or {}).get("battery_days")
        cells = [_short(count_of(node, key)) for key in ("due", *_TABLE_READINGS)]
        if count_of(node, "lost"):
            cells[-1] = f"[bold red]{cells[-1]}[/]"
        table.add_row(escape(node["node"]), *cells, _short(days))
    return table


def _invariants_table(invariants: list[dict]) -> Table:
    table = Table.grid(padding=(0, 2, 0, 0))
    table.add_column(no_wrap=True)
    table.add_column(overflow="fold")
    # Text takes no markup, so whatever stands in evidence or replay is shown as it is
    for one in invariants:
        state = one["state"]
        table.add_row(Text(STATE_MARKS[state], _STATE_STYLES[state]), Text(f"{one['id']} {one['name']}"))
        if one.get("evidence"):
            table.add_row("", Text(one["evidence"], "" if state == "broken" else "dim"))
        if state == "broken" and one.get("replay"):
            table.add_row("", Text(f"replay: {one['replay']}", "bold"))
    return table


def _requirements_table(requirements: list[dict]) -> Table:
    table = _grid("requirement", "wanted", "got", "met")
    for one in requirements:
        met = "[green]✓ met[/]" if one["met"] else "[bold red]✗ not met[/]"
        table.add_row(escape(one["key"]), number(one["wanted"], 6), number(one.get("got"), 6), met)
    return table


def _speed_line(results: dict) -> Text:
    return Text(speed(results), style="dim")


def speed(results: dict) -> str:
    """'157,680 wakes in 12.1 s (13,031 wakes a second), runtime fast, seed 7'."""
    pace = results.get("speed") or {}
    wakes, wall_s = pace.get("wakes") or 0, pace.get("wall_s") or 0
    rate = f" ({plural(wakes / wall_s, 'wake')} a second)" if wall_s else ""
    origin = f"runtime {results.get('runtime')}, seed {results.get('seed')}"
    return f"{plural(wakes, 'wake')} in {number(wall_s, 1)} s{rate}, {origin}"


def _short(value) -> str:
    return "?" if value is None else number(value)
