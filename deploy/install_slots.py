"""Which version a board runs: two slot files. Law: a slot is whole by its checksum, and the newest whole one counts.

A slot is 34 bytes of text: a number of 8 digits, the version's 16 hexadecimal digits, and the CRC-32 of the 25 bytes
before it in 8 hexadecimal digits, with spaces between (docs/install.md). firmware/chosen.py reads the same.
"""

import re
from binascii import crc32
from typing import NamedTuple

NAMES = ("slot-a", "slot-b")
LENGTH = 34
EMPTY = b"-" * LENGTH
VERSION = re.compile(r"[0-9a-f]{16}")
_HEAD = re.compile(rb"([0-9]{8}) ([0-9a-f]{16})")


class Slot(NamedTuple):
    """What a slot says: the version of the higher number runs."""

    number: int
    version: str


def text(slot: Slot) -> bytes:
    head = f"{slot.number:08d} {slot.version}".encode()
    return head + f" {crc32(head):08x}".encode()


def parsed(data: bytes | None) -> Slot | None:
    """None for a file that is missing, torn or somebody else's."""
    data = (data or b"")[:LENGTH]
    found = _HEAD.fullmatch(data[:25])
    try:
        if found is None or crc32(data[:25]) != int(data[25:], 16):
            return None
    except ValueError:
        return None
    return Slot(int(found[1]), found[2].decode())


def newest(contents: dict[str, bytes | None]) -> tuple[str | None, Slot | None]:
    """(name of the file, what it says) of the slot that counts; contents: {name: bytes of the file}."""
    whole = [(slot, name) for name, data in contents.items() if (slot := parsed(data)) is not None]
    if not whole:
        return None, None
    slot, name = max(whole)
    return name, slot


def next_write(contents: dict[str, bytes | None], version: str) -> tuple[str, bytes]:
    """(file, bytes) that make `version` the newest: never the file of the slot that counts now."""
    name, slot = newest(contents)
    other = NAMES[1] if name == NAMES[0] else NAMES[0]
    return other, text(Slot(slot.number + 1 if slot else 1, version))
