"""The store's readings as rows. Law: they come by chip, ring and seq, and memory does not grow with them."""

from collections.abc import Iterator

from sqlalchemy import and_, or_, select

from deploy.export import Row
from deploy.store_schema import channels, deployments, nodes, reading_values, readings, rings

FETCH = 5000


def channel_list(connection) -> list[tuple[str, str]]:
    """All (channel, unit) that have numbers, in the order in which they were met."""
    used = select(reading_values.c.channel_id).where(
        reading_values.c.channel_id == channels.c.id, reading_values.c.digits.isnot(None)
    )
    # a sensor that never gave a number has flags only
    query = select(channels.c.name, channels.c.unit).where(used.exists()).order_by(channels.c.id)
    return [(row.name, row.unit) for row in connection.execute(query)]


def rows(connection) -> Iterator[Row]:
    """Every reading with its values."""
    stands_there = and_(
        deployments.c.eui == nodes.c.eui,
        deployments.c.from_s <= readings.c.time_s,
        or_(deployments.c.to_s.is_(None), readings.c.time_s < deployments.c.to_s),
    )
    heads = (
        select(readings, nodes.c.name.label("node"), nodes.c.eui, rings.c.ring, deployments.c.place)
        .join(rings, rings.c.id == readings.c.ring_id)
        .join(nodes, nodes.c.id == rings.c.node_id)
        .outerjoin(deployments, stands_there)
    )
    names = {row.id: (row.name, row.unit) for row in connection.execute(select(channels))}
    order = connection.execute(
        select(rings.c.id).join(nodes, nodes.c.id == rings.c.node_id).order_by(nodes.c.eui, rings.c.ring)
    )
    for (ring_id,) in order.all():
        newest = 0
        while True:
            some = connection.execute(
                heads.where(readings.c.ring_id == ring_id, readings.c.seq > newest)
                .order_by(readings.c.seq)
                .limit(FETCH)
            ).all()
            if not some:
                break
            values = _values(connection, ring_id, some[0].seq, some[-1].seq, names)
            for row in some:
                yield Row(
                    *(row.time_s, row.node, row.place, row.eui, row.ring, row.seq, row.uncertainty_s, row.flags),
                    values.get(row.seq, {}),
                )
            newest = some[-1].seq


def _values(connection, ring_id: int, first: int, last: int, names: dict) -> dict[int, dict]:
    found: dict[int, dict] = {}
    query = select(reading_values).where(
        reading_values.c.ring_id == ring_id, reading_values.c.seq.between(first, last)
    )
    for row in connection.execute(query):
        found.setdefault(row.seq, {})[names[row.channel_id]] = (row.digits, row.exponent, row.flags)
    return found
