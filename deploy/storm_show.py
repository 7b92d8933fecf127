"""What storms print. Law: a seed that failed is never left out, nor is the command that does it again."""

import shlex
from collections.abc import Callable

from rich.table import Table

from hostsim.invariants import NAMES, NOT_COVERED

SEEDS_MAX = 20
LEFT_MAX = 8
READINGS = ("stored", "held", "delivered", "waiting", "overwritten", "destroyed", "lost", "unstored", "duplicates")


def table(figures: dict) -> Table:
    """All figures; for a terminal of 80 columns."""
    grid = Table(box=None, padding=(0, 2, 0, 0), show_header=False, width=80)
    grid.add_column(no_wrap=True)
    grid.add_column(justify="right", no_wrap=True)
    grid.add_column(overflow="fold", ratio=1)
    first, end = figures["seeds"]
    grid.add_row("storms", f"{figures['storms']:,}", f"seeds {first}:{end}, {figures['days']:g} days each")
    grid.add_row(
        "node-months", f"{figures['node_months']:,}", f"{figures['wakes']:,} wakes of {figures['nodes']} nodes"
    )
    grid.add_row(
        "slots due", f"{figures['due']:,}", f"{figures['missed']:,} missed, each with a reason or named below"
    )
    for family, count in figures["families"].items():
        grid.add_row(f"faults: {family}", f"{count:,}", "")
    for key in READINGS:
        grid.add_row(f"readings {key}", f"{figures['readings'][key]:,}", "")
    for invariant, name in NAMES.items():
        if invariant not in NOT_COVERED:
            grid.add_row(f"broken: {invariant}", f"{figures['violations'].get(str(invariant), 0):,}", name)
    unknown = sum(1 for entry in figures["failed"] if entry["traces"] or entry["crashed"])
    grid.add_row("unknown errors", f"{unknown:,}", "storms in which something raised what nobody expects")
    return grid


def lines(figures: dict, replay: Callable[[int], str]) -> list[str]:
    """Plain text behind the table: what failed, and how to see it again."""
    failed = figures["failed"]
    if not failed:
        return ["", "Every promise held."]
    found = ["", f"{len(failed)} of {figures['storms']} storms failed: seeds {_seeds(failed)}"]
    small = {entry["seed"]: entry for entry in figures["shrunk"]}
    shown = [entry for entry in failed if entry["seed"] in small]
    shown += [entry for entry in failed if entry["seed"] not in small]
    for entry in shown[:SEEDS_MAX]:
        found += ["", f"seed {entry['seed']}", *(f"  {fact}" for fact in _facts(entry))]
        found.append(f"  replay: {replay(entry['seed'])}")
        if entry["seed"] in small:
            found += [f"  {line}" for line in _small(small[entry["seed"]])]
    if len(failed) > SEEDS_MAX:
        found += ["", f"and {len(failed) - SEEDS_MAX} more; --json has them all"]
    return found


def _seeds(failed: list[dict]) -> str:
    return ", ".join(str(entry["seed"]) for entry in failed)


def _facts(entry: dict) -> list[str]:
    if entry["crashed"] is not None:
        return ["the rehearsal itself came to an end:", *entry["crashed"].strip().splitlines()]
    facts = []
    for breach in entry["broken"]:
        day, second = divmod(breach["t_s"], 86400)
        more = f" (and {breach['count'] - 1:,} more)" if breach["count"] > 1 else ""
        when = f"day {day:.0f}, {second // 3600:02.0f}:{second % 3600 // 60:02.0f}"
        facts.append(f"invariant {breach['id']}, {breach['node']}, {when}: {breach['evidence']}{more}")
    for trace in entry["traces"][:1]:
        facts += ["an error that the node does not know:", *trace.strip().splitlines()]
    return facts


def _small(entry: dict) -> list[str]:
    if entry["folder"] is None:
        return [f"not made smaller: {entry['evidence']}"]
    before, after = entry["pieces"]
    left = f"made small: {after} of {before} pieces are left"
    facts = [left if entry["in_time"] else f"{left}, and time was up"]
    facts += [f"  {piece}" for piece in entry["left"][:LEFT_MAX]]
    if len(entry["left"]) > LEFT_MAX:
        facts.append(f"  and {len(entry['left']) - LEFT_MAX} more")
    return [*facts, f"replay: {shlex.join(['torpor', 'rehearse', entry['folder']])}"]
