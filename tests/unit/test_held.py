"""Held readings. Law: they are the newest that fit, under one name, and garbage is never one of them."""

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from torpor import retained
from torpor.held import HEADER_SIZE, Held

STRIDE = 24
AREA = retained.SIZE + HEADER_SIZE


def memory_for(readings, stride=STRIDE, spare=0):
    return bytearray(AREA + readings * stride + spare)


def content(seq, stride=STRIDE):
    return random.Random(seq).randbytes(stride)


@settings(deadline=None)
@given(
    room=st.integers(0, 9),
    spare=st.integers(0, STRIDE - 1),
    steps=st.lists(st.one_of(st.just("add"), st.just("reload"), st.integers(-3, 12)), max_size=40),
)
def test_against_a_list(room, spare, steps):
    memory = memory_for(room, spare=spare)
    memory[: retained.SIZE] = b"\x5a" * retained.SIZE
    held = Held(memory, STRIDE, 0x12345, 0xABCD)
    kept = []
    head = 0
    dropped = 0
    for step in steps:
        if step == "add":
            head += 1
            kept.append((head, content(head)))
            lost = held.add(content(head))
            assert lost == (1 if len(kept) > room else 0)
            dropped += lost
            kept = kept[-room:] if room else []
        elif step == "reload":
            held = Held(memory, STRIDE, 0x12345, 0xABCD)
            assert held.lost == 0
        else:
            held.accept(head + step - 6)
            kept = [entry for entry in kept if entry[0] > head + step - 6]
        assert (held.head, held.count(), held.capacity) == (head, len(kept), room)
        assert held.first() == (kept[0][0] if kept else head + 1)
        assert [(seq, bytes(held.read(seq))) for seq in range(held.first(), head + 1)] == kept
    assert memory[: retained.SIZE] == b"\x5a" * retained.SIZE
    assert len(memory) == AREA + room * STRIDE + spare


def test_a_reading_is_there_after_a_sleep():
    memory = memory_for(3)
    held = Held(memory, STRIDE, 1, 0xABCD)
    held.add(content(1))
    held.sent_to = 1
    held.save()
    again = Held(memory, STRIDE, 1, 0x9999)
    assert (again.ring_id, again.head, again.sent_to, again.count()) == (0xABCD, 1, 1, 1)


def test_every_bit_counts():
    memory = memory_for(3)
    held = Held(memory, STRIDE, 1, 0xABCD)
    for seq in (1, 2, 3):
        held.add(content(seq))
    for bit in range(8 * retained.SIZE, 8 * len(memory)):
        bad = bytearray(memory)
        bad[bit // 8] ^= 1 << bit % 8
        again = Held(bad, STRIDE, 1, 0x9999)
        assert (again.ring_id, again.head, again.count()) == (0x9999, 0, 0)


@given(st.binary(max_size=400))
def test_garbage_begins_anew(garbage):
    held = Held(bytearray(retained.SIZE) + garbage, STRIDE, 1, 0x9999)
    assert (held.ring_id, held.head, held.sent_to, held.count(), held.lost) == (0x9999, 0, 0, 0, 0)
    held.add(content(1))


@pytest.mark.parametrize("size", [0, 10, retained.SIZE, retained.SIZE + 1, AREA - 1, AREA, AREA + STRIDE - 1])
def test_memory_without_room(size):
    memory = bytearray(size)
    held = Held(memory, STRIDE, 1, 0x9999)
    assert held.add(content(1)) == 1
    assert held.count() == 0
    held.accept(1)
    assert len(memory) == size


@pytest.mark.parametrize(("stride", "crc"), [(STRIDE, 2), (STRIDE + 6, 1), (STRIDE - 6, 1)])
def test_other_channels_cost_what_was_held_but_no_number_twice(stride, crc):
    memory = memory_for(5)
    held = Held(memory, STRIDE, 1, 0xABCD)
    for seq in (1, 2, 3, 4):
        held.add(content(seq))
    again = Held(memory, stride, crc, 0x9999)
    assert (again.ring_id, again.head, again.count(), again.lost) == (0xABCD, 4, 0, 4)
    again.add(content(5, stride))
    again = Held(memory, stride, crc, 0x9999)
    assert (again.head, again.count(), again.lost) == (5, 1, 0)
    assert bytes(again.read(5)) == content(5, stride)
