"""Readings that come without a time, as the collector dates them. Law: it is the collector itself that does it."""

import tempfile
from pathlib import Path

from sqlalchemy import select

from deploy.collect_batch import Keeper
from deploy.store import open_store, reads
from deploy.store_schema import readings, rings

RECEIVED_S = 1_800_000_000  # when they came decides nothing
BATCH = 500


def dated(messages: list[tuple[str, bytes]]) -> dict[tuple[str, int], tuple[int, int, str]]:
    """{(ring, seq): (time_s, uncertainty_s, where from)} of what has a time when all (topic, payload) are stored."""
    with tempfile.TemporaryDirectory() as folder:
        engine = open_store(str(Path(folder, "readings.db")), create=True)
        try:
            keeper = Keeper(engine)
            for at in range(0, len(messages), BATCH):
                keeper.keep(messages[at : at + BATCH], RECEIVED_S)
            columns = (
                rings.c.ring,
                readings.c.seq,
                readings.c.time_s,
                readings.c.uncertainty_s,
                readings.c.time_from,
            )
            query = (
                select(*columns).join(rings, rings.c.id == readings.c.ring_id).where(readings.c.time_s.isnot(None))
            )
            with reads(engine) as connection:
                return {(ring, seq): (*when,) for ring, seq, *when in connection.execute(query)}
        finally:
            engine.dispose()
