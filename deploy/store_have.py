"""What a node is told of its readings here. Law: at most 512 bytes, and true of the store at the moment of its id.

docs/formats.md section 13. Besides the intervals that are missing it asks for one reading of a run whose readings
came without a time, once the node knows that run's time: that one dates the run.
"""

import json

from sqlalchemy import or_, select

from deploy import store_gaps, store_time
from deploy.store_schema import anchors, nodes, readings, rings

BYTES_MAX = 512


def payload(connection, node_name: str) -> bytes | None:
    """The message for the node of this name, None while it has no ring here.

    It is about one ring: the one on the card that was heard of last; another is of a card or a chip before it, or of
    memory alone, where nothing can be asked for again.
    """
    row = connection.execute(
        select(rings)
        .join(nodes, nodes.c.id == rings.c.node_id)
        .where(nodes.c.name == node_name)
        .order_by(rings.c.on_card.desc(), rings.c.heard_s.desc(), rings.c.id.desc())
        .limit(1)
    ).first()
    if row is None or not row.have_id:
        return None
    asked = store_gaps.to_ask_for(connection, row.id, row.oldest or 1)
    undated = _undated(connection, row.id, row.known_run)
    if undated is not None and not any(first <= undated <= last for first, last in asked):
        asked = sorted([*asked[: store_gaps.HAVE_INTERVALS_MAX - 1], (undated, undated)])
    body = {"id": row.have_id, "ring": row.ring, "last": row.last, "missing": [list(pair) for pair in asked]}
    data = json.dumps(body, separators=(",", ":")).encode()
    assert len(data) <= BYTES_MAX
    return data


def _undated(connection, ring_id: int, known_run: int | None) -> int | None:
    """A reading of the run whose time the node knows by now, and the store does not."""
    if known_run is None:
        return None
    anchored = select(anchors.c.run).where(anchors.c.ring_id == ring_id, anchors.c.run == known_run)
    return connection.execute(
        select(readings.c.seq)
        .where(readings.c.ring_id == ring_id, readings.c.run == known_run)
        .where(or_(readings.c.time_from.is_(None), readings.c.time_from == store_time.BRACKET))
        .where(~anchored.exists())
        .order_by(readings.c.seq)
        .limit(1)
    ).scalar()


def names_to_tell(connection) -> list[str]:
    """All node names: after a broker was restarted it may have forgotten what it was told."""
    return list(connection.execute(select(nodes.c.name).distinct().order_by(nodes.c.name)).scalars())
