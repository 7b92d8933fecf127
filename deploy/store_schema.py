"""The tables of the store. Law: a reading has one row, by the name that the node gave it: chip, ring and seq.

docs/collect.md shows them as a person sees them. Times are whole seconds since 1970, UTC.
"""

from sqlalchemy import (
    BigInteger,
    Boolean,
    CheckConstraint,
    Column,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    SmallInteger,
    String,
    Table,
    Text,
    UniqueConstraint,
)

VERSION = 1

metadata = MetaData()
# a number that the database gives out; SQLite does so for INTEGER alone
_ID = BigInteger().with_variant(Integer(), "sqlite")

meta = Table("meta", metadata, Column("key", String(32), primary_key=True), Column("value", Text, nullable=False))

nodes = Table(
    "nodes",
    metadata,
    Column("id", _ID, primary_key=True),
    Column("eui", String(16), nullable=False, unique=True),  # the chip's EUI-64 in hex
    Column("name", String(64), nullable=False),  # the one it used last
    Column("since_s", BigInteger, nullable=False),  # heard of first
)

rings = Table(
    "rings",
    metadata,
    Column("id", _ID, primary_key=True),
    Column("node_id", ForeignKey("nodes.id"), nullable=False),
    Column("ring", String(8), nullable=False),
    Column("stored", BigInteger, nullable=False, server_default="0"),  # readings
    Column("last", BigInteger, nullable=False, server_default="0"),  # newest seq
    Column("repeats", BigInteger, nullable=False, server_default="0"),  # deliveries of what was there already
    Column("have_id", BigInteger, nullable=False, server_default="0"),  # grows in each transaction that stored
    Column("oldest", BigInteger),  # oldest seq that the node still has, by its own words
    Column("known_run", Integer),  # the run whose time the node knows now
    Column("on_card", Boolean, nullable=False, server_default="0"),  # false: perhaps held in memory alone
    Column("heard_s", BigInteger, nullable=False),
    UniqueConstraint("node_id", "ring"),
)

channels = Table(
    "channels",
    metadata,
    Column("id", _ID, primary_key=True),
    Column("name", String(255), nullable=False),
    Column("unit", String(255), nullable=False),
    UniqueConstraint("name", "unit"),
)

# the two large tables have no foreign keys: a row is written in the transaction of those that it points to, and to
# have each looked up again halves what PostgreSQL takes in
readings = Table(
    "readings",
    metadata,
    Column("ring_id", BigInteger, primary_key=True, autoincrement=False),
    Column("seq", BigInteger, primary_key=True, autoincrement=False),
    Column("time_s", BigInteger),
    Column("uncertainty_s", BigInteger),
    Column("time_from", String(8)),  # stated, run (through its run's anchor), bracket (between its neighbours)
    Column("run", BigInteger),  # run and run_s only where it came without a time
    Column("run_s", BigInteger),
    Column("flags", Integer, nullable=False),
    Column("received_s", BigInteger, nullable=False),
    Column("source", String(4), nullable=False),  # air, card
    CheckConstraint("(time_s IS NULL) = (uncertainty_s IS NULL)"),
    Index("readings_time", "time_s"),
    sqlite_with_rowid=False,
)
Index(
    "readings_run",
    readings.c.ring_id,
    readings.c.run,
    sqlite_where=readings.c.run.isnot(None),
    postgresql_where=readings.c.run.isnot(None),
)

# digits x 10^exponent, exactly as the node wrote it; digits is null where the sensor gave nothing but flags
reading_values = Table(
    "reading_values",
    metadata,
    Column("ring_id", BigInteger, primary_key=True, autoincrement=False),
    Column("seq", BigInteger, primary_key=True, autoincrement=False),
    Column("channel_id", BigInteger, primary_key=True, autoincrement=False),
    Column("digits", BigInteger),
    Column("exponent", SmallInteger, nullable=False),
    Column("flags", Integer, nullable=False),
    sqlite_with_rowid=False,
)

anchors = Table(
    "anchors",
    metadata,
    Column("ring_id", ForeignKey("rings.id"), primary_key=True, autoincrement=False),
    Column("run", BigInteger, primary_key=True, autoincrement=False),
    Column("epoch_s", BigInteger, nullable=False),  # UTC at second 0 of the run
    Column("uncertainty_s", BigInteger, nullable=False),
)


def _intervals(name: str) -> Table:
    return Table(
        name,
        metadata,
        Column("ring_id", ForeignKey("rings.id"), primary_key=True, autoincrement=False),
        Column("first", BigInteger, primary_key=True, autoincrement=False),
        Column("last", BigInteger, nullable=False),
    )


missing = _intervals("missing")  # below the newest seq, and not here
gone = _intervals("gone")  # of these the node says that it has them no more

health = Table(
    "health",
    metadata,
    Column("id", _ID, primary_key=True),
    Column("node_id", ForeignKey("nodes.id"), nullable=False, index=True),
    Column("heard_s", BigInteger, nullable=False),
    Column("time_s", BigInteger),  # null while the node does not know the time
    Column("battery_mv", Integer),
    Column("charge_uah", BigInteger),
    Column("rssi_dbm", Integer),
    Column("waiting", BigInteger),
    Column("overwritten", BigInteger),
    Column("unstored", BigInteger),
    Column("missed", BigInteger),
    Column("firmware", String(64)),
    Column("settings_problem", Text),
)

deployments = Table(
    "deployments",
    metadata,
    Column("eui", String(16), primary_key=True),
    Column("from_s", BigInteger, primary_key=True, autoincrement=False),
    Column("to_s", BigInteger),  # the first second after; null: it stands there still
    Column("place", String(200), nullable=False),
)

rejected = Table(
    "rejected",
    metadata,
    Column("id", _ID, primary_key=True),
    Column("received_s", BigInteger, nullable=False),
    Column("topic", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("size", BigInteger, nullable=False),
    Column("payload", LargeBinary, nullable=False),  # its beginning
)

VIEW = """CREATE VIEW readings_utc AS
SELECT {time} AS time, r.time_s, r.uncertainty_s, r.time_from, n.name AS node, n.eui, d.place, g.ring, r.seq,
  c.name AS channel, c.unit, {value} AS value, v.digits, v.exponent, v.flags, r.flags AS reading_flags
FROM readings r
JOIN rings g ON g.id = r.ring_id
JOIN nodes n ON n.id = g.node_id
JOIN reading_values v ON v.ring_id = r.ring_id AND v.seq = r.seq
JOIN channels c ON c.id = v.channel_id
LEFT JOIN deployments d ON d.eui = n.eui AND d.from_s <= r.time_s AND (d.to_s IS NULL OR r.time_s < d.to_s)"""
# "2310e-2" is read by the database to the nearest double; a product with 0.01 would be one off
VIEW_PARTS = {
    "sqlite": {
        "time": "strftime('%Y-%m-%dT%H:%M:%SZ', r.time_s, 'unixepoch')",
        "value": "CAST(v.digits || 'e' || v.exponent AS REAL)",
    },
    "postgresql": {
        "time": "to_timestamp(r.time_s)",
        "value": "(v.digits::text || 'e' || v.exponent::text)::double precision",
    },
}
