"""Which numbers of a ring are not in the store. Law: the table `missing` is what 1 to the newest seq leaves out.

It is kept in the transaction that stores, so that `have` costs nothing in a ring of a million readings.
"""

from sqlalchemy import and_, delete, insert, select

from deploy.store_schema import gone, missing
from deploy.store_spans import spans, without

HAVE_INTERVALS_MAX = 8
# of one ring at a time; a node asked for the oldest of them comes to the others later
LOOKED_AT_MAX = 256


def stored(connection, ring_id: int, last: int, seqs: list[int]) -> int:
    """Note that these new numbers (sorted, not empty) came to a ring whose newest one was `last`; the newest now."""
    late = [seq for seq in seqs if seq < last]
    new = [seq for seq in seqs if seq > last]
    if late:
        _fill(connection, ring_id, spans(late))
    if not new:
        return last
    begun = without((last + 1, new[-1]), spans(new))
    if begun:
        connection.execute(insert(missing), [_row(ring_id, interval) for interval in begun])
    return new[-1]


def _fill(connection, ring_id: int, filled: list[tuple[int, int]]) -> None:
    touched = and_(missing.c.ring_id == ring_id, missing.c.first <= filled[-1][1], missing.c.last >= filled[0][0])
    for first, last in connection.execute(select(missing.c.first, missing.c.last).where(touched)).all():
        left = without((first, last), filled)
        if left == [(first, last)]:
            continue
        connection.execute(delete(missing).where(missing.c.ring_id == ring_id, missing.c.first == first))
        if left:
            connection.execute(insert(missing), [_row(ring_id, interval) for interval in left])


def _row(ring_id: int, interval: tuple[int, int]) -> dict:
    return {"ring_id": ring_id, "first": interval[0], "last": interval[1]}


def note_gone(connection, ring_id: int, intervals: list[tuple[int, int]]) -> None:
    """Keep what a node says that it has no more, neighbours joined; only what is missing is of interest."""
    for first, last in intervals:
        near = and_(gone.c.ring_id == ring_id, gone.c.first <= last + 1, gone.c.last >= first - 1)
        if connection.execute(select(missing.c.first).where(_over(ring_id, first, last)).limit(1)).first() is None:
            continue
        for begin, end in connection.execute(select(gone.c.first, gone.c.last).where(near)).all():
            first, last = min(first, begin), max(last, end)
        connection.execute(delete(gone).where(near))
        connection.execute(insert(gone), [_row(ring_id, (first, last))])


def _over(ring_id: int, first: int, last: int):
    return and_(missing.c.ring_id == ring_id, missing.c.first <= last, missing.c.last >= first)


def to_ask_for(connection, ring_id: int, oldest: int) -> list[tuple[int, int]]:
    """The oldest missing intervals that the node may still have, HAVE_INTERVALS_MAX at most.

    oldest: the first number that it still has, as far as it has said.
    """
    lacking = connection.execute(
        select(missing.c.first, missing.c.last)
        .where(missing.c.ring_id == ring_id, missing.c.last >= oldest)
        .where(
            ~select(gone.c.first)
            .where(gone.c.ring_id == ring_id, gone.c.first <= missing.c.first, gone.c.last >= missing.c.last)
            .exists()
        )
        .order_by(missing.c.first)
        .limit(LOOKED_AT_MAX)
    ).all()
    if not lacking:
        return []
    given_up = connection.execute(
        select(gone.c.first, gone.c.last)
        .where(gone.c.ring_id == ring_id, gone.c.last >= lacking[0][0], gone.c.first <= lacking[-1][1])
        .order_by(gone.c.first)
    ).all()
    found = []
    for first, last in lacking:
        found += without((max(first, oldest), last), [tuple(row) for row in given_up])
    return found[:HAVE_INTERVALS_MAX]
