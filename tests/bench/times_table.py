"""The tables of times for docs/faults.md, in Markdown. Law: a row that failed is seen to have failed.

No row begins with a name in backticks: those rows of the page are the faults and what they take.
"""

import os
from pathlib import Path

from times_figures import failed

BEGIN, END = "<!-- times: begin -->", "<!-- times: end -->"
COMMAND = "python tests/bench/bench_time.py --write"
HEADS = (
    *("fault", "clock", "spec", "delivered", "no time", "actual p50", "p95", "max", "stated p50", "p95", "max"),
    *("bound p95", "stated/bound", "outside", "hidden jump"),
)
DATED_HEADS = (
    *("fault", "clock", "no time", "by run", "by bracket", "undated", "actual p50", "p95", "max"),
    *("stated p50", "p95", "max", "outside"),
)


class Unusable(Exception):
    """The page is not what it should be; str() is one line."""


def tables(rows: list[dict]) -> str:
    days, seed = rows[0]["days"], rows[0]["seed"]
    asked = "".join(
        f" --{name} {value:g}" for name, value, usual in (("days", days, 30), ("seed", seed, 1)) if value != usual
    )
    text = [
        f"What the node stated of its readings' times, and how far off they were: {days:g} days at 10 min on each "
        "kind of clock, in seconds. *Spec* is the drift that the settings allow, in ppm; faults of the clock come "
        "every 2 days. *Bound* is the most that invariant 5 lets a node state, and *stated/bound* the worst "
        "reading's, 1.00 at most. *Outside* counts times that are further off than they state: it is 0 where nothing "
        "failed. *Hidden jump* has the readings after a jump that nobody can see, until the next synchronisation: "
        "how many, how many of them outside, and how far off at most; the columns before it are without them. "
        f"`{COMMAND}{asked}` makes the tables again.",
        _markdown(HEADS, [_row(found) for found in rows], 2),
    ]
    without = [found for found in rows if found["unknown"]]
    if without:
        text += [
            "The readings that came without a time (*no time* above), as the collector dates them:",
            _markdown(DATED_HEADS, [_dated(found) for found in without], 2),
        ]
    return "\n\n".join(text)


def _row(found: dict) -> list[str]:
    hidden = found["hidden"]
    after = f"{hidden['readings']:,}, {hidden['outside']:,}, {_s(hidden['off_s_max'])}" if hidden["readings"] else ""
    return [
        found["fault"] + (" **failed**" if failed(found) else ""),
        found["clock"],
        f"{found['drift_ppm_max']:,}",
        f"{found['delivered']:,}",
        f"{found['unknown']:,}",
        *_three(found["actual_s"]),
        *_three(found["stated_s"], 0),
        _s(found["bound_s"]["p95"]),
        _s(found["of_bound"]["max"], 2),
        f"{found['outside']:,}",
        after,
    ]


def _dated(found: dict) -> list[str]:
    late = found["collector"]
    counts = [f"{late[name]:,}" for name in ("by_run", "by_bracket", "undated")]
    times = [*_three(late["actual_s"]), *_three(late["stated_s"], 0)]
    return [found["fault"], found["clock"], f"{found['unknown']:,}", *counts, *times, f"{late['outside']:,}"]


def _three(values: dict, places: int = 1) -> list[str]:
    return [_s(values[name], places) for name in ("p50", "p95", "max")]


def _s(value: float | None, places: int = 1) -> str:
    return "" if value is None else f"{value:,.{places}f}"


def _markdown(heads, rows, left: int) -> str:
    lines = [heads, ["---"] * left + ["---:"] * (len(heads) - left), *rows]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)


def placed(page: Path, text: str) -> bytes:
    """The page with the text between its markers, and no other byte of it changed. Raises Unusable."""
    try:
        whole = page.read_bytes()
    except OSError as error:
        raise Unusable(f"{page}: {error.strerror or error}") from None
    begin, end = BEGIN.encode(), END.encode()
    before, _, rest = whole.partition(begin)
    _, found, after = rest.partition(end)
    if not found or whole.count(begin) != 1 or whole.count(end) != 1:
        raise Unusable(f"{page}: must have {BEGIN} and then {END}, once each")
    return before + begin + b"\n" + text.encode() + b"\n" + end + after


def write(page: Path, text: str) -> None:
    """Put the text between the markers of the page. Raises Unusable."""
    beside = page.with_name(f".{page.name}.times")
    try:
        beside.write_bytes(placed(page, text))
        os.replace(beside, page)
    except OSError as error:
        beside.unlink(missing_ok=True)
        raise Unusable(f"{page}: {error.strerror or error}") from None
