"""A record and its bytes. Law: what was measured reads back, at every bound, whatever lies around it."""

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st
from torpor import record

I32 = st.integers(-(2**31), 2**31 - 1)
U16 = st.integers(0, 65535)
CHANNELS = st.lists(st.tuples(I32, U16), max_size=37)
HEAD = st.tuples(st.integers(0, 2**32 - 1), U16, U16, st.integers(0, 255), U16)


@given(head=HEAD, channels=CHANNELS, spare=st.integers(0, 3), at=st.integers(0, 40))
def test_what_goes_in_comes_out_and_nothing_else_is_touched(head, channels, spare, at):
    values = [value for value, _ in channels]
    flags = [flag for _, flag in channels]
    stride = record.stride(len(channels) + spare)
    buffer = bytearray(b"\xa5" * (at + stride + 9))
    record.encode(buffer, at, stride, (*head, values, flags))
    assert len(buffer) == at + stride + 9
    assert buffer[:at] == b"\xa5" * at
    assert buffer[at + stride :] == b"\xa5" * 9
    assert buffer[at + stride - 6 * spare : at + stride] == bytes(6 * spare)
    assert record.decode(buffer, at, len(channels)) == (*head, values, flags)


def test_fewer_channels_than_stored_can_be_asked_for():
    buffer = bytearray(30)
    record.encode(buffer, 0, 30, (1, 2, 3, 4, 5, [10, -20, 30], [7, 8, 9]))
    assert record.decode(buffer, 0, 0) == (1, 2, 3, 4, 5, [], [])
    assert record.decode(buffer, 0, 2) == (1, 2, 3, 4, 5, [10, -20], [7, 8])


def test_the_bytes_by_the_table_of_the_format():
    buffer = bytearray(24)
    record.encode(buffer, 0, 24, (0x01020304, 0x0506, 0x0708, 9, 0x0A0B, [-2, record.ABSENT], [0x0C0D, 0x0100]))
    assert buffer.hex() == "040302010605080709000b0afeffffff0d0c000000800001"


@pytest.mark.parametrize(("channels", "stride"), [(0, 12), (1, 18), (8, 60), (37, 234)])
def test_stride(channels, stride):
    assert record.stride(channels) == stride


@pytest.mark.parametrize("value", [2**31, -(2**31) - 1])
def test_a_value_out_of_range_is_no_other_value(value):
    with pytest.raises(struct.error):
        record.encode(bytearray(18), 0, 18, (0, 0, 0, 0, 0, [value], [0]))
