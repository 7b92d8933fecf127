"""Draws docs/cycle.svg and writes docs/cycle.md. Law: both say what cycle.TABLE says, and nothing that it does not.

python docs/make_cycle.py           writes both
python docs/make_cycle.py --check   exits with 1 when one on disk is another one
"""

import sys
from html import escape
from pathlib import Path

from torpor.cycle import CYCLE_MS_MAX, SLEEP, STATES, STEPS_MAX, TABLE

HERE = Path(__file__).resolve().parent
PICTURE = HERE / "cycle.svg"
PAGE = HERE / "cycle.md"

# geometry, in px
BOX_WIDTH, BOX_HEIGHT, ROW = 120, 96, 140
TOP, BOX_LEFT, SLEEP_LEFT, WIDTH = 20, 250, 620, 720
LANE_FIRST, LANE_STEP = 96, 24

MEANINGS = {
    ("WAKE", "due"): "the timer woke it for a slot that is not stored yet",
    ("WAKE", "not due"): "it woke early, or the slot is stored already",
    ("WAKE", "person"): "power-on, reset pin, or the button",
    ("WAKE", "resume"): "the watchdog ended a join that hung; this slot is stored, so the next network is tried",
    ("WAKE", "back off"): "after a brown-out, a panic, or too many resets in a row",
    ("WAKE", "weak"): "the battery is below the second threshold: no card write, only sleep",
    ("SERVICE", "due"): "the window for a person is over; there is something to sample",
    ("SERVICE", "stored"): "the window is over and this slot is stored: deliver what waits",
    ("SERVICE", "weak"): "the same, with a battery that is too weak for the radio",
    ("SAMPLE", "read"): "every sensor has been asked once, whatever came of it",
    ("STORE", "transmit"): "the reading is safe, and a session is due or a person waits for one",
    ("STORE", "done"): "the reading is safe, and nothing more is due",
    ("JOIN", "time needed"): "joined; the time is unknown or due",
    ("JOIN", "joined"): "joined; the time is good",
    ("JOIN", "next"): "this network could not be joined",
    ("JOIN", "used up"): "no network is left, or no time for one",
    ("SYNC", "done"): "the clock is set, or the session can do without",
    ("SYNC", "no time"): "a certificate cannot be checked without the time: try the next network",
    ("SEND", "accepted"): "the broker has taken what was to be sent in this session",
    ("SEND", "refused"): "the broker answered, and the session failed all the same",
    ("SEND", "unreached"): "the broker did not answer over this network: try the next",
}

INTRODUCTION = """# The cycle of a wake

Written by docs/make_cycle.py from the table in firmware/torpor/cycle.py; edit that table, not this page.

Every wake begins in WAKE with nothing but the card, retained memory, on-chip memory and the clock, and ends in
SLEEP. Each state is one function that returns an outcome; the table alone says what comes next.
The radio comes on in JOIN, which only SERVICE and a reset by the watchdog reach without storing a reading first.

![The states of a wake and the ways between them](cycle.svg)

| state | outcome | next | when |
|---|---|---|---|
"""

END = """
A clock that does not take the time it is given costs no session: what is due goes out, and the next session comes as
soon as after one that failed.

Whatever is raised in a state is counted under its name in the health message and leads to SLEEP. So does a wake of
more than {steps} steps. JOIN and SEND together get what is left of {seconds} s, counted from the beginning of the
wake, the service window not included. Only what is not an `Exception` passes through: the sleep itself, and a reset.
"""


def page():
    """docs/cycle.md as text."""
    lines = []
    for (state, outcome), to in TABLE.items():
        lines.append(f"| {state} | {outcome} | {to} | {MEANINGS[state, outcome]} |")
    return INTRODUCTION + "\n".join(lines) + "\n" + END.format(steps=STEPS_MAX, seconds=CYCLE_MS_MAX // 1000)


def ways():
    """{(from, to): outcomes} in the table's order."""
    found = {}
    for (state, outcome), to in TABLE.items():
        found.setdefault((state, to), []).append(outcome)
    return found


def picture():
    """docs/cycle.svg as text: the states in a column, SLEEP beside them, the other ways in lanes on the left."""
    rows = {state: TOP + ROW * index for index, state in enumerate(STATES) if state != SLEEP}
    height = TOP + ROW * (len(rows) - 1) + BOX_HEIGHT + 20
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" width="{WIDTH}" height="{height}"'
        ' font-family="sans-serif" font-size="12">',
        "<title>The states of a wake and the ways between them</title>",
        '<defs><marker id="tip" viewBox="0 0 8 8" refX="8" refY="4" markerWidth="8" markerHeight="8" orient="auto">'
        '<path d="M0 0 8 4 0 8z" fill="#334"/></marker></defs>',
        f'<rect width="{WIDTH}" height="{height}" fill="#fff"/>',
    ]
    lanes = []
    order = list(rows)
    for (state, to), outcomes in ways().items():
        label = ", ".join(outcomes)
        if to == SLEEP:
            y = rows[state] + BOX_HEIGHT // 2
            parts.append(_line(f"M{BOX_LEFT + BOX_WIDTH} {y}H{SLEEP_LEFT}"))
            parts.append(_text(BOX_LEFT + BOX_WIDTH + 8, y - 6, label))
        elif order.index(to) == order.index(state) + 1:
            x = BOX_LEFT + BOX_WIDTH // 2
            parts.append(_line(f"M{x} {rows[state] + BOX_HEIGHT}V{rows[to]}"))
            parts.append(_text(x + 8, rows[state] + BOX_HEIGHT + (ROW - BOX_HEIGHT) // 2 + 4, label))
        else:
            lanes.append((abs(order.index(to) - order.index(state)), state, to, label))
    parts += _lanes(sorted(lanes), rows)
    parts += [_box(BOX_LEFT, y, BOX_WIDTH, BOX_HEIGHT, state) for state, y in rows.items()]
    parts.append(_box(SLEEP_LEFT, TOP, WIDTH - SLEEP_LEFT - 20, height - 40, SLEEP))
    return "\n".join([*parts, "</svg>", ""])


def _lanes(lanes, rows):
    """Ways that go past a state or back: each in a lane of its own, each end at a height of its own."""
    ends = {}
    for _, state, to, _ in lanes:
        ends.setdefault(state, []).append(None)
        ends.setdefault(to, []).append(None)
    taken = dict.fromkeys(ends, 0)

    def height(state):
        taken[state] += 1
        return rows[state] + BOX_HEIGHT * taken[state] // (len(ends[state]) + 1)

    parts = []
    for number, (_, state, to, label) in enumerate(lanes):
        x = BOX_LEFT - LANE_FIRST - LANE_STEP * number
        start, end = height(state), height(to)
        parts.append(_line(f"M{BOX_LEFT} {start}H{x}V{end}H{BOX_LEFT}"))
        parts.append(_text(BOX_LEFT - 10, start - 3, label, "end"))
    return parts


def _line(path):
    return f'<path d="{path}" fill="none" stroke="#334" marker-end="url(#tip)"/>'


def _text(x, y, text, anchor="start"):
    # the white edge keeps a label readable where a line passes behind it
    edge = 'stroke="#fff" stroke-width="3" paint-order="stroke"'
    return f'<text x="{x}" y="{y}" text-anchor="{anchor}" fill="#334" {edge}>{escape(text)}</text>'


def _box(left, top, width, height, text):
    middle = f'x="{left + width // 2}" y="{top + height // 2 + 5}"'
    return (
        f'<rect x="{left}" y="{top}" width="{width}" height="{height}" rx="8" fill="#eef4ee" stroke="#334"/>'
        f'<text {middle} text-anchor="middle" font-size="14" font-weight="bold" fill="#223">{text}</text>'
    )


def main(arguments):
    wanted = {PICTURE: picture(), PAGE: page()}
    if arguments == ["--check"]:
        stale = [path.name for path in wanted if not path.exists() or path.read_text() != wanted[path]]
        if stale:
            print(f"out of date: {', '.join(stale)}; run python docs/make_cycle.py")
        return 1 if stale else 0
    for path, text in wanted.items():
        path.write_text(text)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
