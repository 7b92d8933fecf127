"""The simulated time server must tell the true time when good, and be wrong in one way only when not."""

import struct
from datetime import UTC, datetime, timedelta

import pytest

from hostsim.timeserver import BEHAVIOURS, answer, timestamp

ORIGINATE = bytes.fromhex("e9a1b2c3 d4e5f607")
REQUEST = bytes((0x23, 0, 6, 0)) + bytes(36) + ORIGINATE  # version 4, mode 3
NOW_MS = 1_798_761_600_250


def fields(reply):
    first, stratum, _, _ = struct.unpack_from(">4B", reply)
    stamps = [reply[at : at + 8] for at in (16, 24, 32, 40)]
    return first >> 6, first >> 3 & 7, first & 7, stratum, stamps


def test_the_good_answer():
    leap, version, mode, stratum, (reference, originate, receive, transmit) = fields(answer(REQUEST, NOW_MS))
    assert (leap, version, mode, stratum) == (0, 4, 4, 2)
    assert originate == ORIGINATE
    assert receive == transmit == timestamp(NOW_MS)
    assert bytes(8) < reference < transmit
    assert len(answer(REQUEST, NOW_MS)) == 48


# RFC 5905 figure 4: date, era offset in seconds
FIGURE_4 = [
    (datetime(1970, 1, 1), 2208988800),
    (datetime(1972, 1, 1), 2272060800),
    (datetime(1999, 12, 31), 3155587200),
    (datetime(2036, 2, 8), 63104),  # first full day of era 1
]


@pytest.mark.parametrize(("date", "offset_s"), FIGURE_4)
def test_stamps_hold_the_dates_of_rfc_5905_figure_4(date, offset_s):
    unix_ms = int(date.replace(tzinfo=UTC).timestamp()) * 1000
    assert timestamp(unix_ms) == struct.pack(">2I", offset_s, 0)


def test_a_stamp_reads_back_to_the_millisecond():
    for ms in range(1000):
        seconds, fraction = struct.unpack(">2I", timestamp(NOW_MS // 1000 * 1000 + ms))
        assert (fraction * 1000 + 2**31) >> 32 == ms
        assert seconds == 2208988800 + NOW_MS // 1000


def test_the_era_wraps_at_2036_02_07_06_28_16():
    wrap = datetime(2036, 2, 7, 6, 28, 16, tzinfo=UTC)
    assert timestamp(int(wrap.timestamp()) * 1000) == bytes(8)
    before = wrap - timedelta(seconds=1)
    assert timestamp(int(before.timestamp()) * 1000) == b"\xff\xff\xff\xff" + bytes(4)


# what differs from the good answer in the fields that a client checks, and nothing else does
FLAWS = {
    "zero": {"stamps"},
    "wrong-mode": {"mode", "stamps"},
    "far-future": {"stamps"},
    "unsynchronised": {"leap", "stratum", "stamps"},
    "wrong-originate": {"originate", "stamps"},
    "astray": {"stamps"},
}


@pytest.mark.parametrize(("behaviour", "flaw"), FLAWS.items())
def test_a_bad_answer_is_wrong_in_its_own_way_only(behaviour, flaw):
    def named(reply):
        leap, version, mode, stratum, (_, originate, *stamps) = fields(reply)
        names = ("leap", "version", "mode", "stratum", "originate", "stamps")
        return zip(names, (leap, version, mode, stratum, originate, stamps), strict=True)

    good, bad = named(answer(REQUEST, NOW_MS)), named(answer(REQUEST, NOW_MS, behaviour))
    assert {name for (name, a), (_, b) in zip(good, bad, strict=True) if a != b} == flaw


FAR_FUTURE_S = 30 * 365 * 86400


def test_a_client_that_takes_a_bad_answer_is_off_by_an_hour_or_more():
    for behaviour in FLAWS:
        seconds, _ = struct.unpack(">2I", answer(REQUEST, NOW_MS, behaviour)[40:48])
        good_s, _ = struct.unpack(">2I", timestamp(NOW_MS))
        assert seconds == 0 if behaviour == "zero" else (seconds - good_s) % 2**32 in (3600, FAR_FUTURE_S)


def test_no_answer():
    assert answer(REQUEST, NOW_MS, "silent") is None
    assert answer(REQUEST[:47], NOW_MS) is None
    assert answer(b"", NOW_MS) is None
    assert answer(b"\x24" + REQUEST[1:], NOW_MS) is None  # a server's own mode


def test_the_version_is_echoed_and_every_behaviour_is_known():
    assert fields(answer(b"\x1b" + REQUEST[1:], NOW_MS))[1] == 3
    assert set(BEHAVIOURS) == set(FLAWS) | {"good", "silent"}
    with pytest.raises(ValueError, match="sleepy"):
        answer(REQUEST, NOW_MS, "sleepy")
