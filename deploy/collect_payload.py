"""What a message from the broker is. Law: any topic and any bytes are a reading, a health message, or Unusable."""

import re

from deploy import store_batch, store_health
from deploy.collect_plain import Shapes
from hostsim.senml_read import reading

# as docs/settings.md has node names
_TOPIC = re.compile(r"torpor/([a-z0-9-]{1,32})/(readings|health)")
# a reading of 37 channels, all with flags, has less than 4 KiB
BYTES_MAX = 16_384


class Unusable(ValueError):
    """Not a message of a node; str() says why."""


def sort(topic: str, payload: bytes, shapes: Shapes) -> tuple[str, str, dict]:
    """("readings" or "health", the node's name, the message). Raises Unusable."""
    found = _TOPIC.fullmatch(topic)
    if found is None:
        raise Unusable("not a topic of a node")
    if len(payload) > BYTES_MAX:
        raise Unusable(f"more than {BYTES_MAX} bytes")
    name, kind = found.groups()
    if kind == "readings":
        message = shapes.read(name, payload)
        if message is not None:
            return kind, name, message
    try:
        if kind == "health":
            return kind, name, store_health.parse(payload)
        message = reading(payload)
    except ValueError as error:
        # SenmlError and HealthError, and Python's own limit for the digits of a number
        raise Unusable(str(error)) from None
    reason = store_batch.unfit(message)
    if reason:
        raise Unusable(reason)
    shapes.learn(name, payload, message)
    return kind, name, message
