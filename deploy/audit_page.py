"""The audit as one HTML page. Law: it asks nothing of any network, and no name or text reaches it unescaped."""

import json
from html import escape
from importlib.resources import files

from plotly.offline import get_plotlyjs

from deploy.audit_plots import figures
from deploy.audit_table import lines_of
from deploy.store_spans import listed
from hostsim.report.page import POLICY

_REPORT = files("hostsim.report")
NUMBERS = ("present", "missing", "late", "repeats", "twice", "doubtful")
HEADINGS = ("Present", "Missing", "Late", "Sent again", "Twice", "Doubtful in time")


def page(found: dict, connection) -> str:
    """The whole page of what audit_facts and audit_overdue have found."""
    drawn = figures(found, connection)
    named = {f"figure-{number}": (key, figure) for number, (key, figure) in enumerate(drawn.items())}
    css = (_REPORT / "page.css").read_text(encoding="utf-8")
    script = (_REPORT / "page.js").read_text(encoding="utf-8")
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">\n'
        f'<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>Audit</title>\n<style>\n{css}</style></head>\n<body>\n{_header(found)}<main>\n"
        f'<section id="nodes"><h2>What is there, and what is not</h2>{_rings(found)}{_notes(found)}</section>\n'
        f"{_deployments(found)}{_batteries(found)}{_plots(named)}</main>\n"
        f"<footer class='muted'>Times are UTC. A reading is late when it came more than "
        f"{found['late_s'] / 3600:g} h after it was taken, and doubtful when its time is unknown, or less sure than "
        f"{found['doubt_s']} s.</footer>\n"
        f'<script type="application/json" id="figures">{_json({k: f for k, (_, f) in named.items()})}</script>\n'
        f"<script>{get_plotlyjs()}</script>\n<script>\n{script}</script>\n</body></html>\n"
    )


def _json(value) -> str:
    # inside a script element only "<" can end the element, and a JSON string may spell it as an escape
    return json.dumps(value, separators=(",", ":"), allow_nan=False).replace("<", "\\u003c")


def _header(found: dict) -> str:
    missing = sum(ring["missing"] for ring in found["rings"])
    twice = sum(ring["twice"] for ring in found["rings"])
    present = sum(ring["present"] for ring in found["rings"])
    mark = "bad" if missing or twice else "open" if found["overdue"] else "good"
    sentence = f"{present:,} readings: {missing:,} missing, {twice:,} duplicates"
    overdue = len(found["overdue"])
    sentence += f"; {overdue} {'thing is' if overdue == 1 else 'things are'} overdue." if overdue else "."
    at = found["at"].removesuffix("Z").replace("T", ", ")
    return (
        f'<header><div><h1>Audit</h1><div class="muted">as of {escape(at)} UTC</div>'
        f'<p class="verdict {mark}"><b>Result</b>{escape(sentence)}</p></div></header>\n'
    )


def _table(headings: list[tuple[str, bool]], rows: list[list[str]]) -> str:
    """headings: (words, whether the column is of numbers); rows: cells that are escaped already."""
    head = "".join(f'<th class="n">{words}</th>' if right else f"<th>{words}</th>" for words, right in headings)
    body = ""
    for row in rows:
        cells = zip(headings, row, strict=True)
        body += "<tr>" + "".join(
            f'<td{" class=n" if right else ""} data-label="{words}">{cell}</td>' for (words, right), cell in cells
        )
        body += "</tr>"
    return f'<table class="cards"><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>'


def _rings(found: dict) -> str:
    if not found["rings"]:
        return '<p class="muted">Nothing has come yet.</p>'
    headings = [("Node", False), ("Ring", False), *[(words, True) for words in HEADINGS], ("Newest", False)]
    rows = []
    for ring in found["rings"]:
        place = f"<br>{escape(ring['place'])}" if ring["place"] and ring["place"] != ring["node"] else ""
        who = f'{escape(ring["node"])}{place}<br><span class="muted">{escape(ring["eui"])}</span>'
        numbers = [f"{ring[key]:,}" for key in NUMBERS]
        if ring["missing"]:
            gaps = escape(listed(ring["missing_intervals"], 3))
            numbers[1] = f'<b>{numbers[1]}</b><br><span class="muted">{gaps}</span>'
        newest = (ring["to"] or "not known").removesuffix("Z").replace("T", " ")[:16]
        rows.append([who, f"<code>{escape(ring['ring'])}</code>", *numbers, escape(newest)])
    return _table(headings, rows)


def _notes(found: dict) -> str:
    lines = [line for line in lines_of(found)[:-1] if ": missing " not in line]
    return "<ul>" + "".join(f"<li>{escape(line)}</li>" for line in lines) + "</ul>" if lines else ""


def _deployments(found: dict) -> str:
    if not found["deployments"]:
        return ""
    headings = [("Place", False), ("Chip", False), ("From", False), ("To", False), ("Readings", True)]
    rows = [
        [escape(entry["place"]), f"<code>{entry['eui']}</code>", entry["from"], entry["to"] or "now", _count(entry)]
        for entry in found["deployments"]
    ]
    return f"<section><h2>Who stood where</h2>{_table(headings, rows)}</section>\n"


def _count(entry: dict) -> str:
    return f"{entry['present']:,}"


def _batteries(found: dict) -> str:
    if not found["batteries"]:
        return ""
    headings = [("Node", False), ("Chip", False), ("Battery", True), ("Told on", False), ("Forecast", True)]
    rows = []
    for battery in found["batteries"]:
        days = battery["days_left"]
        left = "not to be told" if days is None else f"about {days:,.0f} days"
        told = battery["at"].removesuffix("Z").replace("T", " ")[:16]
        chip = f"<code>{battery['eui']}</code>"
        rows.append([escape(battery["node"]), chip, f"{battery['battery_mv']:,} mV", told, left])
    return (
        f"<section><h2>Batteries</h2>{_table(headings, rows)}"
        '<p class="caution">The forecast is a straight line through the last two weeks. A lithium cell falls faster '
        "near its end, and in the cold: leave a margin, and follow the cell maker's data.</p></section>\n"
    )


def _plots(named: dict) -> str:
    if not named:
        return ""
    text = (
        "<section><h2>The readings</h2><p>A line is broken where readings are missing. Drag over a stretch to "
        "enlarge it, double-click to go back, click a name to hide it.</p>"
    )
    for number, (key, figure) in named.items():
        title = "Where readings are missing" if key == "presence" else escape(key)
        height = figure["layout"]["height"]
        text += f"<h3>{title}</h3>" if key != "presence" else f"<p>{title} (hatched):</p>"
        text += (
            f'<div class="figure" id="{number}" role="img" aria-label="{title}" style="min-height:{height}px"></div>'
        )
    return text + "</section>\n"
