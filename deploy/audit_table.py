"""The audit in a terminal. Law: what is not in order is told in words below the numbers, never by a colour alone."""

from rich import box
from rich.table import Table

from deploy.store_spans import listed


def tables_of(found: dict) -> list[Table]:
    """The tables of what audit_facts and audit_overdue have found."""
    tables = [_rings(found)]
    if found["deployments"]:
        tables.append(_deployments(found))
    return tables


def _rings(found: dict) -> Table:
    # nine columns in the 80 characters of a plain terminal
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column("Node", overflow="fold")
    table.add_column("Ring", no_wrap=True)
    for title in ("Present", "Missing", "Late", "Again", "Twice", "Doubt", "Newest"):
        table.add_column(title, justify="right", no_wrap=True)
    for ring in found["rings"]:
        counts = [f"{ring[key]:,}" for key in ("present", "missing", "late", "repeats", "twice", "doubtful")]
        table.add_row(ring["place"] or ring["node"], ring["ring"], *counts, (ring["to"] or "unknown")[:10])
    return table


def _deployments(found: dict) -> Table:
    table = Table(box=box.SIMPLE_HEAD)
    for title in ("Place", "Chip", "From", "To", "Present"):
        table.add_column(title, justify="right" if title == "Present" else "left", overflow="fold")
    for entry in found["deployments"]:
        table.add_row(entry["place"], entry["eui"], entry["from"], entry["to"] or "now", f"{entry['present']:,}")
    return table


def lines_of(found: dict) -> list[str]:
    """What is to be said beside the tables."""
    lines = []
    names: dict[str, set[str]] = {}
    owners: dict[str, set[str]] = {}
    for ring in found["rings"]:
        names.setdefault(ring["node"], set()).add(ring["eui"])
        owners.setdefault(ring["ring"], set()).add(ring["eui"])
        if ring["missing"]:
            lines.append(f"{who(ring)}: missing {listed(ring['missing_intervals'])}{_given_up(ring)}")
        if not ring["on_card"]:
            lines.append(f"{who(ring)}: not known to be on a card; perhaps held in memory while there was none")
    for name, chips in names.items():
        if len(chips) > 1:
            lines.append(
                f"{name}: {len(chips)} chips have used this name ({', '.join(sorted(chips))}); see --register"
            )
    for ring, chips in owners.items():
        if len(chips) > 1:
            lines.append(f"ring {ring}: its card was in {len(chips)} boards; what one lacks the other may have")
    if found["rejected"]:
        lines.append(f"{found['rejected']:,} messages were no readings and are set aside (table rejected)")
    lines += [f"overdue: {line}" for line in found["overdue"]]
    present = sum(ring["present"] for ring in found["rings"])
    missing = sum(ring["missing"] for ring in found["rings"])
    twice = sum(ring["twice"] for ring in found["rings"])
    return [*lines, f"{present:,} readings: {missing:,} missing, {twice:,} duplicates"]


def who(ring: dict) -> str:
    return f"{ring['node']}, chip {ring['eui']}, ring {ring['ring']}"


def _given_up(ring: dict) -> str:
    if not ring["given_up"]:
        return ""
    if ring["given_up"] == ring["missing"]:
        return " (the node has them no more)"
    return f" (the node has {ring['given_up']:,} of them no more)"
