"""The figures of the report as plain dictionaries that Plotly draws.

Law: no colour is the only carrier of a meaning; a dash, a pattern, a mark or a word carries it too.
"""

import math
from html import escape as _escape_html

from .summary import count_of, number, plural

INK, MUTED, RULE, PANEL = "#232a3b", "#626b7d", "#e4ddcf", "#fffdf9"
NODE_COLOURS = ("#2f4779", "#b9701b", "#3f7d58", "#8a4a78", "#27818c", "#7a5236", "#5c6b2f", "#a3474b")
NODE_DASHES = ("solid", "dash", "dot", "dashdot", "longdash", "longdashdot")
FATES = {  # what became of a reading: colour and hatching
    "delivered": ("#5b8f70", ""),
    "waiting": ("#e2b968", "/"),
    "overwritten": ("#94704f", "x"),
    "unstored": ("#86658f", "\\"),
    "missed": ("#8d97aa", "."),
    "lost": ("#ae3327", "+"),
}
ASLEEP_LOOK = ("#3a4a70", "")
STATE_LOOKS = (("#a9b4c6", ""), ("#6f9f84", "/"), ("#94704f", ""), ("#d99a3d", "\\"), ("#bb5a3c", ""))
STATE_LOOKS += (("#5a9aa5", "x"), ("#c7a0c0", "."), ("#9a9384", "+"))
PRESENT_KINDS = ("present", "in reach", "up")  # windows in which something is there; all other kinds are outages
WINDOW_COLOURS = (("#ae3327", ""), ("#c7812c", "/"), ("#86658f", "x"), ("#94704f", "\\"), ("#5c6b7f", "."))
PRESENT_LOOK = ("#6f9f84", "")
LANE_BARS_MAX = 1500
FORECAST_DAYS_MAX = 3650  # a straight line over more than ten years says nothing about a cell
DELAY_TICKS_S = {1: "1 s", 10: "10 s", 60: "1 min", 600: "10 min", 3600: "1 h", 21600: "6 h", 86400: "1 day"}
DELAY_TICKS_S |= {604800: "1 week", 2592000: "30 days", 31536000: "1 year"}
_GAP_PX, _TOP_PX, _BOTTOM_PX = 40, 62, 48
_LANE_BAR_PX, _LANE_TEXT_MAX = 14, 44


def escape(words: str) -> str:
    """Words in which Plotly sees no mark-up; it knows no `&quot;`, so quotes stay."""
    return _escape_html(str(words), quote=False)


def duration(seconds) -> str:
    """42 -> '42 s', 5400 -> '1.5 h', 200000 -> '2.3 days'; None -> 'not known'."""
    if seconds is None:
        return "not known"
    for unit, unit_s in (("days", 86400), ("h", 3600), ("min", 60)):
        if seconds >= unit_s * (1 if unit != "days" else 2):
            return f"{number(seconds / unit_s, 1)} {unit}"
    return f"{number(seconds, 1 if seconds < 10 else 0)} s"


def rounded(values, digits: int = 1) -> list:
    """The values with so many decimals; None for whatever is not a finite number, as JSON has no other."""
    return [None if v is None or not math.isfinite(v) else round(v, digits) for v in values or []]


def what_happened(timeline: dict) -> dict:
    """Outages, waiting readings, inside temperature, wood moisture and charge over ONE shared time axis."""
    nodes, lanes = timeline.get("nodes") or {}, _lanes(timeline)
    panels = (
        [("What was out of order or out of reach", "", sum(lane["height_px"] for lane in lanes))] if lanes else []
    )
    panels += [("Readings waiting on the node", "readings", 140)]
    panels += [(f"Inside {escape(name)}", "°C", 100) for name in nodes]
    panels += [("Moisture that the wood tends to (EMC)", "% of dry mass", 130), ("Battery", "% of charge", 120)]
    layout, axes = _stacked(panels, timeline)
    data = []
    if lanes:
        data += _draw_lanes(layout, axes.pop(0), lanes, timeline)
    for index, (name, node) in enumerate(nodes.items()):
        band = axes[1 + index]
        layout["yaxis" + band[1:]]["matches"] = axes[1] if index else None
        data += _waiting(timeline, name, node, index, axes[0]) + _temperature(timeline, name, node, index, band)
        charge = [None if v is None else 100 * v for v in node.get("state_of_charge") or []]
        data += [
            _line(timeline, name, index, axes[-2], rounded(node.get("emc_percent")), "%{y:.1f} %"),
            _line(timeline, name, index, axes[-1], rounded(charge), "%{y:.1f} % of charge"),
        ]
    _name_once(data, "×")
    layout["yaxis" + axes[-1][1:]]["range"] = [0, 104]
    layout["yaxis" + axes[0][1:]] |= {"rangemode": "tozero", "tickformat": "~s"}
    return {"data": data, "layout": layout}


def _base(height_px: int, **more) -> dict:
    return {
        "height": height_px,
        "margin": {"l": 46, "r": 14, "t": _TOP_PX, "b": _BOTTOM_PX},
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": PANEL,
        "font": {"family": "system-ui, 'Segoe UI', 'DejaVu Sans', sans-serif", "size": 12, "color": INK},
        "hovermode": "closest",
        "uniformtext": {"mode": "hide", "minsize": 9},
        "hoverlabel": {"bgcolor": "#ffffff", "bordercolor": RULE, "font": {"color": INK}, "align": "left"},
        "legend": {"orientation": "h", "x": 0, "y": 1, "yref": "container", "yanchor": "top", "tracegroupgap": 0},
        **more,
    }


def _legend_px(nodes) -> int:
    """Room for a legend that, on a phone, takes a line for each node."""
    return 17 * max(0, len(nodes) - 3)


def _axis(title: str = "", **more) -> dict:
    return {
        "title": {"text": title, "standoff": 6, "font": {"size": 11, "color": MUTED}},
        "gridcolor": RULE,
        "linecolor": "#b9b1a1",
        "zeroline": False,
        "automargin": True,
        "tickfont": {"size": 11},
        **more,
    }


def _note(text: str, x, y, **more) -> dict:
    place = {"xref": "paper", "yref": "paper", "xanchor": "left", "yanchor": "bottom", "showarrow": False}
    return {"text": text, "x": x, "y": y, "align": "left", "font": {"size": 12, "color": INK}, **place, **more}


def _stacked(panels: list[tuple], timeline: dict) -> tuple[dict, list[str]]:
    """A layout with one panel below the other, and their axis names; a panel is (heading, unit, height_px)."""
    plot_px = sum(height_px for _, _, height_px in panels) + _GAP_PX * (len(panels) - 1)
    layout = _base(plot_px + _TOP_PX + _BOTTOM_PX, annotations=[])
    axes, top_px = [], plot_px
    for number_, (heading, unit, height_px) in enumerate(panels, 1):
        axis = "y" if number_ == 1 else f"y{number_}"
        domain = [max(0, (top_px - height_px) / plot_px), top_px / plot_px]
        layout["yaxis" + axis[1:]] = _axis(unit, domain=domain, nticks=5)
        layout["annotations"].append(_note(f"<b>{heading}</b>", 0, domain[1], yshift=3))
        axes.append(axis)
        top_px -= height_px + _GAP_PX
    end_ms = _at_ms(timeline, timeline["bins"] * timeline["bin_s"])
    spikes = {"showspikes": True, "spikemode": "across", "spikethickness": 1, "spikedash": "dot", "spikecolor": MUTED}
    layout["xaxis"] = _axis("time (UTC)", type="date", anchor=axes[-1], range=[_at_ms(timeline, 0), end_ms], **spikes)
    return layout, axes


def _at_ms(timeline: dict, offset_s: float) -> int:
    return round((timeline["start_epoch_s"] + offset_s) * 1000)


def _middle_ms(timeline: dict, index: int) -> int:
    return _at_ms(timeline, (index + 0.5) * timeline["bin_s"])


def _look(index: int) -> dict:
    return {"color": NODE_COLOURS[index % len(NODE_COLOURS)], "dash": NODE_DASHES[index % len(NODE_DASHES)]}


def _line(timeline: dict, name: str, index: int, axis: str, values: list, shown: str, **more) -> dict:
    return {
        "type": "scatter",
        # a line of few points needs marks to be seen at all
        "mode": "lines" if len(values) > 40 else "lines+markers",
        "x0": _middle_ms(timeline, 0),
        "dx": timeline["bin_s"] * 1000,
        "y": values,
        "yaxis": axis,
        "name": escape(name),
        "legendgroup": name,
        "showlegend": False,
        "line": {"width": 1.6, **_look(index)},
        "hovertemplate": f"<b>%{{fullData.name}}</b><br>%{{x|%d %b %Y}}: {shown}<extra></extra>",
        **more,
    }


def _waiting(timeline: dict, name: str, node: dict, index: int, axis: str) -> list[dict]:
    waiting, missed = rounded(node.get("waiting"), 0), node.get("missed") or []
    line = _line(timeline, name, index, axis, waiting, "%{y:,} waiting", showlegend=True)
    hits = [(i, count) for i, count in enumerate(missed) if count]
    if not hits:
        return [line]
    marks = {
        **_line(timeline, name, index, axis, [waiting[i] if i < len(waiting) else 0 for i, _ in hits], ""),
        "mode": "markers",
        "x": [_middle_ms(timeline, i) for i, _ in hits],
        "customdata": [count for _, count in hits],
        "marker": {"symbol": "x-thin", "size": 8, "line": {"width": 1.6, "color": _look(index)["color"]}},
        "cliponaxis": False,
        "legendgroup": "×",
        "name": "slots missed",
        "text": escape(name),
        "hovertemplate": "<b>%{text}</b><br>%{x|%d %b %Y}: %{customdata:,} missed<extra></extra>",
    }
    return [line, marks]


def _name_once(data: list[dict], group: str) -> None:
    """One entry in the legend stands for the whole group."""
    for trace in [trace for trace in data if trace.get("legendgroup") == group][:1]:
        trace["showlegend"] = True


def _temperature(timeline: dict, name: str, node: dict, index: int, axis: str) -> list[dict]:
    low, mean, high = (rounded(node.get(f"inside_degc_{part}")) for part in ("min", "mean", "max"))
    shown = "mean %{y:.1f} °C, from %{customdata[0]} to %{customdata[1]} °C"
    ends = list(zip(low, high, strict=False))
    line = _line(timeline, name, index, axis, mean, shown, customdata=ends)
    line["line"]["dash"] = "solid"  # the panel has but one node, and a dash would hide the swing of a day
    x, y = _outline(timeline, ends)
    band = {**_line(timeline, name, index, axis, y, ""), "x": x, "mode": "lines", "line": {"width": 0}}
    band |= {"fill": "toself", "fillcolor": line["line"]["color"] + "38", "hoverinfo": "skip", "hovertemplate": None}
    return [band, line]


def _outline(timeline: dict, ends: list[tuple]) -> tuple[list, list]:
    """Closed outlines around each unbroken stretch of (low, high), parted by None: a gap stays a gap."""
    x, y, stretch = [], [], []
    for i, (low, high) in enumerate([*ends, (None, None)]):
        if low is not None and high is not None:
            stretch.append((_middle_ms(timeline, i), low, high))
        elif stretch:
            x += [point[0] for point in stretch] + [point[0] for point in reversed(stretch)] + [None]
            y += [point[1] for point in stretch] + [point[2] for point in reversed(stretch)] + [None]
            stretch = []
    return x, y


def _lanes(timeline: dict) -> list[dict]:
    """The lanes in the order in which they are first met: name, windows by kind, text lines, height."""
    span_s, lanes, kinds = timeline["bins"] * timeline["bin_s"], {}, []
    for window in timeline.get("windows") or []:
        if window["from_s"] >= span_s or window["to_s"] <= 0:
            continue  # planned, but not within what was rehearsed
        lanes.setdefault(window["lane"], {}).setdefault(window["kind"], []).append(window)
        if window["kind"] not in (*PRESENT_KINDS, *kinds):
            kinds.append(window["kind"])
    looks = {kind: WINDOW_COLOURS[i % len(WINDOW_COLOURS)] for i, kind in enumerate(kinds)}
    drawn = []
    for name, by_kind in lanes.items():
        bars = {kind: (looks.get(kind, PRESENT_LOOK), _inside(by_kind[kind], span_s)) for kind in by_kind}
        text = _lane_text(name, bars)
        drawn.append({"name": name, "bars": bars, "text": text, "height_px": _LANE_BAR_PX + 15 * len(text) + 9})
    return drawn


def _lane_text(name: str, bars: dict) -> list[str]:
    """The name, then each kind with its count and sum, in lines short enough for a phone."""
    lines, used = [escape(name)], len(name)
    for kind, (look, windows) in bars.items():
        words = f"{kind} {number(len(windows))} ×, {duration(_covered_s(windows))}"
        if len(windows) > LANE_BARS_MAX:
            words += " (neighbours drawn as one)"
        part = f"<span style='color:{look[0]}'>■</span> {escape(words)}"
        if used + len(words) > _LANE_TEXT_MAX:
            lines, used = [*lines, part], len(words)
        else:
            lines[-1], used = f"{lines[-1]}  {part}", used + len(words) + 4
    return lines


def _draw_lanes(layout: dict, axis: str, lanes: list[dict], timeline: dict) -> list[dict]:
    total_px = sum(lane["height_px"] for lane in lanes)  # this panel's axis counts pixels from its top
    layout["yaxis" + axis[1:]] |= {"range": [total_px, 0], "showticklabels": False, "showgrid": False}
    layout["barmode"] = "overlay"
    data, top_px = [], 0
    span_s = timeline["bins"] * timeline["bin_s"]
    for lane in lanes:
        text_px = 15 * len(lane["text"])
        place = {"yref": axis, "yanchor": "top", "xshift": 2, "font": {"size": 11, "color": INK}}
        layout["annotations"].append(_note("<br>".join(lane["text"]), 0, top_px, **place))
        middle_px = top_px + text_px + 4 + _LANE_BAR_PX / 2
        for kind, (look, windows) in lane["bars"].items():
            bars = _thinned(windows, span_s)
            data.append(_lane_bars(timeline, axis, middle_px, f"{lane['name']}: {kind}", look, bars))
        top_px += lane["height_px"]
    return data


def _inside(windows: list[dict], span_s: float) -> list[tuple]:
    """(from_s, to_s, node) of each window, in order and cut to the rehearsal."""
    cut = sorted((max(0, w["from_s"]), min(span_s, w["to_s"]), w.get("node") or "") for w in windows)
    return [window for window in cut if window[1] > window[0]]


def _covered_s(inside: list[tuple]) -> float:
    """The time that lies in at least one of the windows, which come in order of their start."""
    covered_s = end_s = 0
    for from_s, to_s, _ in inside:
        covered_s += max(0, to_s - max(from_s, end_s))
        end_s = max(end_s, to_s)
    return covered_s


def _thinned(inside: list[tuple], span_s: float) -> list[tuple]:
    """The windows to draw: where there are very many, neighbours too near to tell apart are one bar."""
    if len(inside) <= LANE_BARS_MAX:
        return inside
    drawn = inside[:1]
    for from_s, to_s, node in inside[1:]:
        if from_s - drawn[-1][1] < span_s / LANE_BARS_MAX:
            drawn[-1] = (drawn[-1][0], max(to_s, drawn[-1][1]), drawn[-1][2])
        else:
            drawn.append((from_s, to_s, node))
    return drawn


def _lane_bars(timeline: dict, axis: str, middle_px: float, name: str, look: tuple, windows: list) -> dict:
    # an outline keeps a short window visible on a long axis, but would flood a lane that recurs every day
    outline_px = 1.5 if len(windows) < 100 else 0
    return {
        "type": "bar",
        "orientation": "h",
        "base": [_at_ms(timeline, from_s) for from_s, _, _ in windows],
        "x": [round((to_s - from_s) * 1000) for from_s, to_s, _ in windows],
        "y": [middle_px] * len(windows),
        "width": _LANE_BAR_PX,
        "yaxis": axis,
        "marker": {
            "color": look[0],
            "pattern": _hatching(look[1], 5),
            "line": {"width": outline_px, "color": look[0]},
        },
        "showlegend": False,
        "customdata": [
            [duration(to_s - from_s), escape(f"for {node}") if node else ""] for from_s, to_s, node in windows
        ],
        "name": escape(name),
        "hovertemplate": "<b>%{fullData.name}</b> %{customdata[1]}<br>from %{base|%d %b %Y %H:%M}, "
        "%{customdata[0]}<extra></extra>",
    }


def where_readings_went(results: dict) -> dict | None:
    """Two panels of stacked bars: all readings, and below, enlarged, all that were not delivered. None: none due."""
    nodes = results.get("nodes") or []
    counts = {fate: [count_of(node, fate) or 0 for node in nodes] for fate in FATES}
    if not sum(map(sum, counts.values())):
        return None
    rest = {fate: values for fate, values in counts.items() if fate != "delivered"}
    enlarged = any(map(sum, rest.values()))
    panel_px = 34 * len(nodes) + 16
    plot_px = panel_px + (panel_px + 78 if enlarged else 0)
    share = panel_px / plot_px
    names = {"tickmode": "array", "tickvals": list(range(len(nodes))), "range": [len(nodes) - 0.5, -0.5]}
    names["ticktext"] = [escape(node["node"]) + " " for node in nodes]
    layout = _base(plot_px + _TOP_PX + _BOTTOM_PX, barmode="stack", annotations=[_note("<b>All readings</b>", 0, 1)])
    layout["xaxis"] = _axis("readings", anchor="y", rangemode="tozero", nticks=6)
    layout["yaxis"] = _axis(domain=[1 - share, 1], showgrid=False, **names)
    data = [_fate_bars(fate, values, "", len(nodes)) for fate, values in counts.items() if sum(values)]
    if enlarged:
        layout["annotations"].append(_note("<b>Not delivered, enlarged</b>", 0, share))
        layout["xaxis2"] = _axis("readings", anchor="y2", rangemode="tozero", nticks=6)
        layout["yaxis2"] = _axis(domain=[0, share], showgrid=False, **names)
        data += [_fate_bars(fate, values, "2", len(nodes)) for fate, values in rest.items() if sum(values)]
    return {"data": data, "layout": layout}


def _fate_bars(fate: str, values: list, axis: str, count: int) -> dict:
    return {
        **_stack_bars(fate, values, list(range(count)), FATES[fate], "%{x:,} " + fate),
        "xaxis": "x" + axis,
        "yaxis": "y" + axis,
        # what arrived stands in the first panel only; every other fate is named once, in the second
        "showlegend": axis == "2" or fate == "delivered",
        "text": [number(value) if value else "" for value in values],
    }


def _stack_bars(name: str, x: list, y: list, look: tuple, shown: str) -> dict:
    return {
        "type": "bar",
        "orientation": "h",
        "x": x,
        "y": y,
        "width": 0.7,
        "name": name,
        "legendgroup": name,
        "marker": {
            "color": look[0],
            "pattern": _hatching(look[1], 6),
            "line": {"width": 0.6, "color": "#ffffff"},
        },
        "textposition": "inside",
        "insidetextanchor": "middle",
        "textangle": 0,
        "hovertemplate": shown + "<extra></extra>",
    }


def _hatching(shape: str, size_px: int) -> dict:
    return {"shape": shape, "fillmode": "overlay", "fgcolor": "#ffffff", "fgopacity": 0.45, "size": size_px}


def delay_bins(node: dict) -> list[tuple[float, float, int]]:
    """[(from_s, to_s, count)] of a node's delays; an edge below 1 s counts as 1 s, as the axis is logarithmic."""
    histogram = node.get("delay_histogram") or {}
    edges = [None if e is None or not math.isfinite(e) else max(1, e) for e in histogram.get("edges_s") or []]
    pairs = zip(edges, edges[1:], histogram.get("counts") or [], strict=False)
    # an open last edge is drawn as ten times its lower one
    return [(low, low * 10 if high is None else high, count) for low, high, count in pairs if low is not None]


def within_s(bins: list[tuple], share: float) -> float | None:
    """The upper edge of the bin in which that share of the readings is reached; None where there are none."""
    wanted, reached = share * sum(count for _, _, count in bins), 0
    for _, to_s, count in bins:
        reached += count
        if count and reached >= wanted:
            return to_s
    return None


def how_long(timeline: dict) -> dict | None:
    """Share of readings by delay, cumulative above and by step below, log axis. None: none delivered."""
    nodes = [(name, delay_bins(node)) for name, node in (timeline.get("nodes") or {}).items()]
    filled = [bins for _, bins in nodes if sum(count for _, _, count in bins)]
    if not filled:
        return None
    ends = [edge for bins in filled for low, high, count in bins if count for edge in (low, high)]
    layout = _base(
        430 + _legend_px(nodes), annotations=[_note("<b>Share delivered within that time</b>", 0, 1, yshift=3)]
    )
    layout["annotations"].append(_note("<b>Share in each step</b>", 0, 0.36, yshift=3))
    span = [math.log10(min(ends)) - 0.05, math.log10(max(ends)) + 0.1]
    ticks = {"tickmode": "array", "tickvals": list(DELAY_TICKS_S), "ticktext": list(DELAY_TICKS_S.values())}
    layout["xaxis"] = _axis("from measuring to delivery", type="log", anchor="y2", range=span, **ticks)
    layout["yaxis"] = _axis("% of readings", domain=[0.48, 1], range=[0, 103])
    layout["yaxis2"] = _axis("% of readings", domain=[0, 0.36], rangemode="tozero", nticks=4)
    data = []
    for index, (name, bins) in enumerate(nodes):
        data += _delay_lines(name, index, bins)
    return {"data": data, "layout": layout}


def _delay_lines(name: str, index: int, bins: list[tuple]) -> list[dict]:
    whole, reached = sum(count for _, _, count in bins), 0
    if not whole:
        return []
    shares, steps = [0.0], []
    for _, _, count in bins:
        reached += count
        shares.append(100 * reached / whole)
        steps.append(100 * count / whole)
    edges = [bins[0][0], *(to_s for _, to_s, _ in bins)]
    common = {"type": "scatter", "mode": "lines", "name": escape(name), "legendgroup": name}
    common |= {"x": rounded(edges, 2), "line": {"width": 2, **_look(index)}}
    words = [duration(edge) for edge in edges]
    shown = "<b>%{fullData.name}</b><br>%{y:.1f} % "
    stepped = {**common["line"], "shape": "hv"}
    return [
        {**common, "y": rounded(shares, 2), "text": words, "hovertemplate": shown + "within %{text}<extra></extra>"},
        {
            **common,
            "y": rounded([*steps, steps[-1]], 2),
            "yaxis": "y2",
            "showlegend": False,
            "line": stepped,
            "text": words,
            "hovertemplate": shown + "from %{text} on<extra></extra>",
        },
    ]


def state_looks(nodes: dict) -> dict[str, tuple[str, str]]:
    """{state: (colour, hatching)} in the order in which the nodes list them; sleep is as dark as the night."""
    keys = ("charge_by_state_mah", "time_by_state_s")
    names = dict.fromkeys(state for node in nodes.values() for key in keys for state in node.get(key) or {})
    awake = [name for name in names if "sleep" not in name.lower()]
    looks = {name: STATE_LOOKS[i % len(STATE_LOOKS)] for i, name in enumerate(awake)}
    return {name: looks.get(name, ASLEEP_LOOK) for name in names}


def where_charge_went(timeline: dict, results: dict) -> dict | None:
    """Per node two bars of 100 %: the charge and the time by state of the cycle. None: no charge was drawn."""
    nodes = timeline.get("nodes") or {}
    if not any(sum((node.get("charge_by_state_mah") or {}).values()) for node in nodes.values()):
        return None
    mean_ua = {node["node"]: (node.get("energy") or {}).get("mean_ua") for node in results.get("nodes") or []}
    layout = _base(_TOP_PX + _BOTTOM_PX + 92 * len(nodes), barmode="stack", annotations=[])
    layout["xaxis"] = _axis("% of the node's charge, and of its time", range=[0, 100])
    rows, labels = [], []
    for index, (name, node) in enumerate(nodes.items()):
        rows += [3 * index, 3 * index + 1]
        labels += ["charge ", "time "]
        drawn_mah = sum((node.get("charge_by_state_mah") or {}).values())
        text = f"<b>{escape(name)}</b>  {number(drawn_mah, 1)} mAh, mean {number(mean_ua.get(name), 1)} µA"
        layout["annotations"].append(_note(text, 0, 3 * index - 0.5, yref="y"))
    ticks = {"tickmode": "array", "tickvals": rows, "ticktext": labels, "range": [3 * len(nodes) - 1.4, -1.4]}
    layout["yaxis"] = _axis(showgrid=False, **ticks)
    shares = [share for node in nodes.values() for share in _shares_of_state(node)]
    data = []
    for state, look in state_looks(nodes).items():
        x = [round(share.get(state, 0), 3) for share in shares]
        if any(x):
            bars = _stack_bars(escape(state), x, rows, look, "%{fullData.name}: %{x:.2f} %")
            text = [f"{escape(state)} {number(share, 1 if share > 99 else 0)} %" if share >= 4 else "" for share in x]
            data.append({**bars, "width": 0.86, "text": text})
    return {"data": data, "layout": layout}


def _shares_of_state(node: dict) -> list[dict[str, float]]:
    """[{state: % of charge}, {state: % of time}]."""
    both = []
    for key in ("charge_by_state_mah", "time_by_state_s"):
        parts = node.get(key) or {}
        whole = sum(parts.values()) or 1
        both.append({state: 100 * part / whole for state, part in parts.items()})
    return both


def how_long_battery(timeline: dict) -> dict | None:
    """State of charge, with a straight line to the day on which it is spent. None: no charge is known."""
    nodes = timeline.get("nodes") or {}
    if not nodes:
        return None
    span_days = timeline["bins"] * timeline["bin_s"] / 86400
    data, last_day = [], span_days
    for index, (name, node) in enumerate(nodes.items()):
        charge = rounded([None if v is None else 100 * v for v in node.get("state_of_charge") or []])
        known = [i for i, value in enumerate(charge) if value is not None]
        if not known:
            continue
        life_days = node.get("life_days")
        days = "not known" if life_days is None else plural(round(life_days), "day")
        line = _line(timeline, name, index, "y", charge, "%{y:.1f} % of charge", showlegend=True)
        data.append({**line, "name": f"{escape(name)}: {days}", "line": {**line["line"], "width": 2.2}})
        now_day = (known[-1] + 0.5) * timeline["bin_s"] / 86400
        if life_days is not None and life_days > now_day:
            data.append(_forecast(timeline, name, index, now_day, charge[known[-1]], life_days))
            last_day = max(last_day, min(life_days, FORECAST_DAYS_MAX))
    if not data:
        return None
    end_ms = _at_ms(timeline, last_day * 86400 * 1.03)
    layout = _base(360 + _legend_px(nodes))
    layout["xaxis"] = _axis("time (UTC)", type="date", range=[_at_ms(timeline, 0), end_ms])
    layout["yaxis"] = _axis("% of charge", range=[0, 104])
    end = _at_ms(timeline, span_days * 86400)
    layout["shapes"] = [{"type": "line", "x0": end, "x1": end, "yref": "paper", "y0": 0, "y1": 1, "layer": "below"}]
    layout["shapes"][0]["line"] = {"color": MUTED, "width": 1, "dash": "dot"}
    right = last_day < 1.5 * span_days
    anchor = {"xref": "x", "yanchor": "top", "xanchor": "right" if right else "left", "xshift": -4 if right else 4}
    layout["annotations"] = [_note("rehearsed until here", end, 1, **anchor)]
    return {"data": data, "layout": layout}


def _forecast(timeline: dict, name: str, index: int, now_day: float, charge: float, life_days: float) -> dict:
    return {
        **_line(timeline, name, index, "y", [charge, 0], ""),
        "x": [_at_ms(timeline, day * 86400) for day in (now_day, life_days)],
        "mode": "lines+markers",
        "line": {"width": 1.2, "color": _look(index)["color"], "dash": "dot"},
        "marker": {"symbol": ["line-ns", "diamond"], "size": 9},
        "cliponaxis": False,
        "hovertemplate": "<b>%{fullData.name}</b><br>forecast: spent %{x|%d %b %Y}<extra></extra>",
    }
