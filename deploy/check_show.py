"""What `torpor check` shows. Law: what was found for several nodes alike stands there once; each line says where."""

from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from deploy.check_finding import ERROR, NOTE, WARNING, Finding
from deploy.check_look import Looked
from deploy.check_source import Place, Source
from hostsim.report.words import plural

MARKS = {ERROR: "✗ error", WARNING: "! warning", NOTE: "· note"}
STYLES = {ERROR: "bold red", WARNING: "yellow", NOTE: "dim"}
NAMES_MAX = 6

Placed = tuple[Place, Finding]


def block(source: Source, looked: list[Looked]) -> list:
    """Rich renderables for one file: which nodes, what their numbers mean, what was found, worst first."""
    shown: list = [Text(_title(source, looked), style="bold")]
    for names, facts in _alike(looked):
        if source.is_batch:
            shown.append(Padding(Text(f"{_list(names)}:", style="bold"), (0, 0, 0, 2)))
        shown += [Padding(Text(fact), (0, 0, 0, 4 if source.is_batch else 2)) for fact in facts]
    level = None
    for (place, finding), those in _together(source, looked):
        if finding.level != level:
            level = finding.level
            shown.append("")
        some = source.is_batch and 0 < len(those) < len(looked)
        who = f" ({_list([looked[index].subject.name for index in those])})" if some else ""
        shown.append(_entry(place, finding, who))
    return [*shown, ""]


def _entry(place: Place, finding: Finding, who: str) -> Table:
    """One finding: its kind, then where, what, and below it what to do."""
    table = Table.grid(padding=(0, 1, 0, 0))
    table.add_column(width=12, no_wrap=True)
    table.add_column(overflow="fold")
    said = Text(f"{_where(place)}{who}: ", style="bold").append(_closed(finding.reason), style="not bold")
    table.add_row(Text(f"  {MARKS[finding.level]}", style=STYLES[finding.level]), said)
    table.add_row("", Text(f"→ {_closed(finding.remedy)}"))
    return table


def verdict(findings: list[Finding], nodes: int) -> Text:
    """The last line: what there is to do."""
    counts = {level: sum(one.level == level for one in findings) for level in MARKS}
    told = ", ".join(plural(counts[level], level) for level in MARKS if counts[level])
    who = plural(nodes, "node")
    if counts[ERROR]:
        return Text(
            f"Not ready: {told}. A node would not take these settings, or would stay silent.", style="bold red"
        )
    if counts[WARNING]:
        return Text(f"{who} would run with this: {told}. Read the warnings before it goes out.", style="yellow")
    return Text(f"{who} ready to be installed" + (f": {told}." if told else "."), style="bold green")


def _title(source: Source, looked: list[Looked]) -> str:
    if source.is_batch:
        return f"{source.path}: {plural(len(looked), 'board')} built alike"
    name = looked[0].subject.name if looked else ""
    return f"{source.path}: {name}" if name else f"{source.path}"


def _alike(looked: list[Looked]) -> list[tuple[list[str], list[str]]]:
    """Nodes with the same facts, together."""
    groups: dict[tuple, list[str]] = {}
    for one in looked:
        if one.facts:
            groups.setdefault(tuple(one.facts), []).append(one.subject.name)
    return [(names, list(facts)) for facts, names in groups.items()]


def _together(source: Source, looked: list[Looked]) -> list[tuple[Placed, list[int]]]:
    """Each finding once, with the places in `looked` that it was found for; errors first, then by line."""
    found: dict[Placed, list[int]] = {placed: [] for placed in source.findings}
    for index, one in enumerate(looked):
        for placed in one.findings:
            found.setdefault(placed, []).append(index)
    order = list(MARKS)
    return sorted(found.items(), key=lambda entry: (order.index(entry[0][1].level), entry[0][0].line))


def count_of(source: Source, looked: list[Looked]) -> list[Finding]:
    """The findings as they are shown: one for several nodes counts once."""
    return [finding for (_, finding), _ in _together(source, looked)]


def _list(names: list[str]) -> str:
    named = [name or "one without a name" for name in names]
    if len(named) > NAMES_MAX:
        named = [*named[: NAMES_MAX - 1], f"{len(named) - NAMES_MAX + 1} more"]
    return ", ".join(named)


def _where(place: Place) -> str:
    parts = [f"line {place.line}"] if place.line else []
    return ", ".join([*parts, place.key] if place.key else parts) or "the whole file"


def _closed(phrase: str) -> str:
    return phrase if phrase.endswith(".") else f"{phrase}."
