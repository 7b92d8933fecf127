"""The tables of times for docs/faults.md, in Markdown. Law: a row that failed is seen to have failed.

No row begins with a name in backticks: those rows of the page are the faults and what they take.
"""

from times_figures import failed

COMMAND = "python tests/bench/bench_time.py --write"
HEADS = (
    *("fault", "clock", "spec", "delivered", "no time", "actual p50", "p95", "max", "stated p50", "p95", "max"),
    *("bound p95", "stated/bound", "outside", "hidden jump"),
)
DATED_HEADS = (
    *("fault", "clock", "no time", "by run", "by bracket", "undated", "actual p50", "p95", "max"),
    *("stated p50", "p95", "max", "outside"),
)


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
