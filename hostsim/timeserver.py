"""A network time server as a node meets it, the bad ones included.

Law: the good answer tells `true_time_ms`; every other reply is wrong by an hour or more (or tells no time), so that a
node which takes it gives itself away by its readings.

Format: RFC 4330 section 4 (SNTPv4), times as RFC 5905 section 6: seconds since 1900 modulo 2**32 and a
32-bit fraction.
"""

import struct

BEHAVIOURS = ("good", "silent", "zero", "wrong-mode", "far-future", "unsynchronised", "wrong-originate", "astray")

NTP_OF_UNIX_EPOCH_S = 2208988800  # RFC 5905 figure 4
CLIENT, SERVER = 3, 4  # modes
ERROR_MS = 3_600_000
FAR_FUTURE_MS = 30 * 365 * 86_400_000  # past the 20 years after its build date that a node accepts
LAST_SET_MS = 16_000  # ago: one polling interval of the server's own upstream
PRECISION = 0xEC  # -20: about a microsecond
REFERENCE_ID = bytes((192, 0, 2, 1))  # the upstream of a stratum 2 server; RFC 5737 keeps this for examples


def answer(request: bytes, true_time_ms: int, behaviour: str = "good") -> bytes | None:
    """The 48-byte reply to `request`, or None where none comes: to something that is no client request, and
    from a silent server. `true_time_ms` is Unix time in ms; serving and travel take no time here. Raises
    ValueError for an unknown behaviour:
        zero             no time in it: receive and transmit stamps are zero
        wrong-mode       the mode of a client, as from something that reflects datagrams
        far-future       30 years ahead
        unsynchronised   leap indicator 3 and stratum 0
        wrong-originate  answers somebody else's request
        astray           an hour ahead, in a reply without a flaw
    """
    if behaviour not in BEHAVIOURS:
        raise ValueError(f"unknown behaviour {behaviour!r}; known: {', '.join(BEHAVIOURS)}")
    if len(request) < 48 or request[0] & 7 != CLIENT or behaviour == "silent":
        return None
    version, poll, originate = request[0] >> 3 & 7, request[2], request[40:48]
    leap, mode, stratum, told_ms = 0, SERVER, 2, true_time_ms
    if behaviour == "far-future":
        told_ms += FAR_FUTURE_MS
    elif behaviour != "good":
        told_ms += ERROR_MS
    if behaviour == "wrong-mode":
        mode = CLIENT
    elif behaviour == "unsynchronised":
        leap, stratum = 3, 0
    elif behaviour == "wrong-originate":
        originate = bytes(byte ^ 0xFF for byte in originate)
    now = bytes(8) if behaviour == "zero" else timestamp(told_ms)
    header = struct.pack(">4B2I", leap << 6 | version << 3 | mode, stratum, poll, PRECISION, 0, 0)
    return header + REFERENCE_ID + timestamp(told_ms - LAST_SET_MS) + originate + now + now


def timestamp(unix_ms: int) -> bytes:
    """A Unix time in ms as the 8 bytes of an NTP timestamp; the era is lost, as it is on the wire."""
    seconds, ms = divmod(unix_ms, 1000)
    return struct.pack(">2I", (seconds + NTP_OF_UNIX_EPOCH_S) % 2**32, (ms << 32) // 1000)
