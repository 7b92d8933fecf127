"""Readings as lines for a plot. Law: a gap stays a gap, and thinning keeps the lowest and highest of a stretch."""

from sqlalchemy import func, select

from deploy.store_schema import channels, reading_values, readings, rings

POINTS_MAX = 1500
FETCH = 20_000
# a line is broken where readings are further apart than so many times the usual distance
BREAK = 2.5


def usual_step_s(connection, ring_id: int) -> int:
    """The distance of two readings that follow each other, as the median of the newest ones; at least 1."""
    newest = connection.execute(
        select(readings.c.seq, readings.c.time_s)
        .where(readings.c.ring_id == ring_id, readings.c.time_s.isnot(None))
        .order_by(readings.c.seq.desc())
        .limit(500)
    ).all()
    steps = sorted(
        one.time_s - two.time_s for one, two in zip(newest, newest[1:], strict=False) if one.seq == two.seq + 1
    )
    return max(1, steps[len(steps) // 2]) if steps else 600


def channels_of(connection, ring_id: int) -> list[tuple[int, str, str]]:
    """(number, name, unit) of the channels of a ring that have numbers."""
    used = select(reading_values.c.seq).where(
        reading_values.c.ring_id == ring_id,
        reading_values.c.channel_id == channels.c.id,
        reading_values.c.digits.isnot(None),
    )
    query = select(channels.c.id, channels.c.name, channels.c.unit).where(used.exists()).order_by(channels.c.id)
    return [tuple(row) for row in connection.execute(query)]


def span_s(connection, eui_rings: list[int]) -> tuple[int, int] | None:
    """The first and the last known time of some rings."""
    first, last = connection.execute(
        select(func.min(readings.c.time_s), func.max(readings.c.time_s)).where(readings.c.ring_id.in_(eui_rings))
    ).one()
    return (first, last) if first is not None else None


def line(connection, ring_id: int, channel_id: int, step_s: int) -> list[tuple[int, float | None]]:
    """(epoch_s, value) in order of time, thinned to about POINTS_MAX; (epoch_s, None) breaks the line."""
    count = connection.execute(
        select(func.count())
        .select_from(reading_values)
        .where(reading_values.c.ring_id == ring_id, reading_values.c.channel_id == channel_id)
    ).scalar_one()
    each = max(1, -(-2 * count // POINTS_MAX))
    thin = _Thin(each, BREAK * step_s)
    newest = 0
    while True:
        some = connection.execute(
            select(readings.c.seq, readings.c.time_s, reading_values.c.digits, reading_values.c.exponent)
            .join(
                reading_values,
                (reading_values.c.ring_id == readings.c.ring_id) & (reading_values.c.seq == readings.c.seq),
            )
            .where(readings.c.ring_id == ring_id, readings.c.seq > newest, reading_values.c.channel_id == channel_id)
            .order_by(readings.c.seq)
            .limit(FETCH)
        ).all()
        if not some:
            return thin.finish()
        newest = some[-1].seq
        for row in some:
            if row.time_s is not None:
                thin.add(row.time_s, None if row.digits is None else float(f"{row.digits}e{row.exponent}"))


class _Thin:
    def __init__(self, each: int, gap_s: float):
        self._each = each
        self._gap_s = gap_s
        self._some: list[tuple[int, float]] = []
        self._points: list[tuple[int, float | None]] = []
        self._last_s: int | None = None

    def add(self, at_s: int, value: float | None) -> None:
        if value is None or self._last_s is not None and not 0 <= at_s - self._last_s <= self._gap_s:
            self._flush()
            if self._last_s is not None:
                self._points.append((self._last_s, None))
        self._last_s = at_s
        if value is None:
            return
        self._some.append((at_s, value))
        if len(self._some) >= self._each:
            self._flush()

    def _flush(self) -> None:
        if self._some:
            ends = {min(self._some, key=lambda point: point[1]), max(self._some, key=lambda point: point[1])}
            self._points += sorted(ends)
        self._some = []

    def finish(self) -> list[tuple[int, float | None]]:
        self._flush()
        return self._points


def times_around(connection, ring_id: int, intervals: list[list[int]]) -> list[tuple[int, int]]:
    """When missing readings were due: between the times of the readings before and after each interval."""
    found = []
    for first, last in intervals:
        around = [
            connection.execute(
                select(readings.c.time_s).where(readings.c.ring_id == ring_id, readings.c.seq == seq)
            ).scalar()
            for seq in (first - 1, last + 1)
        ]
        if None not in around:
            found.append((around[0], around[1]))
    return found


def ring_ids(connection) -> dict[tuple[str, str], int]:
    """{(eui, ring): number}."""
    from deploy.store_schema import nodes

    query = select(nodes.c.eui, rings.c.ring, rings.c.id).join(nodes, nodes.c.id == rings.c.node_id)
    return {(row.eui, row.ring): row.id for row in connection.execute(query)}
