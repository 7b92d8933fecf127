"""The tables of the report.

Law: no string of the results reaches a table unescaped, and what is not known is said to be so.
"""

from datetime import UTC, datetime, timedelta
from html import escape

from . import fates, summary
from .words import count_of, duration, number

_NODE_COLUMNS = ("wakes", "due", "stored", "held", "delivered", "duplicates", "waiting", "overwritten", "unstored")
_NODE_COLUMNS += ("missed", "destroyed", "lost")
_ALARMING = ("overwritten", "unstored", "missed", "destroyed", "lost")
_STATE_MARKS = {"held": "good", "broken": "bad", "not covered": "open"}


def nodes(results: dict) -> str:
    """The counts of each node, its mean current and the life of its battery."""
    found = results.get("nodes") or []
    if not found:
        return '<p class="muted">No node took part.</p>'
    titles = ["node", *_NODE_COLUMNS, "sessions accepted", "mean current µA", "battery days"]
    return _table(titles, [_node_row(node) for node in found])


def _node_row(node: dict) -> list:
    energy, sessions = node.get("energy") or {}, node.get("sessions") or {}
    days = number(energy.get("battery_days"))
    for word in ("weak", "empty"):
        day = energy.get(f"battery_{word}_day")
        if day is not None:
            # too weak to write comes first, and is what ends the usual run of things
            days = (f"{'too weak' if word == 'weak' else word} on day {number(day)}", "bad")
            break
    accepted = f"{number(sessions.get('accepted'))} of {number(sessions.get('tried'))}" if sessions else "not known"
    counts = [_count_cell(key, count_of(node, key)) for key in _NODE_COLUMNS]
    return [node["node"], *counts, accepted, number(energy.get("mean_ua"), 1), days]


def _count_cell(key: str, count) -> tuple[str, str]:
    if key in _ALARMING and count:
        return f"● {number(count)}", "bad" if key == "lost" else "open"
    return number(count), "zero" if count == 0 else ""


def delays(timeline: dict) -> str:
    """Within what time half, nearly all and all of a node's delivered readings arrived."""
    rows = []
    for name, node in (timeline.get("nodes") or {}).items():
        bins = fates.delay_bins(node)
        rows.append([name, *(duration(fates.within_s(bins, share)) for share in (0.5, 0.95, 1))])
    return _table(["node", "half within", "95 % within", "all within"], rows)


def certainty(results: dict) -> str:
    """The uncertainty that readings state of their own time, beside the error they had; '' where none is known."""
    keys = ("stated_s_p50", "actual_s_p50", "stated_s_p95", "actual_s_p95")
    known = [(node["node"], node.get("time") or {}) for node in results.get("nodes") or []]
    rows = [[name, *(number(time.get(key), 2) for key in keys)] for name, time in known if any(time.values())]
    titles = ["node", "stated s, median", "actual s, median", "stated s, 95 %", "actual s, 95 %"]
    return _table(titles, rows) if rows else ""


def charge_by_state(timeline: dict) -> str:
    """Charge, time and mean current of each node in each state; '' where none is known."""
    rows = [row for name, node in (timeline.get("nodes") or {}).items() for row in _charge_rows(name, node)]
    titles = ["node", "state", "charge mAh", "of charge", "time", "of time", "mean current mA"]
    return _table(titles, rows, 2) if rows else ""


def _charge_rows(name: str, node: dict) -> list[list]:
    charges, times = node.get("charge_by_state_mah") or {}, node.get("time_by_state_s") or {}
    charge_mah, time_s = sum(charges.values()) or 1, sum(times.values()) or 1
    rows = []
    for state, part_mah in charges.items():
        part_s = times.get(state) or 0
        current_ma = number(part_mah * 3600 / part_s, 3) if part_s else "not known"
        shares = f"{100 * part_mah / charge_mah:.1f} %", f"{100 * part_s / time_s:.2f} %"
        rows.append([name, state, number(part_mah, 2), shares[0], duration(part_s), shares[1], current_ma])
    return rows


def cells(timeline: dict) -> str:
    """The cell of each node and the day on which it is spent; '' without nodes."""
    start = datetime.fromtimestamp(timeline.get("start_epoch_s") or 0, UTC)
    rows = []
    for name, node in (timeline.get("nodes") or {}).items():
        days, capacity = node.get("life_days"), number(node.get("capacity_mah"))
        rows.append([name, capacity, number(days), _day_spent(start, days)])
    return _table(["node", "cell mAh", "days", "spent on"], rows) if rows else ""


def _day_spent(start: datetime, life_days: float | None) -> str:
    if life_days is None:
        return "not known"
    try:
        return f"{start + timedelta(days=life_days):%d %b %Y}"
    except OverflowError:
        return "beyond any calendar"


def invariants(checked: list[dict]) -> str:
    """What must hold, and what speaks for it or against it."""
    if not checked:
        return '<p class="muted">No invariant was checked.</p>'
    rows = []
    for one in checked:
        state = one["state"]
        mark = summary.STATE_MARKS.get(state, escape(state))
        rows.append([f"{one['id']}  {one['name']}", (mark, _STATE_MARKS.get(state, "open")), (_evidence(one), "")])
    return _table(["invariant", "state", "evidence"], rows, 99)


def _evidence(invariant: dict) -> str:
    """The evidence as HTML. One that held needs none; where any other gives none, that is told."""
    state = invariant["state"]
    evidence = escape(invariant.get("evidence") or ("–" if state == "held" else "none given"))
    if state == "broken" and invariant.get("replay"):
        evidence += f"<br>Replay: <code>{escape(invariant['replay'])}</code>"
    return evidence


def requirements(asked: list[dict]) -> str:
    """What was asked for, what came of it, and whether that is enough."""
    if not asked:
        return '<p class="muted">Nothing further was asked for.</p>'
    rows = []
    for one in asked:
        met = ("✓ met", "good") if one["met"] else ("✗ not met", "bad")
        rows.append([one["key"], number(one["wanted"], 6), number(one.get("got"), 6), met])
    return _table(["requirement", "wanted", "got", "met"], rows, 1, 2)


def currents(stated: list[dict]) -> str:
    """The currents on which every figure of charge stands, each with its source."""
    if not stated:
        return '<p class="muted">No currents were stated.</p>'
    rows = []
    for one in stated:
        spread = "not known" if one.get("spread") is None else f"± {number(100 * one['spread'], 1)} %"
        rows.append([one["state"], number(one["current_ua"], 1), spread, one.get("source") or "no source given"])
    return _table(["state", "current µA", "spread", "source"], rows, 1, 2)


def _table(titles: list[str], rows: list[list[str]], numeric_from: int = 1, numeric_to: int = 99) -> str:
    """Rows of cells; a cell is escaped here, unless it is a (html, class) pair that was escaped before."""
    columns = ["n" if numeric_from <= i <= numeric_to else "" for i in range(len(titles))]
    head = "".join(
        f'<th class="{column}" scope="col">{escape(title)}</th>'
        for title, column in zip(titles, columns, strict=True)
    )
    body = ""
    for row in rows:
        body += "<tr>"
        for title, column, cell in zip(titles, columns, row, strict=True):
            text, mark = cell if isinstance(cell, tuple) else (escape(str(cell)), "")
            body += f'<td class="{column} {mark}" data-label="{escape(title)}"><span>{text}</span></td>'
        body += "</tr>\n"
    return f'<table class="cards"><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>'
