"""What happened when: all panels of the course of a rehearsal.

Law: every panel stands over the same time axis, and a gap in a series stays a gap.
"""

from . import lanes, look

_GAP_PX = 40


def what_happened(timeline: dict) -> dict:
    """Outages, waiting readings, inside temperature, wood moisture and charge over ONE shared time axis."""
    nodes, found = timeline.get("nodes") or {}, lanes.of_windows(timeline)
    panels = [("Readings waiting on the node", "readings", 140)]
    panels += [(f"Inside {look.escape(name)}", "°C", 100) for name in nodes]
    panels += [("Moisture that the wood tends to (EMC)", "% of dry mass", 130), ("Battery", "% of charge", 120)]
    if found:
        panels.insert(0, ("What was out of order or out of reach", "", sum(lane["height_px"] for lane in found)))
    layout, axes = _stacked(panels, timeline)
    data = []
    if found:
        data += lanes.draw(layout, axes.pop(0), found, timeline)
    for index, (name, node) in enumerate(nodes.items()):
        band = axes[1 + index]
        layout["yaxis" + band[1:]]["matches"] = axes[1] if index else None
        data += _waiting(timeline, name, node, index, axes[0]) + _temperature(timeline, name, node, index, band)
        charge = [None if v is None else 100 * v for v in node.get("state_of_charge") or []]
        data += [
            look.line(timeline, name, index, axes[-2], look.rounded(node.get("emc_percent")), "%{y:.1f} %"),
            look.line(timeline, name, index, axes[-1], look.rounded(charge), "%{y:.1f} % of charge"),
        ]
    _name_once(data, "×")
    layout["yaxis" + axes[-1][1:]]["range"] = [0, 104]
    layout["yaxis" + axes[0][1:]] |= {"rangemode": "tozero", "tickformat": "~s"}
    return {"data": data, "layout": layout}


def _stacked(panels: list[tuple], timeline: dict) -> tuple[dict, list[str]]:
    """A layout with one panel below the other, and their axis names; a panel is (heading, unit, height_px)."""
    plot_px = sum(height_px for _, _, height_px in panels) + _GAP_PX * (len(panels) - 1)
    layout = look.base(plot_px + look.TOP_PX + look.BOTTOM_PX, annotations=[])
    axes, top_px = [], plot_px
    for place_no, (heading, unit, height_px) in enumerate(panels, 1):
        axis = "y" if place_no == 1 else f"y{place_no}"
        domain = [max(0, (top_px - height_px) / plot_px), top_px / plot_px]
        layout["yaxis" + axis[1:]] = look.axis(unit, domain=domain, nticks=5)
        layout["annotations"].append(look.note(f"<b>{heading}</b>", 0, domain[1], yshift=3))
        axes.append(axis)
        top_px -= height_px + _GAP_PX
    end_ms = look.at_ms(timeline, timeline["bins"] * timeline["bin_s"])
    spikes = {"showspikes": True, "spikemode": "across", "spikethickness": 1, "spikedash": "dot"}
    spikes["spikecolor"] = look.MUTED
    place = {"type": "date", "anchor": axes[-1], "range": [look.at_ms(timeline, 0), end_ms]}
    layout["xaxis"] = look.axis("time (UTC)", **place, **spikes)
    return layout, axes


def _waiting(timeline: dict, name: str, node: dict, index: int, axis: str) -> list[dict]:
    """A node's waiting readings, with a cross on each day of missed slots."""
    waiting, missed = look.rounded(node.get("waiting"), 0), node.get("missed") or []
    line = look.line(timeline, name, index, axis, waiting, "%{y:,} waiting", showlegend=True)
    hits = [(i, count) for i, count in enumerate(missed) if count]
    if not hits:
        return [line]
    marks = {
        **look.line(timeline, name, index, axis, [waiting[i] if i < len(waiting) else 0 for i, _ in hits], ""),
        "mode": "markers",
        "x": [look.middle_ms(timeline, i) for i, _ in hits],
        "customdata": [count for _, count in hits],
        "marker": {"symbol": "x-thin", "size": 8, "line": {"width": 1.6, "color": look.of_node(index)["color"]}},
        "cliponaxis": False,
        "legendgroup": "×",
        "name": "slots missed",
        "text": look.escape(name),
        "hovertemplate": "<b>%{text}</b><br>%{x|%d %b %Y}: %{customdata:,} missed<extra></extra>",
    }
    return [line, marks]


def _name_once(data: list[dict], group: str) -> None:
    """One entry in the legend stands for the whole group."""
    for trace in [trace for trace in data if trace.get("legendgroup") == group][:1]:
        trace["showlegend"] = True


def _temperature(timeline: dict, name: str, node: dict, index: int, axis: str) -> list[dict]:
    """A node's mean inside temperature over the band from its lowest to its highest."""
    low, mean, high = (look.rounded(node.get(f"inside_degc_{part}")) for part in ("min", "mean", "max"))
    shown = "mean %{y:.1f} °C, from %{customdata[0]} to %{customdata[1]} °C"
    ends = list(zip(low, high, strict=False))
    line = look.line(timeline, name, index, axis, mean, shown, customdata=ends)
    line["line"]["dash"] = "solid"  # the panel has but one node, and a dash would hide the swing of a day
    x, y = _outline(timeline, ends)
    band = {**look.line(timeline, name, index, axis, y, ""), "x": x, "mode": "lines", "line": {"width": 0}}
    band |= {"fill": "toself", "fillcolor": line["line"]["color"] + "38", "hoverinfo": "skip", "hovertemplate": None}
    return [band, line]


def _outline(timeline: dict, ends: list[tuple]) -> tuple[list, list]:
    """Closed outlines around each unbroken stretch of (low, high), parted by None: a gap stays a gap."""
    x, y, stretch = [], [], []
    for i, (low, high) in enumerate([*ends, (None, None)]):
        if low is not None and high is not None:
            stretch.append((look.middle_ms(timeline, i), low, high))
        elif stretch:
            x += [point[0] for point in stretch] + [point[0] for point in reversed(stretch)] + [None]
            y += [point[1] for point in stretch] + [point[2] for point in reversed(stretch)] + [None]
            stretch = []
    return x, y
