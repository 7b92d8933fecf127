"""Law: a reply gives a time only if it answers our request, from a synchronised server, within the bounds."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from torpor import sntp

NONCE = b"\x01\x02\x03\x04\x05\x06\x07\x08"
EARLIEST_S = 1793491200  # 2026-11-01
LATEST_S = EARLIEST_S + 20 * 366 * 86400
NOW_S = 1798761600  # 2027-01-01


def reply(epoch_s=NOW_S, fraction=0, leap=0, version=4, mode=4, stratum=2, originate=NONCE):
    """A server's reply, laid out from RFC 5905 figure 8."""
    ntp_s = (epoch_s + 2208988800) % 2**32
    head = bytes([leap << 6 | version << 3 | mode, stratum, 6, 0xEC]) + bytes(20)
    received = (ntp_s - 1).to_bytes(4, "big") + bytes(4)
    return head + originate + received + ntp_s.to_bytes(4, "big") + fraction.to_bytes(4, "big")


def test_the_request():
    packet = sntp.request(NONCE)
    assert len(packet) == 48
    assert packet[0] == 0b00_100_011  # leap 0, version 4, mode 3
    assert packet[40:] == NONCE
    assert not any(packet[1:40])


@pytest.mark.parametrize("bad", [bytes(8), b"1234567", b"123456789"])
def test_a_request_that_could_not_be_told_apart_is_our_mistake(bad):
    with pytest.raises(AssertionError):
        sntp.request(bad)


@pytest.mark.parametrize("kind", [bytes, bytearray, memoryview])
def test_a_good_reply(kind):
    assert sntp.check(kind(reply(fraction=2**31)), NONCE, EARLIEST_S, LATEST_S) == (NOW_S, 500)


@pytest.mark.parametrize("version", [3, 4])
@pytest.mark.parametrize("leap", [0, 1, 2])
@pytest.mark.parametrize("stratum", [1, 15])
def test_what_else_is_good(version, leap, stratum):
    packet = reply(version=version, leap=leap, stratum=stratum) + b"extension"
    assert sntp.check(packet, NONCE, EARLIEST_S, LATEST_S) == (NOW_S, 0)


BAD = {
    "empty": b"",
    "one byte short": reply()[:47],
    "all zero, which would read as 2036-02-07": bytes(48),
    "our own request come back": sntp.request(NONCE),
    "symmetric": reply(mode=2),
    "broadcast": reply(mode=5),
    "unsynchronised": reply(leap=3),
    "asked to go away": reply(stratum=0),
    "stratum 16": reply(stratum=16),
    "stratum 255": reply(stratum=255),
    "another request's": reply(originate=b"\x01\x02\x03\x04\x05\x06\x07\x09"),
    "no originate": reply(originate=bytes(8)),
    "no transmit time": reply()[:40] + bytes(8),
    "a second too early": reply(EARLIEST_S - 1, 2**32 - 1),
    "a second too late": reply(LATEST_S + 1),
    "1970": reply(0),
    "2000": reply(946684800),
}


@pytest.mark.parametrize("name", BAD)
def test_a_bad_reply_raises_with_a_reason(name):
    with pytest.raises(sntp.SntpError) as caught:
        sntp.check(BAD[name], NONCE, EARLIEST_S, LATEST_S)
    assert isinstance(caught.value.args[0], str)
    assert caught.value.args[0]


@pytest.mark.parametrize("edge_s", [EARLIEST_S, LATEST_S])
def test_the_bounds_are_inside(edge_s):
    assert sntp.check(reply(edge_s), NONCE, EARLIEST_S, LATEST_S) == (edge_s, 0)


@pytest.mark.parametrize("bit", range(24 * 8, 32 * 8))
def test_each_bit_of_the_originate_counts(bit):
    packet = bytearray(reply())
    packet[bit // 8] ^= 1 << bit % 8
    with pytest.raises(sntp.SntpError, match="not our request"):
        sntp.check(packet, NONCE, EARLIEST_S, LATEST_S)


@given(st.integers(0, 2**32 - 1))
def test_milliseconds_are_the_exact_floor(fraction):
    expected = int(Fraction(fraction * 1000, 2**32))
    assert sntp.check(reply(fraction=fraction), NONCE, EARLIEST_S, LATEST_S) == (NOW_S, expected)


def test_each_millisecond_begins_where_it_should():
    for ms in range(1, 1000):
        first = -(-ms * 2**32 // 1000)
        assert sntp.check(reply(fraction=first), NONCE, EARLIEST_S, LATEST_S) == (NOW_S, ms)
        assert sntp.check(reply(fraction=first - 1), NONCE, EARLIEST_S, LATEST_S) == (NOW_S, ms - 1)


@given(st.binary(max_size=60))
def test_garbage_is_an_sntp_error_or_a_time_in_bounds(packet):
    try:
        epoch_s, ms = sntp.check(packet, packet[24:32], EARLIEST_S, LATEST_S)
    except sntp.SntpError:
        return
    assert EARLIEST_S <= epoch_s <= LATEST_S
    assert 0 <= ms < 1000


STAMP = st.tuples(st.integers(0, 4 * 10**9), st.integers(0, 999))


@given(STAMP, STAMP, STAMP, STAMP)
def test_offset_and_delay_against_exact_fractions(t1, t2, t3, t4):
    a, b, c, d = (Fraction(s * 1000 + ms) for s, ms in (t1, t2, t3, t4))
    assert 0 <= ((b - a) + (c - d)) / 2 - sntp.offset_ms(t1, t2, t3, t4) < 1
    assert sntp.delay_ms(t1, t2, t3, t4) == (d - a) - (c - b)


@given(STAMP, st.integers(-(10**6), 10**6), st.integers(0, 5000), st.integers(0, 5000))
def test_the_offset_is_what_must_be_added_to_this_clock(sent, error_ms, way_ms, server_ms):
    def later(stamp, ms):
        total = stamp[0] * 1000 + stamp[1] + ms
        return total // 1000, total % 1000

    t2 = later(sent, way_ms + error_ms)
    t3 = later(t2, server_ms)
    t4 = later(sent, 2 * way_ms + server_ms)
    assert sntp.offset_ms(sent, t2, t3, t4) == error_ms
    assert sntp.delay_ms(sent, t2, t3, t4) == 2 * way_ms
