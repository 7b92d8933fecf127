"""The audit's figures, as plain dictionaries for Plotly. Law: what is missing is drawn as plainly as what is there.

One figure for each channel, with a line for each ring and one time axis for all; where readings are missing a band in
the line's colour says how many.
"""

from deploy import audit_series
from hostsim.report import look

HEIGHT_PX = 220
INTERVALS_MAX = 200
RINGS_MAX = 40


def figures(found: dict, connection) -> dict[str, dict]:
    """{id: figure} by channel, in the order in which they were met; before them "presence", which shows the gaps."""
    numbers = audit_series.ring_ids(connection)
    shown = found["rings"][:RINGS_MAX]
    ids = [numbers[ring["eui"], ring["ring"]] for ring in shown]
    span = audit_series.span_s(connection, ids) if ids else None
    if span is None:
        return {}
    drawn: dict[str, dict] = {"presence": _presence(shown, ids, connection, span)}
    steps = [audit_series.usual_step_s(connection, ring_id) for ring_id in ids]
    for index, (ring, ring_id) in enumerate(zip(shown, ids, strict=True)):
        for channel_id, name, unit in audit_series.channels_of(connection, ring_id):
            key = f"{name} [{unit}]" if unit else name
            figure = drawn.setdefault(key, _empty(key, span))
            points = audit_series.line(connection, ring_id, channel_id, steps[index])
            figure["data"].append(_line(ring, index, points, unit))
    return drawn


def _empty(heading: str, span: tuple[int, int]) -> dict:
    layout = look.base(HEIGHT_PX)
    layout["xaxis"] = look.axis("", type="date", range=[at_s * 1000 for at_s in span])
    unit = heading.partition(" [")[2].rstrip("]")
    layout["yaxis"] = look.axis(look.escape({"Cel": "°C"}.get(unit, unit)), nticks=5)
    layout["margin"] |= {"t": 34, "b": 34}
    return {"data": [], "layout": layout}


def name_of(ring: dict) -> str:
    """What a ring is called: by its place, else its node."""
    return ring["place"] or ring["node"]


def _line(ring: dict, index: int, points: list, unit: str) -> dict:
    colour = look.NODE_COLOURS[index % len(look.NODE_COLOURS)]
    dash = look.NODE_DASHES[index // len(look.NODE_COLOURS) % len(look.NODE_DASHES)]
    name = look.escape(name_of(ring))
    return {
        "type": "scatter",
        "mode": "lines",
        "name": name,
        "x": [at_s * 1000 for at_s, _ in points],
        "y": [value for _, value in points],
        "connectgaps": False,
        "line": {"color": colour, "width": 1.4, "dash": dash},
        "hovertemplate": f"<b>{name}</b><br>%{{x|%d %b %Y, %H:%M}}: %{{y}} {look.escape(unit)}<extra></extra>",
        "showlegend": True,
    }


def _presence(shown: list[dict], ids: list[int], connection, span: tuple[int, int]) -> dict:
    """A bar for each ring: what is there, and in it what is missing."""
    layout = look.base(70 + 30 * len(shown), barmode="overlay", bargap=0.35)
    layout["margin"] |= {"t": 8, "b": 34}
    layout["xaxis"] = look.axis("", type="date", range=[at_s * 1000 for at_s in span])
    labels = [f"{look.escape(name_of(ring))} · {ring['ring'][:4]}" for ring in shown]
    layout["yaxis"] = look.axis("", categoryorder="array", categoryarray=labels[::-1], type="category")
    layout["showlegend"] = False
    data = []
    for index, (ring, ring_id, label) in enumerate(zip(shown, ids, labels, strict=True)):
        own = audit_series.span_s(connection, [ring_id])
        if own is None:
            continue
        colour = look.NODE_COLOURS[index % len(look.NODE_COLOURS)]
        words = f"{ring['present']:,} readings, {ring['missing']:,} missing"
        data.append(_bar(label, [own], colour, [f"<b>{label}</b><br>{words}"], ""))
        intervals = ring["missing_intervals"][:INTERVALS_MAX]
        gaps, told = [], []
        for first, last in intervals:
            for begin_s, end_s in audit_series.times_around(connection, ring_id, [[first, last]]):
                gaps.append((begin_s, end_s))
                told.append(f"<b>{label}</b><br>missing: {_numbers(first, last)}")
        if gaps:
            data.append(_bar(label, gaps, look.PANEL, told, "/"))
    return {"data": data, "layout": layout}


def _numbers(first: int, last: int) -> str:
    return f"{first:,}" if first == last else f"{first:,} to {last:,}"


def _bar(label: str, stretches: list[tuple[int, int]], colour: str, told: list[str], pattern: str) -> dict:
    ink = "#a32c21" if pattern else colour
    return {
        "type": "bar",
        "orientation": "h",
        "y": [label] * len(stretches),
        "base": [begin_s * 1000 for begin_s, _ in stretches],
        "x": [max(1, end_s - begin_s) * 1000 for begin_s, end_s in stretches],
        "text": told,
        "textposition": "none",
        "hovertemplate": "%{text}<extra></extra>",
        "marker": {
            "color": colour,
            "line": {"width": 1, "color": ink},
            "pattern": {"shape": pattern, "fgcolor": ink, "bgcolor": colour, "size": 6, "fillmode": "replace"},
        },
    }
