"""What a node says about itself, in the store. Law: a health message adds to what is known and takes nothing away."""

import json

from sqlalchemy import insert, select, update

from deploy import store_gaps
from deploy.store_schema import health, nodes, rings

# the message of a node is below 1 KiB; intervals beyond these no node sends
GONE_MAX = 8
_COUNTS = ("battery_mv", "charge_uah", "waiting", "overwritten", "unstored", "missed")
_INT_MAX = 2**31 - 1


class HealthError(ValueError):
    """No health message; str() says why."""


def parse(payload: bytes) -> dict:
    """The message as a dictionary whose members are of the right kind, or None where they are not. HealthError."""
    try:
        message = json.loads(payload)
    except (ValueError, RecursionError):
        raise HealthError("health is not JSON") from None
    if not isinstance(message, dict) or message.get("v") != 1:
        raise HealthError("health is not a message of version 1")
    clock = message.get("clock")
    known = isinstance(clock, dict) and clock.get("state") == "known"
    out = {key: _whole(message.get(key)) for key in (*_COUNTS, "oldest", "run")}
    rssi_dbm = message.get("rssi_dbm")
    out["rssi_dbm"] = rssi_dbm if type(rssi_dbm) is int and -1000 < rssi_dbm < 1000 else None
    out["time_s"] = _whole(message.get("time"), 2**32) if known else None
    out["known_run"] = out.pop("run") if known else None
    out["ring"] = message["ring"] if _is_ring(message.get("ring")) else None
    out["firmware"] = _text(message.get("firmware"), 64)
    out["settings_problem"] = _text(message.get("settings_problem"), 500)
    asked = message.get("gone")
    pairs = asked[:GONE_MAX] if isinstance(asked, list) else []
    out["gone"] = [tuple(pair) for pair in pairs if _is_interval(pair)]
    return out


def _whole(value, bound: int = _INT_MAX) -> int | None:
    return value if type(value) is int and 0 <= value <= bound else None


def _is_ring(value) -> bool:
    return isinstance(value, str) and len(value) == 8 and not set(value) - set("0123456789abcdef")


def _text(value, length: int) -> str | None:
    return value.replace("\0", "?")[:length] if isinstance(value, str) else None


def _is_interval(pair) -> bool:
    return (
        isinstance(pair, list)
        and len(pair) == 2
        and all(type(number) is int and 0 < number < 2**32 for number in pair)
        and pair[0] <= pair[1]
    )


def take(connection, name: str, message: dict, now_s: int) -> bool:
    """Note a health message that came under a node's name; False when it cannot be told whose it is.

    It does not say which chip it is from, so it belongs to the chip with that ring, or else to the chip that used the
    name last. A node without any reading in the store is not known yet: its readings come before its health.
    """
    found = None
    if message["ring"] is not None:
        found = connection.execute(
            select(nodes.c.id, rings.c.id.label("ring_id"))
            .join(rings, rings.c.node_id == nodes.c.id)
            .where(nodes.c.name == name, rings.c.ring == message["ring"])
            .order_by(rings.c.heard_s.desc())
            .limit(1)
        ).first()
    if found is not None:
        _note_ring(connection, found.ring_id, message)
        node_id = found.id
    else:
        node_id = connection.execute(
            select(nodes.c.id)
            .join(rings, rings.c.node_id == nodes.c.id)
            .where(nodes.c.name == name)
            .order_by(rings.c.heard_s.desc())
            .limit(1)
        ).scalar()
    if node_id is None:
        return False
    row = {key: message[key] for key in (*_COUNTS, "rssi_dbm", "time_s", "firmware", "settings_problem")}
    connection.execute(insert(health), [{"node_id": node_id, "heard_s": now_s, **row}])
    return True


def _note_ring(connection, ring_id: int, message: dict) -> None:
    values: dict = {"on_card": True, "known_run": message["known_run"]}
    if message["oldest"] is not None:
        values["oldest"] = message["oldest"]
    connection.execute(update(rings).where(rings.c.id == ring_id).values(**values))
    store_gaps.note_gone(connection, ring_id, message["gone"])
