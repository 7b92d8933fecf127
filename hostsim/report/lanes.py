"""The lanes of the course: what was out of order or out of reach, as bars with their count and sum in words.

Law: however few bars are drawn, the words of a lane tell each window and no time twice.
"""

from . import look
from .words import duration, number

PRESENT_KINDS = ("present", "in reach", "up")  # windows in which something is there; all other kinds are outages
WINDOW_PAINTS = (("#ae3327", ""), ("#c7812c", "/"), ("#86658f", "x"), ("#94704f", "\\"), ("#5c6b7f", "."))
PRESENT_PAINT = ("#6f9f84", "")
BARS_MAX = 1500  # in a lane: more could not be told apart on a screen
_BAR_PX, _TEXT_MAX = 14, 44


def of_windows(timeline: dict) -> list[dict]:
    """The lanes in the order in which they are first met: name, windows by kind, text lines, height."""
    span_s, found, kinds = timeline["bins"] * timeline["bin_s"], {}, []
    for window in timeline.get("windows") or []:
        if window["from_s"] >= span_s or window["to_s"] <= 0:
            continue  # planned, but not within what was rehearsed
        found.setdefault(window["lane"], {}).setdefault(window["kind"], []).append(window)
        if window["kind"] not in (*PRESENT_KINDS, *kinds):
            kinds.append(window["kind"])
    paints = {kind: WINDOW_PAINTS[i % len(WINDOW_PAINTS)] for i, kind in enumerate(kinds)}
    drawn = []
    for name, by_kind in found.items():
        bars = {kind: (paints.get(kind, PRESENT_PAINT), _inside(by_kind[kind], span_s)) for kind in by_kind}
        text = _text(name, bars)
        drawn.append({"name": name, "bars": bars, "text": text, "height_px": _BAR_PX + 15 * len(text) + 9})
    return drawn


def _text(name: str, bars: dict) -> list[str]:
    """The name, then each kind with its count and sum, in lines short enough for a phone."""
    lines, used = [look.escape(name)], len(name)
    for kind, (paint, windows) in bars.items():
        words = f"{kind} {number(len(windows))} ×, {duration(_covered_s(windows))}"
        if len(windows) > BARS_MAX:
            words += " (neighbours drawn as one)"
        part = f"<span style='color:{paint[0]}'>■</span> {look.escape(words)}"
        if used + len(words) > _TEXT_MAX:
            lines, used = [*lines, part], len(words)
        else:
            lines[-1], used = f"{lines[-1]}  {part}", used + len(words) + 4
    return lines


def draw(layout: dict, axis: str, lanes: list[dict], timeline: dict) -> list[dict]:
    """The bars of all lanes; their words, and the scale of their panel, go into `layout`."""
    total_px = sum(lane["height_px"] for lane in lanes)  # this panel's axis counts pixels from its top
    layout["yaxis" + axis[1:]] |= {"range": [total_px, 0], "showticklabels": False, "showgrid": False}
    layout["barmode"] = "overlay"
    data, top_px = [], 0
    span_s = timeline["bins"] * timeline["bin_s"]
    for lane in lanes:
        text_px = 15 * len(lane["text"])
        place = {"yref": axis, "yanchor": "top", "xshift": 2, "font": {"size": 11, "color": look.INK}}
        layout["annotations"].append(look.note("<br>".join(lane["text"]), 0, top_px, **place))
        middle_px = top_px + text_px + 4 + _BAR_PX / 2
        for kind, (paint, windows) in lane["bars"].items():
            bars = _thinned(windows, span_s)
            data.append(_bars(timeline, axis, middle_px, f"{lane['name']}: {kind}", paint, bars))
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
    if len(inside) <= BARS_MAX:
        return inside
    drawn = inside[:1]
    for from_s, to_s, node in inside[1:]:
        if from_s - drawn[-1][1] < span_s / BARS_MAX:
            drawn[-1] = (drawn[-1][0], max(to_s, drawn[-1][1]), drawn[-1][2])
        else:
            drawn.append((from_s, to_s, node))
    return drawn


def _bars(timeline: dict, axis: str, middle_px: float, name: str, paint: tuple, windows: list) -> dict:
    # an outline keeps a short window visible on a long axis, but would flood a lane that recurs every day
    outline_px = 1.5 if len(windows) < 100 else 0
    return {
        "type": "bar",
        "orientation": "h",
        "base": [look.at_ms(timeline, from_s) for from_s, _, _ in windows],
        "x": [round((to_s - from_s) * 1000) for from_s, to_s, _ in windows],
        "y": [middle_px] * len(windows),
        "width": _BAR_PX,
        "yaxis": axis,
        "marker": {
            "color": paint[0],
            "pattern": look.hatching(paint[1], 5),
            "line": {"width": outline_px, "color": paint[0]},
        },
        "showlegend": False,
        "customdata": [
            [duration(to_s - from_s), look.escape(f"for {node}") if node else ""] for from_s, to_s, node in windows
        ],
        "name": look.escape(name),
        "hovertemplate": "<b>%{fullData.name}</b> %{customdata[1]}<br>from %{base|%d %b %Y %H:%M}, "
        "%{customdata[0]}<extra></extra>",
    }
