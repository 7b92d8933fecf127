"""The report of a rehearsal as one HTML page.

Law: the page asks nothing of any network, and no string of the results reaches it unescaped.
"""

import json
import shlex
from datetime import UTC, datetime, timedelta
from html import escape

from plotly.offline import get_plotlyjs

from . import figures, summary
from .summary import count_of, number, plural

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
CSS = """
:root{--ink:#232a3b;--muted:#5d6677;--rule:#e2dacb;--paper:#f9f6ef;--card:#fffdf9;--night:#2f4779;--bark:#7a5236;
--good:#3f7d58;--bad:#a32c21;--open:#94691a}
*{box-sizing:border-box}
html{scroll-behavior:smooth;-webkit-text-size-adjust:100%}
body{margin:0;background:var(--paper);color:var(--ink);font:16px/1.55 system-ui,'Segoe UI','DejaVu Sans',sans-serif}
main,header>div,footer{max-width:1120px;margin:0 auto;padding:0 24px}
header{border-bottom:1px solid var(--rule);padding:34px 0 26px;background:
repeating-radial-gradient(ellipse 150% 230% at 108% -30%,#f0e8d8 0 2px,transparent 2px 15px,#f3ecdf 15px 16px,
transparent 16px 37px)}
h1,h2{font-family:Charter,'Iowan Old Style',Georgia,'DejaVu Serif',serif;font-weight:600;line-height:1.25}
h1{font-size:29px;margin:0 0 4px;overflow-wrap:anywhere}
h2{font-size:22px;margin:0 0 6px}
p{margin:0 0 14px;max-width:76ch}
.muted{color:var(--muted)}
.verdict{margin:20px 0 0;padding:14px 20px;background:var(--card);border:1px solid var(--rule);border-left:8px solid;
border-radius:4px;max-width:none;font-size:18px;overflow-wrap:anywhere}
.verdict b{display:block;font-size:13px;letter-spacing:.09em;text-transform:uppercase}
.good{border-left-color:var(--good)}.bad{border-left-color:var(--bad)}.open{border-left-color:var(--open)}
.good b,td.good{color:var(--good)}.bad b,td.bad{color:var(--bad)}.open b,td.open{color:var(--open)}
nav{margin:18px 0 0;display:flex;flex-wrap:wrap;gap:4px 18px;font-size:14px}
a{color:var(--night);text-underline-offset:3px}
section{padding:34px 0 4px}
.figure{margin:6px 0 16px;width:100%}
table{border-collapse:collapse;width:100%;font-size:14px;line-height:1.4;background:var(--card);margin:6px 0 18px;
border:1px solid var(--rule)}
th{font-weight:600;color:var(--muted);font-size:12.5px;text-align:left;vertical-align:bottom}
th,td{padding:7px 9px;border-bottom:1px solid var(--rule)}
td{vertical-align:top;overflow-wrap:anywhere}
.n{text-align:right;font-variant-numeric:tabular-nums}
td.n{white-space:nowrap}
td:first-child{font-weight:600;min-width:5.5em}
#nodes table{font-size:13px}#nodes th{font-size:12px}#nodes th,#nodes td{padding:7px 5px}
#nodes td:first-child{min-width:8em}
td.zero{color:#8b8f99}
td.bad,td.good,td.open{font-weight:600}
code{font:13px/1.5 ui-monospace,'DejaVu Sans Mono',monospace;background:#f1ebdf;padding:1px 5px;border-radius:3px;
overflow-wrap:anywhere}
details{margin:0 0 18px}summary{cursor:pointer;color:var(--night);margin-bottom:8px}
.caution{border-left:4px solid #c99a4a;padding-left:14px}
footer{padding-top:20px;padding-bottom:40px;font-size:14px}
@media screen and (max-width:760px){
main,header>div,footer{padding-left:14px;padding-right:14px}
h1{font-size:24px}.verdict{font-size:16px;padding:12px 14px}
.cards thead{display:none}
.cards tr{display:block;padding:8px 0;border-bottom:2px solid var(--rule)}
.cards td{display:flex;gap:12px;border:0;padding:3px 12px}
.cards td::before{content:attr(data-label);color:var(--muted);font-weight:400;text-align:left;flex:none}
.cards td.n{white-space:normal;justify-content:space-between}
.cards td:first-child{font-size:15px}
.cards td:first-child::before{content:none}
#nodes tr{display:grid;grid-template-columns:1fr 1fr}
#nodes td{padding:3px 12px}
#nodes td:first-child,#nodes td:nth-last-child(-n+3){grid-column:1/-1}
}
@media print{
body{background:#fff;font-size:11pt}nav{display:none}header{background:none;padding-top:0}
main,header>div,footer{max-width:none;padding:0}section{padding-top:18px}
table{font-size:8.5pt}th{font-size:8pt}th,td{padding:3px 4px}
#nodes table,#nodes th{font-size:6.5pt}#nodes th,#nodes td{padding:3px 2px}
.figure{zoom:.78}#figure-when{zoom:.7}.figure,tr,p{break-inside:avoid}h2,section>p:has(+.figure){break-after:avoid}
.figure,.verdict{print-color-adjust:exact;-webkit-print-color-adjust:exact}
}
"""
# A figure on paper needs a width of its own, as the page is laid out anew for print and the drawing is not:
# 880 px, zoomed to 0.78, is the width of an A4 sheet at 96 dpi less its margins.
SCRIPT = """
const figures = JSON.parse(document.getElementById('figures').textContent);
const touch = matchMedia('(pointer: coarse)').matches;
const config = {displayModeBar: false};
const drawn = [...document.querySelectorAll('.figure')];
for (const place of drawn) {
  const figure = figures[place.id];
  if (touch) figure.layout.dragmode = false;
  let width = place.clientWidth;
  Plotly.newPlot(place, figure.data, figure.layout, config).then(() => new ResizeObserver(() => {
    if (place.clientWidth !== width) { width = place.clientWidth; Plotly.Plots.resize(place); }
  }).observe(place));
}
addEventListener('beforeprint', () => {
  document.querySelectorAll('details').forEach(one => { one.open = true; });
  drawn.forEach(place => Plotly.relayout(place, {autosize: false, width: 880}));
});
addEventListener('afterprint', () => drawn.forEach(place => Plotly.relayout(place, {autosize: true, width: null})));
"""
_MARKS = {summary.READY: "good", summary.NOT_READY: "bad", summary.NOT_SHOWN: "open"}
_STATE_MARKS = {"held": "good", "broken": "bad", "not covered": "open"}


def render(results: dict, timeline: dict) -> str:
    """The whole page. `results` is report.json, `timeline` the binned series; both are only read."""
    drawings = {
        "figure-when": figures.what_happened(timeline) if timeline.get("nodes") else None,
        "figure-went": figures.where_readings_went(results),
        "figure-delay": figures.how_long(timeline),
        "figure-charge": figures.where_charge_went(timeline, results),
        "figure-battery": figures.how_long_battery(timeline),
    }
    drawings = {key: figure for key, figure in drawings.items() if figure}
    bodies = _bodies(results, timeline, drawings)
    sections = "".join(f'<section id="{key}"><h2>{title}</h2>{bodies[key]}</section>\n' for key, title in SECTIONS)
    title = f"Rehearsal: {escape(str(results.get('scenario')))}"
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">\n'
        f'<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{title}</title>\n<style>{CSS}</style></head>\n<body>\n"
        f"{_header(title, results)}<main>\n{sections}</main>\n"
        f"<footer class='muted'>{escape(summary.speed(results))}</footer>\n"
        f'<script type="application/json" id="figures">{_json(drawings)}</script>\n'
        f"<script>{get_plotlyjs()}</script>\n<script>{SCRIPT}</script>\n</body></html>\n"
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


def _bodies(results: dict, timeline: dict, drawings: dict) -> dict[str, str]:
    """{section: its HTML}, one for each of SECTIONS."""
    return {
        "nodes": _nodes(results),
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
        "battery": _battery(results, timeline, drawings),
        "hold": _invariants(results.get("invariants") or []),
        "asked": _requirements(results.get("requirements") or []),
        "stands": _ground(results, timeline),
    }


_NODE_COLUMNS = ("wakes", "due", "stored", "held", "delivered", "duplicates", "waiting", "overwritten", "unstored")
_NODE_COLUMNS += ("missed", "lost")
_ALARMING = ("overwritten", "unstored", "missed", "lost")


def _nodes(results: dict) -> str:
    nodes = results.get("nodes") or []
    if not nodes:
        return '<p class="muted">No node took part.</p>'
    titles = ["node", *_NODE_COLUMNS, "sessions accepted", "mean current µA", "battery days"]
    return _table(titles, [_node_row(node) for node in nodes])


def _node_row(node: dict) -> list:
    energy, sessions = node.get("energy") or {}, node.get("sessions") or {}
    empty_day = energy.get("battery_empty_day")
    days = number(energy.get("battery_days"))
    if empty_day is not None:
        days = (f"empty on day {number(empty_day)}", "bad")
    accepted = f"{number(sessions.get('accepted'))} of {number(sessions.get('tried'))}" if sessions else "not known"
    counts = [_count_cell(key, count_of(node, key)) for key in _NODE_COLUMNS]
    return [node["node"], *counts, accepted, number(energy.get("mean_ua"), 1), days]


def _count_cell(key: str, count) -> tuple[str, str]:
    if key in _ALARMING and count:
        return f"● {number(count)}", "bad" if key == "lost" else "open"
    return number(count), "zero" if count == 0 else ""


def _delay(results: dict, timeline: dict, drawings: dict) -> str:
    rows = []
    for name, node in (timeline.get("nodes") or {}).items():
        bins = figures.delay_bins(node)
        rows.append([name, *(figures.duration(figures.within_s(bins, share)) for share in (0.5, 0.95, 1))])
    shown = _figure("figure-delay", drawings, "Delay from measuring to delivery", "No reading was delivered.")
    text = f"<p>From the moment of measuring to the moment the collector has it.</p>{shown}"
    if rows and "figure-delay" in drawings:
        text += _table(["node", "half within", "95 % within", "all within"], rows)
    return text + _certainty(results)


def _certainty(results: dict) -> str:
    keys = ("stated_s_p50", "actual_s_p50", "stated_s_p95", "actual_s_p95")
    known = [(node["node"], node.get("time") or {}) for node in results.get("nodes") or []]
    rows = [[name, *(number(time.get(key), 2) for key in keys)] for name, time in known if any(time.values())]
    if not rows:
        return ""
    titles = ["node", "stated s, median", "actual s, median", "stated s, 95 %", "actual s, 95 %"]
    return (
        "<p>How well a reading knows its own time: the uncertainty it states beside the error it really had. The "
        "stated one must be the larger.</p>" + _table(titles, rows)
    )


def _charge_numbers(timeline: dict) -> str:
    rows = [row for name, node in (timeline.get("nodes") or {}).items() for row in _charge_rows(name, node)]
    if not rows:
        return ""
    titles = ["node", "state", "charge mAh", "of charge", "time", "of time", "mean current mA"]
    return f"<details><summary>The numbers behind this figure</summary>{_table(titles, rows, 2)}</details>"


def _charge_rows(name: str, node: dict) -> list[list]:
    charges, times = node.get("charge_by_state_mah") or {}, node.get("time_by_state_s") or {}
    charge_mah, time_s = sum(charges.values()) or 1, sum(times.values()) or 1
    rows = []
    for state, part_mah in charges.items():
        part_s = times.get(state) or 0
        current_ma = number(part_mah * 3600 / part_s, 3) if part_s else "not known"
        shares = f"{100 * part_mah / charge_mah:.1f} %", f"{100 * part_s / time_s:.2f} %"
        rows.append([name, state, number(part_mah, 2), shares[0], figures.duration(part_s), shares[1], current_ma])
    return rows


def _battery(results: dict, timeline: dict, drawings: dict) -> str:
    start = datetime.fromtimestamp(timeline.get("start_epoch_s") or 0, UTC)
    rows = []
    for name, node in (timeline.get("nodes") or {}).items():
        days, capacity = node.get("life_days"), number(node.get("capacity_mah"))
        try:
            spent = "not known" if days is None else f"{start + timedelta(days=days):%d %b %Y}"
        except OverflowError:
            spent = "beyond any calendar"
        rows.append([name, capacity, number(days), spent])
    shown = _figure("figure-battery", drawings, "State of charge and forecast", "No state of charge is known.")
    table = _table(["node", "cell mAh", "days", "spent on"], rows) if rows else ""
    return (
        "<p>Thick: as rehearsed. Thin and dotted: a straight line on to the day on which the cell is spent.</p>"
        f"{shown}{table}"
        '<p class="caution">This is a forecast from stated currents, not a promise. Cold, ageing and a cell unlike '
        "its data sheet shorten it: follow the cell maker's data, and leave a margin.</p>"
    )


def _invariants(invariants: list[dict]) -> str:
    if not invariants:
        return '<p class="muted">No invariant was checked.</p>'
    rows = []
    for one in invariants:
        state, evidence = one["state"], escape(one.get("evidence") or "none given")
        if state == "broken" and one.get("replay"):
            evidence += f"<br>Replay: <code>{escape(one['replay'])}</code>"
        mark = summary.STATE_MARKS.get(state, escape(state))
        rows.append([f"{one['id']}  {one['name']}", (mark, _STATE_MARKS.get(state, "open")), (evidence, "")])
    return _table(["invariant", "state", "evidence"], rows, 99)


def _requirements(requirements: list[dict]) -> str:
    if not requirements:
        return '<p class="muted">Nothing further was asked for.</p>'
    rows = []
    for one in requirements:
        met = ("✓ met", "good") if one["met"] else ("✗ not met", "bad")
        rows.append([one["key"], number(one["wanted"], 6), number(one.get("got"), 6), met])
    return _table(["requirement", "wanted", "got", "met"], rows, 1, 2)


def replay_command(results: dict) -> str:
    """The command that rehearses the same again: the results' own `replay`, or else one made of what they say."""
    if results.get("replay"):
        return results["replay"]
    scenario = shlex.quote(str(results.get("scenario")))
    days = "" if results.get("days") is None else f" --days {results['days']:g}"
    return f"torpor rehearse {scenario} --seed {shlex.quote(str(results.get('seed')))}{days}"


def _ground(results: dict, timeline: dict) -> str:
    rows = []
    for one in timeline.get("currents") or []:
        spread = "not known" if one.get("spread") is None else f"± {number(100 * one['spread'], 1)} %"
        rows.append([one["state"], number(one["current_ua"], 1), spread, one.get("source") or "no source given"])
    titles = ["state", "current µA", "spread", "source"]
    table = _table(titles, rows, 1, 2) if rows else '<p class="muted">No currents were stated.</p>'
    return (
        "<p>Everything in this report happened in a simulator: the boards, radios, cards, cells and the weather "
        "around them are simulated parts. No physical board took part. The results are as good as the currents "
        "below.</p>"
        f"{table}<p>The same rehearsal again: <code>{escape(replay_command(results))}</code></p>"
    )
