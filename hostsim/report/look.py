"""The palette of the report, and the parts that all of its figures are made of: plain dictionaries for Plotly.

Law: no colour is the only carrier of a meaning; a dash, a pattern, a mark or a word carries it too.
"""

import math
from html import escape as _escape_html

INK, MUTED, RULE, PANEL = "#232a3b", "#626b7d", "#e4ddcf", "#fffdf9"
NODE_COLOURS = ("#2f4779", "#b9701b", "#3f7d58", "#8a4a78", "#27818c", "#7a5236", "#5c6b2f", "#a3474b")
NODE_DASHES = ("solid", "dash", "dot", "dashdot", "longdash", "longdashdot")
TOP_PX, BOTTOM_PX = 62, 48


def escape(words: str) -> str:
    """Words in which Plotly sees no mark-up; it knows no `&quot;`, so quotes stay."""
    return _escape_html(str(words), quote=False)


def rounded(values, digits: int = 1) -> list:
    """The values with so many decimals; None for whatever is not a finite number, as JSON has no other."""
    return [None if v is None or not math.isfinite(v) else round(v, digits) for v in values or []]


def base(height_px: int, **more) -> dict:
    """The layout that every figure starts from; `more` adds to it."""
    return {
        "height": height_px,
        "margin": {"l": 46, "r": 14, "t": TOP_PX, "b": BOTTOM_PX},
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": PANEL,
        "font": {"family": "system-ui, 'Segoe UI', 'DejaVu Sans', sans-serif", "size": 12, "color": INK},
        "hovermode": "closest",
        "uniformtext": {"mode": "hide", "minsize": 9},
        "hoverlabel": {"bgcolor": "#ffffff", "bordercolor": RULE, "font": {"color": INK}, "align": "left"},
        "legend": {"orientation": "h", "x": 0, "y": 1, "yref": "container", "yanchor": "top", "tracegroupgap": 0},
        **more,
    }


def legend_px(nodes) -> int:
    """Room for a legend that, on a phone, takes a line for each node."""
    return 17 * max(0, len(nodes) - 3)


def axis(title: str = "", **more) -> dict:
    """One axis; its title is the unit of what is read on it."""
    return {
        "title": {"text": title, "standoff": 6, "font": {"size": 11, "color": MUTED}},
        "gridcolor": RULE,
        "linecolor": "#b9b1a1",
        "zeroline": False,
        "automargin": True,
        "tickfont": {"size": 11},
        **more,
    }


def note(text: str, x, y, **more) -> dict:
    """A text at a place of the drawing, from 0 to 1 each way, unless `more` names an axis to measure it on."""
    place = {"xref": "paper", "yref": "paper", "xanchor": "left", "yanchor": "bottom", "showarrow": False}
    return {"text": text, "x": x, "y": y, "align": "left", "font": {"size": 12, "color": INK}, **place, **more}


def at_ms(timeline: dict, offset_s: float) -> int:
    """A moment of the rehearsal as Plotly wants it: ms since 1970."""
    return round((timeline["start_epoch_s"] + offset_s) * 1000)


def middle_ms(timeline: dict, index: int) -> int:
    """The middle of a bin, in ms since 1970."""
    return at_ms(timeline, (index + 0.5) * timeline["bin_s"])


def of_node(index: int) -> dict:
    """Colour and dash of the node that stands at that place."""
    return {"color": NODE_COLOURS[index % len(NODE_COLOURS)], "dash": NODE_DASHES[index % len(NODE_DASHES)]}


def line(timeline: dict, name: str, index: int, axis: str, values: list, shown: str, **more) -> dict:
    """A node's series, one value a bin; `shown` tells a value when it is pointed at."""
    return {
        "type": "scatter",
        # a line of few points needs marks to be seen at all
        "mode": "lines" if len(values) > 40 else "lines+markers",
        "x0": middle_ms(timeline, 0),
        "dx": timeline["bin_s"] * 1000,
        "y": values,
        "yaxis": axis,
        "name": escape(name),
        "legendgroup": name,
        "showlegend": False,
        "line": {"width": 1.6, **of_node(index)},
        "hovertemplate": f"<b>%{{fullData.name}}</b><br>%{{x|%d %b %Y}}: {shown}<extra></extra>",
        **more,
    }


def stack_bars(name: str, x: list, y: list, paint: tuple, shown: str) -> dict:
    """One layer of stacked horizontal bars, in its (colour, hatching)."""
    return {
        "type": "bar",
        "orientation": "h",
        "x": x,
        "y": y,
        "width": 0.7,
        "name": name,
        "legendgroup": name,
        "marker": {
            "color": paint[0],
            "pattern": hatching(paint[1], 6),
            "line": {"width": 0.6, "color": "#ffffff"},
        },
        "textposition": "inside",
        "insidetextanchor": "middle",
        "textangle": 0,
        "hovertemplate": shown + "<extra></extra>",
    }


def hatching(shape: str, size_px: int) -> dict:
    """White lines over a colour, as Plotly names their shapes; '' is none."""
    return {"shape": shape, "fillmode": "overlay", "fgcolor": "#ffffff", "fgopacity": 0.45, "size": size_px}
