"""What comes from afar. Law: a message or a time is taken only where all its parts are right, and costs little.

`messages` are the collector's `have` and the desk's `settings`; `sntp` is a time server's reply.
"""

import json
import struct

from torpor import messages, settings, sntp
from torpor.retained import SIZE, Retained

RING = "c0ffee11"
# docs/settings.md
BOUNDS = {"sample_every_s": (10, 86400), "transmit_every_s": (10, 604800), "must_last_days": (0, 3650)}
ORIGINATE = b"\x8bnonce\x01\x02"
EARLIEST_S, LATEST_S = 1790000000, 1790000000 + 20 * 31557600


def diary():
    r = Retained(bytearray(SIZE))
    r.have_id, r.remote_id, r.remote_sample_s, r.remote_transmit_s = 6, 6, 600, 3600
    return r


def decoded(payload):
    try:
        found = json.loads(payload) if len(payload) <= 512 else {}
    except (ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


def is_count(value):
    return type(value) is int and 1 <= value <= 0xFFFFFFFE


def run_messages(data):
    payload = data[1:]
    if data[:1] and data[0] & 1:
        run_remote(payload)
    else:
        run_have(payload)


def run_have(payload):
    r, message = diary(), decoded(payload)
    asked = messages.have(payload, RING, r)
    new = is_count(message.get("id")) and message["id"] != 6 and message.get("ring") == RING
    assert r.have_id == (message["id"] if new else 6)
    expected = []
    if new and isinstance(message.get("missing"), list):
        for pair in message["missing"][:8]:
            if isinstance(pair, list) and len(pair) == 2 and all(map(is_count, pair)) and pair[0] <= pair[1]:
                expected.append(tuple(pair))
    assert asked == sorted(expected)
    assert messages.have(payload, RING, r) == [], "answered twice"
    r.save()


def run_remote(payload):
    r, message = diary(), decoded(payload)
    taken = messages.remote_settings(payload, r, settings.within)
    now = {
        "sample_every_s": r.remote_sample_s,
        "transmit_every_s": r.remote_transmit_s,
        "must_last_days": r.remote_last_days,
    }
    before = {"sample_every_s": 600, "transmit_every_s": 3600, "must_last_days": 0}
    if taken:
        assert is_count(message["id"])
        assert r.remote_id == message["id"] > 6
        assert now == {**before, **message["set"]}
        assert all(low <= now[key] <= high for key, (low, high) in BOUNDS.items())
        assert now["transmit_every_s"] >= now["sample_every_s"]
    else:
        assert now == before
    assert not messages.remote_settings(payload, r, settings.within), "taken twice"
    r.save()


def run_sntp(data):
    try:
        epoch_s, ms = sntp.check(data, ORIGINATE, EARLIEST_S, LATEST_S)
    except sntp.SntpError:
        return
    # RFC 4330 section 5, and the bounds
    assert len(data) >= 48
    assert data[0] % 8 == 4
    assert data[0] // 64 != 3
    assert 0 < data[1] < 16
    assert data[24:32] == ORIGINATE
    seconds, fraction = struct.unpack_from(">II", data, 40)
    assert (seconds, fraction) != (0, 0)
    assert EARLIEST_S <= epoch_s <= LATEST_S
    assert (epoch_s + 2208988800 - seconds) % 2**32 == 0
    assert ms == fraction * 1000 // 2**32
    sent, back = (EARLIEST_S, 500), (EARLIEST_S + 1, 20)
    there = (epoch_s, ms)
    assert sntp.delay_ms(sent, there, there, back) == 520
    exact = (epoch_s * 1000 + ms) * 2 - EARLIEST_S * 2000 - 1520
    assert sntp.offset_ms(sent, there, there, back) == exact // 2


def messages_seeds():
    have = [
        {"id": 7, "ring": RING, "last": 99, "missing": [[3, 9], [1, 2]]},
        {"id": 8, "ring": RING, "missing": [[1, 1]] * 9},
        {"id": 9, "ring": "other", "missing": []},
        {"id": True, "ring": RING, "missing": [[1, 4294967295], [2], "x", [5, 4]]},
    ]
    remote = [
        {"id": 7, "set": {"sample_every_s": 900, "transmit_every_s": 7200, "must_last_days": 30}},
        {"id": 8, "set": {"sample_every_s": 86400}},
        {"id": 9, "set": {"node": "x", "password": 1}},
        {"id": 4294967294, "set": {}},
    ]
    seeds = [b"\x00" + json.dumps(message).encode() for message in have]
    seeds += [b"\x01" + json.dumps(message).encode() for message in remote]
    return [*seeds, b"\x00" + b"[" * 400, b"\x01{", b"\x00", b""]


MESSAGE_WORDS = [b'"id":', b'"ring":"c0ffee11"', b'"missing":[[', b'"set":{', b'"sample_every_s":']
MESSAGE_WORDS += [b"4294967295", b"null", b"true", b"1e9", b"NaN", b"]]", b"-0", b"\xff\xfe", b"\xef\xbb\xbf"]


def sntp_seeds():
    at = EARLIEST_S + 86400 + 2208988800
    good = b"\x24\x02\x06\xec" + bytes(20) + ORIGINATE + struct.pack(">IIII", at % 2**32, 1, at % 2**32, 1 << 31)
    # the last fraction of a millisecond, and the first of the next
    edges = [-(-k * 2**32 // 1000) - back for k in (1, 7, 335, 999) for back in (0, 1)]
    return [
        *[good[:44] + struct.pack(">I", fraction) for fraction in edges],
        good,
        good + bytes(20),
        good[:47],
        b"\xe4\x00" + good[2:],
        good[:40] + bytes(8),
        good[:40] + b"\x01" + bytes(7),
        good[:1] + b"\x10" + good[2:],
    ]
