"""Times of readings that came without one. Law: a time in the store only ever becomes more certain.

A reading of unknown time has its run, an unbroken stretch of the node's counter, and the second in it. One reading of
the run whose time becomes known, or a card's sector, says when the run began (an anchor), and that dates all of them.
Without an anchor the run lies between the last known time before it and the first after it: the middle, and half the
width as its uncertainty.
"""

from sqlalchemy import and_, func, or_, select, update

from deploy.store_names import insert_new
from deploy.store_schema import anchors, readings

STATED, RUN, BRACKET = "stated", "run", "bracket"


def agree(time_s: int, uncertainty_s: int, other_s: int, other_uncertainty_s: int) -> bool:
    """Whether both statements can be true of one moment."""
    return abs(time_s - other_s) <= uncertainty_s + other_uncertainty_s


def note_anchor(connection, ring_id: int, run: int, epoch_s: int, uncertainty_s: int) -> None:
    """Keep what is known best of a run's beginning, and date the run's readings by it."""
    row = {"ring_id": ring_id, "run": run, "epoch_s": epoch_s, "uncertainty_s": uncertainty_s}
    of_run = and_(anchors.c.ring_id == ring_id, anchors.c.run == run)
    connection.execute(insert_new(connection, anchors), [row])
    connection.execute(update(anchors).where(of_run, anchors.c.uncertainty_s > uncertainty_s).values(**row))
    best = connection.execute(select(anchors.c.epoch_s, anchors.c.uncertainty_s).where(of_run)).one()
    _date(connection, ring_id, run, best.epoch_s, best.uncertainty_s, RUN)


def _date(connection, ring_id: int, run: int, epoch_s: int, uncertainty_s: int, source: str) -> None:
    better = or_(readings.c.time_s.is_(None), readings.c.uncertainty_s > uncertainty_s)
    if source == RUN:
        # a bracket is a guess about all of the run; an anchor is what the node knows
        better = or_(better, readings.c.time_from == BRACKET)
    connection.execute(
        update(readings)
        .where(readings.c.ring_id == ring_id, readings.c.run == run, better)
        .where(or_(readings.c.time_from.is_(None), readings.c.time_from != STATED))
        .values(time_s=epoch_s + readings.c.run_s, uncertainty_s=uncertainty_s, time_from=source)
    )


def resolve(connection, ring_ids) -> None:
    """Date what can be dated of these rings, after new readings have come."""
    open_runs = connection.execute(
        select(readings.c.ring_id, readings.c.run)
        .where(readings.c.ring_id.in_(ring_ids), readings.c.run.isnot(None))
        .where(or_(readings.c.time_from.is_(None), readings.c.time_from == BRACKET))
        .distinct()
    ).all()
    for ring_id, run in open_runs:
        known = connection.execute(
            select(anchors.c.epoch_s, anchors.c.uncertainty_s)
            .where(anchors.c.ring_id == ring_id)
            .where(anchors.c.run == run)
        ).first()
        if known is not None:
            _date(connection, ring_id, run, known.epoch_s, known.uncertainty_s, RUN)
            continue
        bounds = _bracket(connection, ring_id, run)
        if bounds is not None:
            low_s, high_s = bounds
            _date(connection, ring_id, run, (low_s + high_s) // 2, (high_s - low_s + 1) // 2, BRACKET)


def _bracket(connection, ring_id: int, run: int) -> tuple[int, int] | None:
    """The earliest and the latest beginning that a run can have had; None when one side is open."""
    of_run = and_(readings.c.ring_id == ring_id, readings.c.run == run)
    first, last, first_s, last_s = connection.execute(
        select(
            func.min(readings.c.seq), func.max(readings.c.seq), func.min(readings.c.run_s), func.max(readings.c.run_s)
        ).where(of_run)
    ).one()
    columns = select(readings.c.time_s, readings.c.uncertainty_s).where(
        readings.c.ring_id == ring_id, readings.c.time_from.in_((STATED, RUN))
    )
    before = connection.execute(
        columns.where(readings.c.seq < first).order_by(readings.c.seq.desc()).limit(1)
    ).first()
    after = connection.execute(columns.where(readings.c.seq > last).order_by(readings.c.seq).limit(1)).first()
    if before is None or after is None:
        return None
    low_s = before.time_s - before.uncertainty_s - first_s
    high_s = after.time_s + after.uncertainty_s - last_s
    return (low_s, high_s) if low_s <= high_s else None
