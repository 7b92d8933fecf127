"""Readings into the store. Law: each reading is there once; a second delivery can only tell its time more narrowly.

take() works within the caller's transaction: what it says has happened only when that is committed.
"""

from dataclasses import dataclass, field

from sqlalchemy import String, bindparam, case, select, update

from deploy import store_gaps, store_time
from deploy.store_batch import OTHER_CONTENT, OTHER_TIME, Brought, contents
from deploy.store_names import Names
from deploy.store_schema import channels, reading_values, readings, rings

AIR, CARD = "air", "card"
CHUNK = 500  # rows looked up in one statement
_READING = (
    *("ring_id", "seq", "time_s", "uncertainty_s", "time_from", "run", "run_s"),
    *("flags", "received_s", "source"),
)
_VALUE = ("ring_id", "seq", "channel_id", "digits", "exponent", "flags")


@dataclass
class Taken:
    """What became of a batch. refused: (index in the batch, reason). rings: numbers of the rings that grew."""

    stored: int = 0
    repeats: int = 0
    narrowed: int = 0
    refused: list[tuple[int, str]] = field(default_factory=list)
    rings: set[int] = field(default_factory=set)


def take(connection, names: Names, batch: list[tuple[str, dict]], now_s: int, source: str = AIR) -> Taken:
    """Store a batch of (node's name, reading as senml_read.reading gives it); unfit() has let each of them pass."""
    taken = Taken()
    grouped = _grouped(connection, names, batch, now_s, taken)
    state = _locked(connection, grouped)
    rows, values, changes = [], [], []
    dated: dict[tuple[int, int], tuple[int, int]] = {}
    for ring_id, brought in grouped.items():
        known = _known(connection, ring_id, [seq for seq in brought.seqs if seq <= state[ring_id]])
        fresh = []
        for seq, (index, message) in brought.seqs.items():
            if seq in known:
                reason = _again(connection, ring_id, *known[seq], message, taken, dated)
                if reason:
                    taken.refused.append((index, reason))
                else:
                    brought.repeats += 1
                continue
            fresh.append(seq)
            rows.append(_row(ring_id, message, now_s, source))
            if message["run"] is not None and message["time_s"] is not None:
                _note(dated, ring_id, message["run"], message["time_s"] - message["run_s"], message["uncertainty_s"])
            values += _values(connection, names, ring_id, seq, message)
        changes.append(_grown(connection, ring_id, state[ring_id], fresh, brought.repeats))
        taken.repeats += brought.repeats
        if fresh:
            taken.rings.add(ring_id)
    if changes:
        _grow(connection, changes, now_s, source)
    if rows:
        _insert(connection, readings, _READING, rows)
        taken.stored = len(rows)
    if values:
        _insert(connection, reading_values, _VALUE, values)
    for (ring_id, run), anchor in dated.items():
        store_time.note_anchor(connection, ring_id, run, *anchor)
    if taken.rings:
        store_time.resolve(connection, taken.rings)
    return taken


def _note(dated: dict, ring_id: int, run: int, epoch_s: int, uncertainty_s: int) -> None:
    best = dated.get((ring_id, run))
    if best is None or uncertainty_s < best[1]:
        dated[ring_id, run] = epoch_s, uncertainty_s


def _grouped(connection, names, batch, now_s, taken) -> dict[int, Brought]:
    """{ring's number: what came for it}, in one order for all writers, so that none waits for another for ever."""
    found: dict[tuple[str, str], Brought] = {}
    called: dict[str, str] = {}
    for index, (name, message) in enumerate(batch):
        called[message["device"]] = name
        reason = found.setdefault((message["device"], message["ring"]), Brought()).add(index, message)
        if reason:
            taken.refused.append((index, reason))
    grouped = {}
    for eui, ring in sorted(found):
        node_id = names.node(connection, eui, called[eui], now_s)
        grouped[names.ring(connection, node_id, eui, ring, now_s)] = found[eui, ring]
    return dict(sorted(grouped.items()))


def _locked(connection, grouped) -> dict[int, int]:
    """{ring number: its newest seq}; no other writer changes these rings before this transaction ends."""
    query = select(rings.c.id, rings.c.last).where(rings.c.id.in_(grouped)).order_by(rings.c.id).with_for_update()
    return {row.id: row.last for row in connection.execute(query)}


def _known(connection, ring_id: int, seqs: list[int]) -> dict[int, tuple]:
    """{seq: (its row, its contents)} of the readings that are there already."""
    found: dict[int, tuple] = {}
    for at in range(0, len(seqs), CHUNK):
        some = seqs[at : at + CHUNK]
        query = select(readings).where(readings.c.ring_id == ring_id, readings.c.seq.in_(some))
        for row in connection.execute(query):
            found[row.seq] = (row, {})
        query = (
            select(reading_values, channels.c.name, channels.c.unit)
            .join(channels, channels.c.id == reading_values.c.channel_id)
            .where(reading_values.c.ring_id == ring_id, reading_values.c.seq.in_(some))
        )
        for row in connection.execute(query):
            found[row.seq][1][row.name, row.unit] = (row.digits, row.exponent, row.flags)
    return found


def _again(connection, ring_id: int, row, content: dict, message: dict, taken: Taken, dated: dict) -> str | None:
    """A reading that is there already: let it say its time more narrowly. The reason when it contradicts itself."""
    if row.flags != message["record_flags"] or content != contents(message):
        return OTHER_CONTENT
    time_s, uncertainty_s = message["time_s"], message["uncertainty_s"]
    if time_s is None:
        return None
    if row.time_from == store_time.STATED:
        if not store_time.agree(time_s, uncertainty_s, row.time_s, row.uncertainty_s):
            return OTHER_TIME
        if uncertainty_s >= row.uncertainty_s:
            return None
    connection.execute(
        update(readings)
        .where(readings.c.ring_id == ring_id, readings.c.seq == row.seq)
        .values(time_s=time_s, uncertainty_s=uncertainty_s, time_from=store_time.STATED)
    )
    taken.narrowed += 1
    taken.rings.add(ring_id)
    if row.run is not None:
        _note(dated, ring_id, row.run, time_s - row.run_s, uncertainty_s)
    return None


def _row(ring_id: int, message: dict, now_s: int, source: str) -> tuple:
    time_s = message["time_s"]
    return (
        *(ring_id, message["seq"], time_s, message["uncertainty_s"], None if time_s is None else store_time.STATED),
        *(message["run"], message["run_s"], message["record_flags"], now_s, source),
    )


def _values(connection, names: Names, ring_id: int, seq: int, message: dict) -> list[tuple]:
    plain = message.get("plain")
    if plain is not None:
        channels, digits, exponents = plain
        numbers = zip(names.channels(connection, channels), digits, exponents, strict=True)
        return [(ring_id, seq, channel, number, exponent, 0) for channel, number, exponent in numbers]
    return [
        (ring_id, seq, names.channel(connection, *channel), *value) for channel, value in contents(message).items()
    ]


def _grown(connection, ring_id: int, last: int, fresh: list[int], repeats: int) -> dict:
    """What changes in a ring's row; fresh: the new numbers."""
    newest = store_gaps.stored(connection, ring_id, last, sorted(fresh)) if fresh else last
    return {"ring_id": ring_id, "newest": newest, "fresh": len(fresh), "again": repeats}


def _grow(connection, changes: list[dict], now_s: int, source: str) -> None:
    # what the collector tells a node is numbered by what the store holds; beside the count the time, so that a store
    # that is begun anew is not behind what the nodes have heard from the one before
    fresh = bindparam("fresh")
    have_id = case(
        (fresh == 0, rings.c.have_id), (rings.c.have_id >= now_s, rings.c.have_id + 1), else_=bindparam("now_s")
    )
    values = {
        "heard_s": bindparam("now_s"),
        "last": bindparam("newest"),
        "stored": rings.c.stored + fresh,
        "repeats": rings.c.repeats + bindparam("again"),
        "have_id": have_id,
    }
    if source == CARD:
        values["on_card"] = True
    query = update(rings).where(rings.c.id == bindparam("ring_id")).values(**values)
    connection.execute(query, [{**change, "now_s": now_s} for change in changes])


def _insert(connection, table, columns: tuple[str, ...], rows: list[tuple]) -> None:
    """Rows by the driver's own way for many, which costs half of SQLAlchemy's."""
    into = f"INSERT INTO {table.name} ({', '.join(columns)})"
    if connection.dialect.name == "postgresql":
        # one statement with an array for each column, instead of one for each row
        kinds = ["text" if isinstance(table.c[name].type, String) else "bigint" for name in columns]
        arrays = ", ".join(f"%s::{kind}[]" for kind in kinds)
        found = tuple(map(list, zip(*rows, strict=True)))
        connection.exec_driver_sql(f"{into} SELECT * FROM unnest({arrays})", found)
    else:
        connection.exec_driver_sql(f"{into} VALUES ({', '.join('?' * len(columns))})", rows)
