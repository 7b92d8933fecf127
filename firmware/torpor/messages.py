"""What the desk asks of a node. Law: a message can cost one session's budget and nothing else.

`have` names readings that the collector misses; `settings` changes three numbers within their bounds, until the file
on the board is edited. Both are retained messages of at most 512 bytes; anything else in them is ignored.
"""

import json

PAYLOAD_BYTES_MAX = 512
INTERVALS_MAX = 8
# readings sent again a day, whatever is asked
DAILY_MAX = 288


def have(payload, ring_name, r):
    """[(first, last)] of the readings asked for, oldest first; [] when there is nothing new to answer.

    New is what has another id than the one answered last, and not only a larger one: one message with the largest id
    of all, from whoever could write to the broker for a moment, would silence the collector for ever.
    """
    message = _object(payload)
    number = message.get("id")
    if message.get("ring") != ring_name or not _count(number) or number == r.have_id:
        return []
    r.have_id = number
    found = []
    asked = message.get("missing")
    if not isinstance(asked, list):
        return []
    for pair in asked[:INTERVALS_MAX]:
        if isinstance(pair, list) and len(pair) == 2 and _count(pair[0]) and _count(pair[1]) and pair[0] <= pair[1]:
            found.append((pair[0], pair[1]))
    found.sort()
    return found


def allowance(r, day):
    """How many readings may still be sent again on this day (days since 1970)."""
    if r.have_day != day & 0xFFFF:
        r.have_day = day & 0xFFFF
        r.have_sent = 0
    return max(0, DAILY_MAX - r.have_sent)


def remote_settings(payload, r, within):
    """Take over a `settings` message that is new and wholly within its bounds; True when it was.

    within(key, value) says whether a key may be set from afar and to this value.
    """
    message = _object(payload)
    number = message.get("id")
    wanted = message.get("set")
    if not _count(number) or number <= r.remote_id or not isinstance(wanted, dict):
        return False
    r.remote_id = number
    for key in wanted:
        if not _count(wanted[key]) or not within(key, wanted[key]):
            return False
    sample_s = wanted.get("sample_every_s", r.remote_sample_s)
    transmit_s = wanted.get("transmit_every_s", r.remote_transmit_s)
    if sample_s and transmit_s and transmit_s < sample_s:
        return False
    r.remote_sample_s = sample_s
    r.remote_transmit_s = transmit_s
    r.remote_last_days = wanted.get("must_last_days", r.remote_last_days)
    return True


def _object(payload):
    if len(payload) > PAYLOAD_BYTES_MAX:
        return {}
    try:
        message = json.loads(payload)
    except (ValueError, TypeError, RuntimeError, MemoryError):
        # RuntimeError is what some decoders raise when brackets are nested too deep
        return {}
    return message if isinstance(message, dict) else {}


def _count(value):
    return isinstance(value, int) and not isinstance(value, bool) and 0 < value < 0xFFFFFFFF
