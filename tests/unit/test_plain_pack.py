"""A pack told at a glance must be one that the full reader takes for the same reading, and nothing else."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hostsim.plain_pack import PlainChannels, head
from hostsim.senml_read import reading

HEAD = (
    b'[{"bn":"urn:dev:mac:0011223344556677_","bt":1798761600,"n":"seq","v":12}'
    b',{"n":"ring","vs":"0badcafe"},{"n":"time-uncertainty","u":"s","v":2}'
)
YARD = [("temperature", "Cel", -2, "a.B"), ("relative-humidity", "%RH", -2, "a.B"), ("lux", "lx", 0, "c.D")]


@given(st.integers(2**28, 2**32 - 1), st.integers(1, 10**9 - 1), st.integers(0, 2**32 - 1), st.integers(0, 10**9 - 1))
def test_a_head_says_what_the_full_reader_reads(time_s, seq, ring_id, uncertainty_s):
    written = HEAD.replace(b"1798761600", b"%d" % time_s).replace(b'"v":12', b'"v":%d' % seq)
    written = written.replace(b"0badcafe", b"%08x" % ring_id).replace(b'"v":2}', b'"v":%d}' % uncertainty_s)
    rest = b',{"n":"x","u":"V","v":1}]'
    # the same replacement may have struck twice: then both readers see what is there
    got, full = head(written + rest), reading(written + rest)
    assert got[5] == rest
    assert got[:5] == (full["device"], full["time_s"], full["seq"], int(full["ring"], 16), full["uncertainty_s"])


@pytest.mark.parametrize(
    ("was", "now"),
    [
        (b"1798761600", b"268435455"),
        (b"1798761600", b"01798761600"),
        (b"1798761600", b"1798761600.0"),
        (b'"v":12', b'"v":0'),
        (b'"v":12', b'"v":012'),
        (b"0badcafe", b"0BADCAFE"),
        (b"0011223344556677_", b"0011223344556677"),
        (b'"u":"s",', b""),
        (b'"v":2}', b'"v":-2}'),
        (b",", b", "),
        (b"[", b" ["),
        (b'"bt":1798761600,', b""),
    ],
)
def test_another_head_is_left_to_the_full_reader(was, now):
    assert head(HEAD + b"]") is not None
    assert was in HEAD
    assert head(HEAD.replace(was, now, 1) + b"]") is None


CHANNELS = st.lists(
    st.tuples(
        st.from_regex(r"[a-z0-9][a-z0-9-]{0,9}", fullmatch=True),
        st.sampled_from(("", "V", "%RH", "Cel", "/", "m%d")),
        st.integers(-9, 0),
        st.just("a.B"),
    ),
    max_size=6,
    unique_by=lambda channel: channel[0],
)


@given(CHANNELS, st.data())
def test_what_is_written_reads_back_exactly(channels, data):
    plain = PlainChannels(channels)
    own_names = {"seq", "ring", "time-uncertainty", "run", "run-time", "flags"}
    assert plain.usual == own_names.isdisjoint(channel[0] for channel in channels)
    if not plain.usual:
        return
    values = [data.draw(st.integers(-(2**31) + 1, 2**31 - 1)) for _ in channels]
    found = reading(HEAD + plain.written(values))
    assert list(found["values"].values()) == [
        (value, channel[2]) for value, channel in zip(values, channels, strict=True)
    ]
    assert found["units"] == {name: unit for name, unit, _, _ in channels if unit}
    assert (found["flags"], found["record_flags"]) == ({}, 0)


def test_the_yard_in_full():
    assert PlainChannels(YARD).written([-5, 6310, 700]) == (
        b',{"n":"temperature","u":"Cel","v":-0.05},{"n":"relative-humidity","u":"%RH","v":63.10}'
        b',{"n":"lux","u":"lx","v":700}]'
    )


@pytest.mark.parametrize(
    "channel",
    [
        ("seq", "V", 0, "a.B"),
        ("lux", "lx", 1, "a.B"),
        ("lux", "lx", -10, "a.B"),
        ('l"x', "lx", 0, "a.B"),
        ("lux", 'l"x', 0, "a.B"),
        ("lux", 'V","t":"1', 0, "a.B"),
        ("lüx", "lx", 0, "a.B"),
        ("lux", "a b", 0, "a.B"),
        ("temperature", "Cel", -2, "a.B"),
        ("x.flags", "", 0, "a.B"),
    ],
)
def test_channels_that_do_not_read_back_are_not_usual(channel):
    assert PlainChannels(YARD).usual
    assert not PlainChannels([*YARD, channel]).usual
