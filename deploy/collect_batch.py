"""One batch of messages into the store. Law: it is in the store as a whole, or as if it had never come."""

import gc
from dataclasses import dataclass, field

from sqlalchemy import exc

from deploy import collect_payload, store_aside, store_health, store_readings
from deploy.collect_plain import Shapes
from deploy.store import StoreAway, StoreError, reason
from deploy.store_names import Names

# two collectors may have met: the one that was refused reads what the other has committed, and tries again
TRIES = 5
# a batch makes no cycles of objects, and looking for them while it grows costs a fifth of the rate
COLLECT_EVERY = 100


def without_collections():
    """Keep Python from looking for cycles by itself; to be called instead after each batch."""
    gc.collect()
    gc.freeze()
    gc.disable()
    turns = 0

    def turn() -> None:
        nonlocal turns
        turns += 1
        if turns % COLLECT_EVERY == 0:
            gc.collect()

    return turn


@dataclass
class Kept:
    """What a batch brought. nodes: names of those whose readings changed; newest_s: the newest time stated."""

    stored: int = 0
    repeats: int = 0
    refused: int = 0
    newest_s: int | None = None
    nodes: set[str] = field(default_factory=set)


@dataclass
class Batch:
    """Messages by what they are. origin: topic and payload of each of `readings`, where it came over the air."""

    readings: list[tuple[str, dict]] = field(default_factory=list)
    healths: list[tuple[str, dict]] = field(default_factory=list)
    aside: list[tuple[str, bytes, str]] = field(default_factory=list)
    origin: list[tuple[str, bytes]] = field(default_factory=list)
    source: str = store_readings.AIR


class Keeper:
    """Puts batches into one store. Raises StoreAway where the database does not answer: nothing of a batch is in."""

    def __init__(self, engine):
        self._engine = engine
        self._names = Names()
        self._shapes = Shapes()

    def keep(self, messages: list[tuple[str, bytes]], now_s: int) -> Kept:
        """messages: (topic, payload) each."""
        try:
            return self._committed(_sorted(messages, self._shapes), now_s)
        except exc.DataError as error:
            why = reason(error)
        if len(messages) > 1:
            # one of these is nothing for this database, and the others must not wait for it
            return _sum([self.keep([message], now_s) for message in messages])
        return self._committed(Batch(aside=[(*messages[0], why)]), now_s)

    def keep_card(self, readings: list[tuple[str, dict]], now_s: int) -> Kept:
        """readings: (node's name, reading) each, from a card."""
        origin = [(f"card of {name}, reading {message['seq']}", b"") for name, message in readings]
        try:
            return self._committed(Batch(readings=readings, origin=origin, source=store_readings.CARD), now_s)
        except exc.DataError as error:
            raise StoreError(reason(error)) from None

    def _committed(self, batch: Batch, now_s: int) -> Kept:
        for attempt in range(TRIES):
            try:
                return self._transaction(batch, now_s)
            except exc.IntegrityError:
                self._names = Names()
            except exc.OperationalError as error:
                self._names = Names()
                if attempt == TRIES - 1 or not _collided(error):
                    raise StoreAway(reason(error)) from None
            except exc.DataError:
                self._names = Names()
                raise
            except exc.DBAPIError as error:
                self._names = Names()
                raise (StoreAway if error.connection_invalidated else StoreError)(reason(error)) from None
        raise StoreAway("other collectors were in the way")

    def _transaction(self, batch: Batch, now_s: int) -> Kept:
        with self._engine.begin() as connection:
            taken = store_readings.take(connection, self._names, batch.readings, now_s, batch.source)
            for name, message in batch.healths:
                store_health.take(connection, name, message, now_s)
            refused = batch.aside + [(*batch.origin[index], why) for index, why in taken.refused]
            store_aside.set_aside(connection, refused, now_s)
        times = [message["time_s"] for _, message in batch.readings if message["time_s"] is not None]
        nodes = {name for name, _ in batch.readings} | {name for name, _ in batch.healths}
        return Kept(taken.stored, taken.repeats, len(refused), max(times, default=None), nodes)


def _sorted(messages: list[tuple[str, bytes]], shapes: Shapes) -> Batch:
    batch = Batch()
    for topic, payload in messages:
        try:
            kind, name, message = collect_payload.sort(topic, payload, shapes)
        except collect_payload.Unusable as error:
            batch.aside.append((topic, payload, str(error)))
            continue
        if kind == "health":
            batch.healths.append((name, message))
        else:
            batch.readings.append((name, message))
            batch.origin.append((topic, payload))
    return batch


def _sum(parts: list[Kept]) -> Kept:
    total = Kept()
    for kept in parts:
        total.stored += kept.stored
        total.repeats += kept.repeats
        total.refused += kept.refused
        total.nodes |= kept.nodes
    return total


def _collided(error) -> bool:
    """True for a deadlock or a failed serialisation (PostgreSQL's class 40)."""
    return str(getattr(error.orig, "sqlstate", "") or "").startswith("40")
