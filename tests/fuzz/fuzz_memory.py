"""Retained memory. Law: the diary and the held readings are believed when their CRC is right, and never else.

The first byte of an input says which CRCs are put right, because no fuzzer guesses one; the rest is the memory.
"""

import struct
from pathlib import Path
from zlib import crc32

from torpor.held import Held
from torpor.retained import FAULTS, Retained

GOLDEN = Path(__file__).parents[1] / "golden" / "retained.bin"
SIZE = 136  # of the diary; docs/formats.md, "Retained memory"
HELD_HEADER = 24
STRIDE = 30


def run_retained(data):
    memory = bytearray(data[1:])
    if data[:1] and data[0] & 1 and len(memory) >= SIZE:
        struct.pack_into("<I", memory, SIZE - 4, crc32(memory[: SIZE - 4]))
    if data[:1] and data[0] & 2:
        seal_held(memory)
    check_diary(memory)
    check_held(memory)


def seal_held(memory):
    area = memory[SIZE:]
    if len(area) >= HELD_HEADER:
        count, stride = struct.unpack_from("<HH", area, 16)
        end = HELD_HEADER + count * stride
        if end <= len(area):
            struct.pack_into("<I", memory, SIZE, crc32(area[4:end]))


def check_diary(memory):
    before = bytes(memory)
    whole = len(memory) >= SIZE and memory[:2] == b"\x74\x01"
    whole = whole and struct.unpack_from("<I", memory, SIZE - 4)[0] == crc32(memory[: SIZE - 4])
    diary = Retained(memory)
    assert diary.cold == (not whole)
    assert memory == before, "reading writes"
    if whole:
        assert (diary.head, diary.acked_to) == struct.unpack_from("<II", before, 11)
    else:
        assert (diary.head, diary.acked_to, diary.ring_id, diary.run, diary.bits) == (0, 0, 0, 0, 0)
        assert bytes(diary.faults) == bytes(len(FAULTS))
    if len(memory) >= SIZE:
        diary.save()
        assert whole <= (memory == before), "what was read is not what is written"
        assert memory[SIZE:] == before[SIZE:], "the held readings were written over"
        assert not Retained(memory).cold
        memory[:] = before


def check_held(memory):
    area = bytes(memory[SIZE:])
    channels = struct.unpack_from("<H", area, 20)[0] if len(area) >= HELD_HEADER else 0
    for asked in {channels, channels ^ 1}:
        held = Held(bytearray(memory), STRIDE, asked, 77)
        count = held.count()
        assert 0 <= count <= held.capacity
        assert count == 0 or asked == channels
        if not count:
            # zeros behind eight bytes of ones have a right CRC, and were never saved by anybody
            assert held.ring_id == 77 or struct.unpack_from("<H", area, 18)[0]
            continue
        crc, ring_id, head, _, stated, stride = struct.unpack_from("<IIIIHH", area)
        assert (held.ring_id, held.head, count, STRIDE) == (ring_id, head, stated, stride)
        assert crc == crc32(area[4 : HELD_HEADER + count * STRIDE])
        for index in range(count):
            at = HELD_HEADER + index * STRIDE
            assert bytes(held.read(held.first() + index)) == area[at : at + STRIDE]


def retained_seeds():
    golden = GOLDEN.read_bytes()
    blank = [b"\x00", b"\x03" + bytes(256), b"\x00" + b"\xff" * 200, b"\x01" + golden[:140]]
    return [b"\x00" + golden, b"\x03" + golden, b"\x02" + golden + bytes(300), *blank]


WORDS = [b"\x74\x01", struct.pack("<H", STRIDE), b"\xff\xff\xff\xff"]
