"""The report of a rehearsal as one HTML page, built section by section.

Law: the page asks nothing of any network, and no string of the results reaches it unescaped.
"""

import json
import shlex
from datetime import datetime
from html import escape
from importlib.resources import files

from plotly.offline import get_plotlyjs

from . import charge, course, fates, summary, tables
from .words import number, plural

# the policy makes the browser itself refuse every request; plotly.js carries addresses of map servers in its text
POLICY = "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; img-src data: blob:"
SECTIONS = (
    ("nodes", "The nodes"),
    ("when", "What happened when"),
    ("went", "Where each reading went"),
    ("delay", "How long a reading took"),
    ("charge", "Where the charge went"),
    ("battery", "How long the battery lasts"),
    ("hold", "What must hold"),
    ("asked", "What was asked for"),
    ("stands", "What it stands on"),
)
CSS = (files(__package__) / "page.css").read_text(encoding="utf-8")
# A figure on paper needs a width of its own, as the page is laid out anew for print and the drawing is not:
# 880 px, zoomed to 0.78, is the width of an A4 sheet at 96 dpi less its margins.
SCRIPT = (files(__package__) / "page.js").read_text(encoding="utf-8")
_MARKS = {summary.READY: "good", summary.NOT_READY: "bad", summary.NOT_SHOWN: "open"}


def render(results: dict, timeline: dict) -> str:
    """The whole page. `results` is report.json, `timeline` the binned series; both are only read."""
    drawings = {
        "figure-when": course.what_happened(timeline) if timeline.get("nodes") else None,
        "figure-went": fates.where_readings_went(results),
        "figure-delay": fates.how_long(timeline),
        "figure-charge": charge.where_charge_went(timeline, results),
        "figure-battery": charge.how_long_battery(timeline),
    }
    drawings = {key: figure for key, figure in drawings.items() if figure}
    bodies = _bodies(results, timeline, drawings)
    sections = "".join(f'<section id="{key}"><h2>{title}</h2>{bodies[key]}</section>\n' for key, title in SECTIONS)
    title = f"Rehearsal: {escape(str(results.get('scenario')))}"
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">\n'
        f'<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{title}</title>\n<style>\n{CSS}</style></head>\n<body>\n"
        f"{_header(title, results)}<main>\n{sections}</main>\n"
        f"<footer class='muted'>{escape(summary.speed(results))}</footer>\n"
        f'<script type="application/json" id="figures">{_json(drawings)}</script>\n'
        f"<script>{get_plotlyjs()}</script>\n<script>\n{SCRIPT}</script>\n</body></html>\n"
    )


def _json(value) -> str:
    # inside a script element only "<" can end the element, and a JSON string may spell it as an escape
    return json.dumps(value, separators=(",", ":"), allow_nan=False).replace("<", "\\u003c")


def _header(title: str, results: dict) -> str:
    state, sentence = summary.verdict(results)
    nodes, days = results.get("nodes") or [], results.get("days")
    links = "".join(f'<a href="#{key}">{name}</a>' for key, name in SECTIONS)
    facts = f"{plural(len(nodes), 'node')} over {_days(days)}, from {_start(results)}"
    return (
        f'<header><div><h1>{title}</h1><div class="muted">{facts}; runtime {escape(str(results.get("runtime")))}, '
        f'seed {escape(str(results.get("seed")))}</div><p class="verdict {_MARKS[state]}"><b>Verdict</b>'
        f"{escape(sentence)}</p><nav>{links}</nav></div></header>\n"
    )


def _days(days) -> str:
    return "an unknown time" if days is None else f"{number(days, 1)} {'day' if days == 1 else 'days'}"


def _start(results: dict) -> str:
    """The start in words; as it stands where it is not a date."""
    start = str(results.get("start"))
    try:
        return f"{datetime.fromisoformat(start):%d %B %Y, %H:%M} UTC".lstrip("0")
    except ValueError:
        return escape(start)


def _figure(key: str, drawings: dict, label: str, instead: str) -> str:
    if key not in drawings:
        return f'<p class="muted">{instead}</p>'
    height_px = drawings[key]["layout"]["height"]
    return f'<div class="figure" id="{key}" role="img" aria-label="{label}" style="min-height:{height_px}px"></div>'


def _bodies(results: dict, timeline: dict, drawings: dict) -> dict[str, str]:
    """{section: its HTML}, one for each of SECTIONS."""
    return {
        "nodes": tables.nodes(results),
        "when": "<p>One time axis for all panels: what was out of reach, what piled up on the nodes meanwhile, and "
        "what they measured (with a band from the lowest to the highest temperature). Drag over a stretch to "
        "enlarge it, double-click to go back, click a name to hide it.</p>"
        + _figure("figure-when", drawings, "Course of the rehearsal", "No node took part, so nothing happened."),
        "went": "<p>Each reading that was due ends in exactly one of these.</p>"
        + _figure("figure-went", drawings, "Fate of the readings by node", "No reading was due."),
        "delay": _delay(results, timeline, drawings),
        "charge": "<p>For each node, the upper bar shares out the charge it drew and the lower bar its time.</p>"
        + _figure("figure-charge", drawings, "Charge and time by state", "No charge was drawn.")
        + _charge_numbers(timeline),
        "battery": _battery(timeline, drawings),
        "hold": tables.invariants(results.get("invariants") or []),
        "asked": tables.requirements(results.get("requirements") or []),
        "stands": _ground(results, timeline),
    }


def _delay(results: dict, timeline: dict, drawings: dict) -> str:
    shown = _figure("figure-delay", drawings, "Delay from measuring to delivery", "No reading was delivered.")
    text = f"<p>From the moment of measuring to the moment the collector has it.</p>{shown}"
    if "figure-delay" in drawings:
        text += tables.delays(timeline)
    certainty = tables.certainty(results)
    if certainty:
        text += (
            "<p>How well a reading knows its own time: the uncertainty it states beside the error it really had. The "
            f"stated one must be the larger.</p>{certainty}"
        )
    return text


def _charge_numbers(timeline: dict) -> str:
    numbers = tables.charge_by_state(timeline)
    return f"<details><summary>The numbers behind this figure</summary>{numbers}</details>" if numbers else ""


def _battery(timeline: dict, drawings: dict) -> str:
    shown = _figure("figure-battery", drawings, "State of charge and forecast", "No state of charge is known.")
    return (
        "<p>Thick: as rehearsed. Thin and dotted: a straight line on to the day on which the cell is spent.</p>"
        f"{shown}{tables.cells(timeline)}"
        '<p class="caution">This is a forecast from stated currents, not a promise. Cold, ageing and a cell unlike '
        "its data sheet shorten it: follow the cell maker's data, and leave a margin.</p>"
    )


def _ground(results: dict, timeline: dict) -> str:
    return (
        "<p>Everything in this report happened in a simulator: the boards, radios, cards, cells and the weather "
        "around them are simulated parts. No physical board took part. The results are as good as the currents "
        f"below.</p>{tables.currents(timeline.get('currents') or [])}"
        f"<p>The same rehearsal again: <code>{escape(replay_command(results))}</code></p>"
    )


def replay_command(results: dict) -> str:
    """The command that rehearses the same again: the results' own `replay`, or else one made of what they say."""
    if results.get("replay"):
        return results["replay"]
    scenario = shlex.quote(str(results.get("scenario")))
    days = "" if results.get("days") is None else f" --days {results['days']:g}"
    return f"torpor rehearse {scenario} --seed {shlex.quote(str(results.get('seed')))}{days}"
