"""The table of docs/faults.md, in Markdown. Law: each figure is a sum over all kept pieces, and none is left out.

No row begins with a name in backticks: those rows of the page are the faults and what they take.
"""

import re

from faults_cuts_table import cut_rows, cuts_by_kind
from faults_parts import PARTS
from faults_storms import counted, faults_by_name, storm_rows

SEEDS = re.compile(r"(--seeds) (\d+):(\d+)")


def table(pieces: list[dict]) -> str:
    """All of it; the pieces in any order. What was not made is not left out."""
    of = {part: [piece for piece in pieces if piece["part"] == part] for part in PARTS}
    cuts = [row for piece in of["cuts"] for row in piece["figures"]["rows"]]
    storms = counted([piece["figures"] for piece in of["storms"]])
    targets = [row for piece in of["fuzz"] for row in piece["figures"]["targets"]]
    rows = _headed("power cuts", cut_rows(cuts, of["cuts"][0]["figures"]["readings"]) if cuts else [])
    rows += _headed("storms", storm_rows(storms) if storms else [])
    rows += _headed("fuzzing", _fuzz_rows(targets) if targets else [])
    blocks = [_made_from(of), markdown(("what", "figure", ""), rows, "lrl")]
    if cuts:
        blocks += ["### Cuts by what is written", "The columns are those of [cuts.md](cuts.md)."]
        blocks.append(markdown(*cuts_by_kind(cuts)))
    if storms:
        blocks += [
            "### Faults of the storms by name",
            "How often each came to bear; an outage: began while a node lived.",
        ]
        blocks.append(faults_by_name(storms))
    blocks += _machine_section(of, targets) if pieces else []
    return "\n\n".join(blocks)


def broken(pieces: list[dict]) -> bool:
    """Whether a run said so itself."""
    return any(piece["status"] != 0 for piece in pieces)


def markdown(heads, rows, sides: str) -> str:
    """A table of words and numbers. sides: l or r for each column."""
    lines = [heads, ["---:" if side == "r" else "---" for side in sides], *rows]
    cells = [[cell if isinstance(cell, str) else f"{cell:,}" for cell in line] for line in lines]
    return "\n".join("| " + " | ".join(line) + " |" for line in cells)


def _headed(name: str, rows: list[tuple]) -> list[tuple]:
    return [(f"**{name}**", "" if rows else "not made", ""), *rows]


def _made_from(of: dict[str, list[dict]]) -> str:
    """Which tree the figures are of; of each part where they differ."""
    trees: dict[str, list[str]] = {}
    for part, pieces in of.items():
        for piece in pieces:
            name = f"commit {piece['commit']}" if piece["commit"] else "sources without a commit"
            name += " with changes" if piece["commit"] and piece["changes"] else ""
            if part not in trees.setdefault(name, []):
                trees[name].append(part)
    if len(trees) < 2:
        return f"Made from {next(iter(trees), 'nothing')}."
    return "Made from " + "; ".join(f"{name} ({', '.join(parts)})" for name, parts in trees.items()) + "."


def _fuzz_rows(targets: list[dict]) -> list[tuple]:
    findings = sum(len(row["findings"]) for row in targets)
    seconds = " or ".join(sorted({f"{row['seconds']} s" for row in targets}))
    tried = sum(row["executions"] for row in targets)
    return [
        ("inputs tried", tried, f"{len(targets)} targets, {seconds} each; how many depends on the machine"),
        ("findings", findings, "inputs that break a target's law"),
    ]


def _machine_section(of: dict[str, list[dict]], targets: list[dict]) -> list[str]:
    pieces = [piece for part in PARTS for piece in of[part]]
    machines = sorted({f"{piece['processors']} processors, {piece['python']}" for piece in pieces})
    blocks = ["### What depends on the machine", f"Seen on {'; '.join(machines)}."]
    blocks.append(markdown(("wall time", "command"), _walls(of), "rl"))
    if targets:
        rows = [
            (
                row["target"],
                row["engine"],
                row["executions"],
                f"{row['coverage']:,} {row['unit']}",
                len(row["findings"]),
            )
            for row in targets
        ]
        blocks.append(markdown(("fuzzing", "engine", "inputs tried", "code reached", "findings"), rows, "llrrr"))
    return blocks


def _walls(of: dict[str, list[dict]]) -> list[tuple]:
    """Rows: wall time, command. Pieces of storms whose seeds follow each other are one."""
    rows: list[list] = []
    for piece in [piece for part in PARTS for piece in of[part]]:
        command, wall_s = piece["command"], piece["wall_s"]
        found, before = SEEDS.search(command), SEEDS.search(rows[-1][1]) if rows else None
        if found and before and SEEDS.sub("", command) == SEEDS.sub("", rows[-1][1]) and before[3] == found[2]:
            rows[-1] = [rows[-1][0] + wall_s, SEEDS.sub(rf"\1 {before[2]}:{found[3]}", command)]
        else:
            rows.append([wall_s, command])
    return [(f"{wall_s:,.0f} s", f"`{command}`") for wall_s, command in rows]
