"""What lies in retained memory, read from docs/formats.md. Law: only what the judge needs, none of it the node's."""

from struct import Struct
from zlib import crc32

DIARY_SIZE = 136
HOLDING = 32
STRIDES = range(12, 12 + 6 * 37 + 1)  # bytes that a record can have
_CRC = Struct("<I")
_RING = Struct("<III")  # ring id, head, acked_to at 7
_COUNTS = Struct("<HHI")  # missed, unstored, overwritten at 81
_HELD = Struct("<IIIIHHHH")
_FAULTS_AT = 121
FAULTS = ("card", "sensor", "join", "resolve", "broker", "tls", "time", "settings", "watchdog", "brown-out", "defect")


def whole(memory) -> bool:
    """True when the diary is one: its magic, version and CRC agree."""
    return (
        len(memory) >= DIARY_SIZE
        and memory[0] == 0x74
        and memory[1] == 1
        and _CRC.unpack_from(memory, 132)[0] == crc32(memory[:132])
    )


def says_held(memory) -> bool:
    """True when the diary, if it is whole, says that readings are held behind it."""
    return len(memory) >= DIARY_SIZE and memory[2] & HOLDING != 0


def ring(memory) -> tuple[int, int, int]:
    """(ring_id, head, acked_to)."""
    return _RING.unpack_from(memory, 7)


def counts(memory) -> tuple[int, int, int]:
    """(missed slots, unstored readings, overwritten readings), as the node has counted them."""
    return _COUNTS.unpack_from(memory, 81)


def faults(memory) -> dict[str, int]:
    """How often each fault was counted; a count stops at 255."""
    return dict(zip(FAULTS, memory[_FAULTS_AT : _FAULTS_AT + len(FAULTS)], strict=True))


def held_capacity(memory, stride: int) -> int:
    """How many records of `stride` bytes the memory behind the diary has room for."""
    return max(0, (len(memory) - DIARY_SIZE - _HELD.size) // stride)


def held(memory):
    """(ring_id, head, count, stride, bytes of the records, oldest first), None when there is no whole area."""
    if len(memory) < DIARY_SIZE + _HELD.size:
        return None
    crc, ring_id, head, _, count, stride, _, _ = _HELD.unpack_from(memory, DIARY_SIZE)
    end = DIARY_SIZE + _HELD.size + count * stride
    if stride not in STRIDES or end > len(memory) or crc32(memory[DIARY_SIZE + 4 : end]) != crc:
        return None
    return ring_id, head, count, stride, bytes(memory[DIARY_SIZE + _HELD.size : end])
