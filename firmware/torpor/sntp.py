"""Network time. Law: a time comes only from a reply to our own request, and lies within the bounds given.

Sources: RFC 4330 section 5 (checks); RFC 5905 figure 8 (header), sections 6 (eras) and 8 (offset, delay).
"""

import struct

PACKET_SIZE = 48
UNIX_OFFSET_S = 2208988800  # 1970-01-01 in era 0 (RFC 5905 figure 4)
ERA_S = 1 << 32


class SntpError(Exception):
    """A reply that must not set a clock; the one argument is the reason, a short string."""


def request(originate):
    """A version 4 client request -> 48 bytes.

    originate: 8 bytes, not all zero, that go out as the transmit timestamp and must come back. Random ones
    beat the time: nobody can guess them, and they tell nothing about this clock.
    """
    assert len(originate) == 8
    assert any(originate)
    return b"\x23" + bytes(PACKET_SIZE - 9) + originate


def check(reply, originate, earliest_s, latest_s):
    """The transmit time of a server's reply -> (epoch_s, ms), the milliseconds rounded down.

    reply: the datagram. originate: the 8 bytes that were sent. earliest_s, latest_s: Unix seconds, inclusive,
    less than 136 years apart. Raises SntpError where any check fails.
    """
    if len(reply) < PACKET_SIZE:
        raise SntpError("short")
    first, stratum = reply[0], reply[1]
    if first & 7 != 4:
        raise SntpError("not a server")
    if first >> 6 == 3:
        raise SntpError("unsynchronised")
    if not 1 <= stratum <= 15:
        raise SntpError("stratum")  # 0 is the server's request to go away (RFC 4330 section 8)
    if bytes(reply[24:32]) != bytes(originate):
        raise SntpError("not our request")
    if not any(reply[40:48]):
        raise SntpError("no time")
    ntp_s, high, low = struct.unpack(">IHH", reply[40:48])
    epoch_s = epoch(ntp_s, earliest_s)
    if epoch_s > latest_s:
        raise SntpError("out of bounds")
    # floor(fraction * 1000 / 2**32) by halves: no product above 2**26, which a small integer holds everywhere
    return epoch_s, (high * 1000 + (low * 1000 >> 16)) >> 16


def epoch(ntp_s, earliest_s):
    """The first Unix second from earliest_s on whose NTP seconds field is ntp_s (0 to 2**32-1), any era."""
    return earliest_s + (ntp_s - UNIX_OFFSET_S - earliest_s) % ERA_S


def offset_ms(t1, t2, t3, t4):
    """What to add to this clock: ((T2-T1) + (T3-T4)) / 2 (RFC 5905 section 8) -> ms, a half rounded down.

    t1, t4: sent and received by this clock; t2, t3: received and sent by the server's; each (epoch_s, ms).
    """
    return (_difference_ms(t2, t1) + _difference_ms(t3, t4)) // 2


def delay_ms(t1, t2, t3, t4):
    """The round trip less the server's own time: (T4-T1) - (T3-T2) (section 8) -> ms; arguments as above."""
    return _difference_ms(t4, t1) - _difference_ms(t3, t2)


def _difference_ms(a, b):
    return (a[0] - b[0]) * 1000 + a[1] - b[1]
