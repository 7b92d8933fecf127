"""Where the charge went, and how long the battery lasts.

Law: the shares of a bar add up to all that was drawn, and what is forecast never looks like what was rehearsed.
"""

from . import look
from .words import number, plural

ASLEEP_PAINT = ("#3a4a70", "")
STATE_PAINTS = (("#a9b4c6", ""), ("#6f9f84", "/"), ("#94704f", ""), ("#d99a3d", "\\"), ("#bb5a3c", ""))
STATE_PAINTS += (("#5a9aa5", "x"), ("#c7a0c0", "."), ("#9a9384", "+"))
FORECAST_DAYS_MAX = 3650  # a straight line over more than ten years says nothing about a cell


def state_paints(nodes: dict) -> dict[str, tuple[str, str]]:
    """{state: (colour, hatching)} in the order in which the nodes list them; sleep is as dark as the night."""
    keys = ("charge_by_state_mah", "time_by_state_s")
    names = dict.fromkeys(state for node in nodes.values() for key in keys for state in node.get(key) or {})
    awake = [name for name in names if "sleep" not in name.lower()]
    paints = {name: STATE_PAINTS[i % len(STATE_PAINTS)] for i, name in enumerate(awake)}
    return {name: paints.get(name, ASLEEP_PAINT) for name in names}


def where_charge_went(timeline: dict, results: dict) -> dict | None:
    """Per node two bars of 100 %: the charge and the time by state of the cycle. None: no charge was drawn."""
    nodes = timeline.get("nodes") or {}
    if not any(sum((node.get("charge_by_state_mah") or {}).values()) for node in nodes.values()):
        return None
    mean_ua = {node["node"]: (node.get("energy") or {}).get("mean_ua") for node in results.get("nodes") or []}
    layout = look.base(look.TOP_PX + look.BOTTOM_PX + 92 * len(nodes), barmode="stack", annotations=[])
    layout["xaxis"] = look.axis("% of the node's charge, and of its time", range=[0, 100])
    rows, labels = [], []
    for index, (name, node) in enumerate(nodes.items()):
        rows += [3 * index, 3 * index + 1]
        labels += ["charge ", "time "]
        drawn_mah = sum((node.get("charge_by_state_mah") or {}).values())
        text = f"<b>{look.escape(name)}</b>  {number(drawn_mah, 1)} mAh, mean {number(mean_ua.get(name), 1)} µA"
        layout["annotations"].append(look.note(text, 0, 3 * index - 0.5, yref="y"))
    ticks = {"tickmode": "array", "tickvals": rows, "ticktext": labels, "range": [3 * len(nodes) - 1.4, -1.4]}
    layout["yaxis"] = look.axis(showgrid=False, **ticks)
    shares = [share for node in nodes.values() for share in _shares_of_state(node)]
    data = []
    for state, paint in state_paints(nodes).items():
        x = [round(share.get(state, 0), 3) for share in shares]
        if any(x):
            bars = look.stack_bars(look.escape(state), x, rows, paint, "%{fullData.name}: %{x:.2f} %")
            data.append({**bars, "width": 0.86, "text": [_share_text(state, share) for share in x]})
    return {"data": data, "layout": layout}


def _share_text(state: str, share: float) -> str:
    """What stands in a part of a bar; nothing in one too narrow for any words."""
    return f"{look.escape(state)} {number(share, 1 if share > 99 else 0)} %" if share >= 4 else ""


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
        charge = look.rounded([None if v is None else 100 * v for v in node.get("state_of_charge") or []])
        known = [i for i, value in enumerate(charge) if value is not None]
        if not known:
            continue
        life_days = node.get("life_days")
        days = "not known" if life_days is None else plural(round(life_days), "day")
        line = look.line(timeline, name, index, "y", charge, "%{y:.1f} % of charge", showlegend=True)
        data.append({**line, "name": f"{look.escape(name)}: {days}", "line": {**line["line"], "width": 2.2}})
        now_day = (known[-1] + 0.5) * timeline["bin_s"] / 86400
        if life_days is not None and life_days > now_day:
            data.append(_forecast(timeline, name, index, now_day, charge[known[-1]], life_days))
            last_day = max(last_day, min(life_days, FORECAST_DAYS_MAX))
    return {"data": data, "layout": _battery_layout(timeline, span_days, last_day)} if data else None


def _battery_layout(timeline: dict, span_days: float, last_day: float) -> dict:
    """Axes up to the last day that is shown, and a mark where the rehearsal ends and the forecast begins."""
    end_ms = look.at_ms(timeline, last_day * 86400 * 1.03)
    layout = look.base(360 + look.legend_px(timeline["nodes"]))
    layout["xaxis"] = look.axis("time (UTC)", type="date", range=[look.at_ms(timeline, 0), end_ms])
    layout["yaxis"] = look.axis("% of charge", range=[0, 104])
    end = look.at_ms(timeline, span_days * 86400)
    layout["shapes"] = [{"type": "line", "x0": end, "x1": end, "yref": "paper", "y0": 0, "y1": 1, "layer": "below"}]
    layout["shapes"][0]["line"] = {"color": look.MUTED, "width": 1, "dash": "dot"}
    right = last_day < 1.5 * span_days
    anchor = {"xref": "x", "yanchor": "top", "xanchor": "right" if right else "left", "xshift": -4 if right else 4}
    layout["annotations"] = [look.note("rehearsed until here", end, 1, **anchor)]
    return layout


def _forecast(timeline: dict, name: str, index: int, now_day: float, charge: float, life_days: float) -> dict:
    return {
        **look.line(timeline, name, index, "y", [charge, 0], ""),
        "x": [look.at_ms(timeline, day * 86400) for day in (now_day, life_days)],
        "mode": "lines+markers",
        "line": {"width": 1.2, "color": look.of_node(index)["color"], "dash": "dot"},
        "marker": {"symbol": ["line-ns", "diamond"], "size": 9},
        "cliponaxis": False,
        "hovertemplate": "<b>%{fullData.name}</b><br>forecast: spent %{x|%d %b %Y}<extra></extra>",
    }
