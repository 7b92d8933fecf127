"""Where each reading went, and how long it took.

Law: the bars of a node add up to every reading that was due, and its delays to every one that was delivered.
"""

import math

from . import look
from .words import count_of, duration, number

FATES = {  # what became of a reading: colour and hatching
    "delivered": ("#5b8f70", ""),
    "waiting": ("#e2b968", "/"),
    "overwritten": ("#94704f", "x"),
    "unstored": ("#86658f", "\\"),
    "missed": ("#8d97aa", "."),
    "destroyed": ("#5c6b7f", "-"),
    "lost": ("#ae3327", "+"),
}
DELAY_TICKS_S = {1: "1 s", 10: "10 s", 60: "1 min", 600: "10 min", 3600: "1 h", 21600: "6 h", 86400: "1 day"}
DELAY_TICKS_S |= {604800: "1 week", 2592000: "30 days", 31536000: "1 year"}


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
    names["ticktext"] = [look.escape(node["node"]) + " " for node in nodes]
    layout = look.base(plot_px + look.TOP_PX + look.BOTTOM_PX, barmode="stack")
    layout["annotations"] = [look.note("<b>All readings</b>", 0, 1)]
    layout["xaxis"] = look.axis("readings", anchor="y", rangemode="tozero", nticks=6)
    layout["yaxis"] = look.axis(domain=[1 - share, 1], showgrid=False, **names)
    data = [_fate_bars(fate, values, "", len(nodes)) for fate, values in counts.items() if sum(values)]
    if enlarged:
        layout["annotations"].append(look.note("<b>Not delivered, enlarged</b>", 0, share))
        layout["xaxis2"] = look.axis("readings", anchor="y2", rangemode="tozero", nticks=6)
        layout["yaxis2"] = look.axis(domain=[0, share], showgrid=False, **names)
        data += [_fate_bars(fate, values, "2", len(nodes)) for fate, values in rest.items() if sum(values)]
    return {"data": data, "layout": layout}


def _fate_bars(fate: str, values: list, axis: str, count: int) -> dict:
    return {
        **look.stack_bars(fate, values, list(range(count)), FATES[fate], "%{x:,} " + fate),
        "xaxis": "x" + axis,
        "yaxis": "y" + axis,
        # what arrived stands in the first panel only; every other fate is named once, in the second
        "showlegend": axis == "2" or fate == "delivered",
        "text": [number(value) if value else "" for value in values],
    }


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
    headings = (("Share delivered within that time", 1), ("Share in each step", 0.36))
    layout = look.base(430 + look.legend_px(nodes))
    layout["annotations"] = [look.note(f"<b>{heading}</b>", 0, y, yshift=3) for heading, y in headings]
    span = [math.log10(min(ends)) - 0.05, math.log10(max(ends)) + 0.1]
    ticks = {"tickmode": "array", "tickvals": list(DELAY_TICKS_S), "ticktext": list(DELAY_TICKS_S.values())}
    layout["xaxis"] = look.axis("from measuring to delivery", type="log", anchor="y2", range=span, **ticks)
    layout["yaxis"] = look.axis("% of readings", domain=[0.48, 1], range=[0, 103])
    layout["yaxis2"] = look.axis("% of readings", domain=[0, 0.36], rangemode="tozero", nticks=4)
    data = []
    for index, (name, bins) in enumerate(nodes):
        data += _delay_lines(name, index, bins)
    return {"data": data, "layout": layout}


def _delay_lines(name: str, index: int, bins: list[tuple]) -> list[dict]:
    """A node's cumulative line and its steps; none where nothing was delivered."""
    whole, reached = sum(count for _, _, count in bins), 0
    if not whole:
        return []
    shares, steps = [0.0], []
    for _, _, count in bins:
        reached += count
        shares.append(100 * reached / whole)
        steps.append(100 * count / whole)
    edges = [bins[0][0], *(to_s for _, to_s, _ in bins)]
    common = {"type": "scatter", "mode": "lines", "name": look.escape(name), "legendgroup": name}
    common |= {"x": look.rounded(edges, 2), "line": {"width": 2, **look.of_node(index)}}
    words = [duration(edge) for edge in edges]
    shown = "<b>%{fullData.name}</b><br>%{y:.1f} % "
    stepped = {**common["line"], "shape": "hv"}
    within = {"text": words, "hovertemplate": shown + "within %{text}<extra></extra>"}
    below = {"yaxis": "y2", "showlegend": False, "line": stepped, "text": words}
    below["hovertemplate"] = shown + "from %{text} on<extra></extra>"
    return [
        {**common, "y": look.rounded(shares, 2), **within},
        {**common, "y": look.rounded([*steps, steps[-1]], 2), **below},
    ]
