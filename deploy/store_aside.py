"""What was no reading, set aside. Law: it is counted, the newest of it can be looked at, and no disk is filled."""

from sqlalchemy import delete, func, select

from deploy.store_names import insert_new
from deploy.store_schema import meta, rejected

KEPT_MAX = 1000
PAYLOAD_MAX = 512
_COUNT = "rejected"


def set_aside(connection, found: list[tuple[str, bytes, str]], now_s: int) -> None:
    """Note (topic, payload, reason) of messages that cannot be used; of many at once, the last KEPT_MAX."""
    if not found:
        return
    # the count is what one writer may change at a time, so that none of a thousand is counted by nobody
    connection.execute(insert_new(connection, meta), [{"key": _COUNT, "value": "0"}])
    counted = connection.execute(select(meta.c.value).where(meta.c.key == _COUNT).with_for_update()).scalar_one()
    connection.execute(meta.update().where(meta.c.key == _COUNT).values(value=str(int(counted) + len(found))))
    rows = [
        {
            "received_s": now_s,
            "topic": topic.replace("\0", "?")[:300],
            "reason": reason.replace("\0", "?")[:300],
            "size": len(payload),
            "payload": bytes(payload[:PAYLOAD_MAX]),
        }
        for topic, payload, reason in found[-KEPT_MAX:]
    ]
    connection.execute(rejected.insert(), rows)
    newest = connection.execute(select(func.max(rejected.c.id))).scalar_one()
    connection.execute(delete(rejected).where(rejected.c.id <= newest - KEPT_MAX))


def count(connection) -> int:
    """How many messages were ever set aside."""
    return int(connection.execute(select(meta.c.value).where(meta.c.key == _COUNT)).scalar() or 0)
