"""What a store holds of each node. Law: counted from the readings themselves, not from what the collector noted.

missing: numbers below the newest one that are not there, so each is certain. late: came long after it was taken.
doubtful: of unknown time, or of a time that is less sure than wanted. repeats: deliveries of what was there already.
twice: one reading under two names; there should be none.
"""

from sqlalchemy import and_, case, func, or_, select

from deploy import store_aside
from deploy.export import utc
from deploy.store_schema import deployments, gone, nodes, reading_values, readings, rings
from deploy.store_time import BRACKET

INTERVALS_MAX = 10_000
TWICE_MAX = 1000
SCHEMA = 1


def facts(connection, late_s: int, doubt_s: int, now_s: int) -> dict:
    """All that the audit says, ready for JSON: rings, deployments, rejected. Times are ISO 8601 in UTC or None."""
    return {
        "schema": SCHEMA,
        "at": utc(now_s),
        "late_s": late_s,
        "doubt_s": doubt_s,
        "rings": [_ring(connection, row, now_s) for row in _counted(connection, late_s, doubt_s)],
        "deployments": [_deployment(connection, row) for row in connection.execute(_registered())],
        "rejected": store_aside.count(connection),
    }


def _counted(connection, late_s: int, doubt_s: int):
    def how_many(condition):
        return func.sum(case((condition, 1), else_=0))

    time_s, sure_s = readings.c.time_s, readings.c.uncertainty_s
    late = and_(time_s.isnot(None), readings.c.source == "air", readings.c.received_s - time_s > late_s)
    doubtful = or_(time_s.is_(None), sure_s > doubt_s, readings.c.time_from == BRACKET)
    query = (
        select(
            rings,
            nodes.c.name.label("node"),
            nodes.c.eui,
            func.count(readings.c.seq).label("present"),
            func.count(readings.c.seq.distinct()).label("numbers"),
            func.max(readings.c.seq).label("newest"),
            how_many(late).label("late"),
            how_many(doubtful).label("doubtful"),
            how_many(readings.c.source == "card").label("from_card"),
            func.min(time_s).label("from_s"),
            func.max(time_s).label("to_s"),
            func.max(readings.c.received_s).label("received_s"),
        )
        .join(nodes, nodes.c.id == rings.c.node_id)
        .join(readings, readings.c.ring_id == rings.c.id)
        .group_by(rings.c.id, nodes.c.id)
        .order_by(nodes.c.name, nodes.c.eui, rings.c.id)
    )
    return connection.execute(query).all()


def _ring(connection, row, now_s: int) -> dict:
    intervals = missing_intervals(connection, row.id)
    place = connection.execute(
        select(deployments.c.place)
        .where(deployments.c.eui == row.eui, deployments.c.from_s <= (row.to_s or now_s))
        .order_by(deployments.c.from_s.desc())
        .limit(1)
    ).scalar()
    return {
        "node": row.node,
        "eui": row.eui,
        "ring": row.ring,
        "place": place,
        "on_card": bool(row.on_card),
        "present": row.present,
        "newest": row.newest,
        "missing": row.newest - row.numbers,
        "missing_intervals": [list(pair) for pair in intervals],
        "given_up": _given_up(connection, row.id, intervals),
        "late": row.late,
        "repeats": row.repeats,
        "twice": (row.present - row.numbers) + _twice(connection, row),
        "doubtful": row.doubtful,
        "from_card": row.from_card,
        "from": utc(row.from_s) if row.from_s is not None else None,
        "to": utc(row.to_s) if row.to_s is not None else None,
        "received": utc(row.received_s),
    }


def missing_intervals(connection, ring_id: int) -> list[tuple[int, int]]:
    """Inclusive intervals of the numbers from 1 to the newest that no reading has, the oldest INTERVALS_MAX."""
    following = func.lag(readings.c.seq, 1, 0).over(order_by=readings.c.seq)
    pairs = select(readings.c.seq, following.label("before")).where(readings.c.ring_id == ring_id).subquery()
    query = (
        select(pairs.c.before + 1, pairs.c.seq - 1)
        .where(pairs.c.seq > pairs.c.before + 1)
        .order_by(pairs.c.seq)
        .limit(INTERVALS_MAX)
    )
    return [tuple(row) for row in connection.execute(query)]


def _given_up(connection, ring_id: int, intervals: list[tuple[int, int]]) -> int:
    """How many of the missing ones the node has said that it has no more."""
    oldest = connection.execute(select(rings.c.oldest).where(rings.c.id == ring_id)).scalar() or 1
    said = connection.execute(select(gone.c.first, gone.c.last).where(gone.c.ring_id == ring_id)).all()
    said = [(1, oldest - 1), *[(max(first, oldest), last) for first, last in said]]
    return sum(max(0, min(last, end) - max(first, begin) + 1) for first, last in intervals for begin, end in said)


def _twice(connection, row) -> int:
    """Readings of this ring that another ring of the chip has too: the same second, and the same values."""
    one, other = readings.alias(), readings.alias()
    rest = rings.alias()
    query = (
        select(one.c.seq, other.c.ring_id, other.c.seq)
        .join(other, and_(other.c.time_s == one.c.time_s, other.c.ring_id < one.c.ring_id))
        .join(rest, and_(rest.c.id == other.c.ring_id, rest.c.node_id == row.node_id))
        .where(one.c.ring_id == row.id)
        .limit(TWICE_MAX)
    )
    several = select(func.count()).select_from(rings).where(rings.c.node_id == row.node_id)
    if connection.execute(several).scalar_one() < 2:
        return 0
    return sum(
        _content(connection, row.id, seq) == _content(connection, ring_id, other_seq)
        for seq, ring_id, other_seq in connection.execute(query).all()
    )


def _content(connection, ring_id: int, seq: int) -> set:
    columns = (reading_values.c.channel_id, reading_values.c.digits, reading_values.c.exponent)
    query = select(*columns).where(reading_values.c.ring_id == ring_id, reading_values.c.seq == seq)
    return {tuple(row) for row in connection.execute(query)}


def _registered():
    return select(deployments).order_by(deployments.c.place, deployments.c.from_s, deployments.c.eui)


def _deployment(connection, row) -> dict:
    there = [nodes.c.eui == row.eui, readings.c.time_s >= row.from_s]
    if row.to_s is not None:
        there.append(readings.c.time_s < row.to_s)
    count, first_s, last_s = connection.execute(
        select(func.count(), func.min(readings.c.time_s), func.max(readings.c.time_s))
        .select_from(readings)
        .join(rings, rings.c.id == readings.c.ring_id)
        .join(nodes, nodes.c.id == rings.c.node_id)
        .where(*there)
    ).one()
    return {
        "place": row.place,
        "eui": row.eui,
        "from": utc(row.from_s),
        "to": utc(row.to_s) if row.to_s is not None else None,
        "present": count,
        "first": utc(first_s) if first_s is not None else None,
        "last": utc(last_s) if last_s is not None else None,
    }
