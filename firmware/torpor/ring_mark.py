"""The high-water mark: up to which number readings were passed over. Law: it gives its place up to a layout.

What shows that numbers were passed over lies around the newest reading, and can be lost with what is stored behind
it. The mark stands where writing it endangers layouts alone. The format is docs/formats.md, "High-water mark".
"""

from struct import pack_into, unpack_from

from . import ring, ring_layout
from .errors import CardError

MAGIC = b"tpHw"
VERSION = 1
_HEADER = "<4sBBHIII"
_HEADER_SIZE = 20
# the sectors that a cut can take on either side of this one are layouts, and they have another copy
SLOT = ring.DAMAGE_SECTORS


def load(this):
    """(head before, last of them) of the numbers that the ring `this` passed over last; (0, 0): none."""
    buffer = bytearray(ring.SECTOR)
    one, other = [_read(this, copy, buffer) or (0, 0) for copy in (0, 1)]
    return one if one[1] >= other[1] else other


def keep(this, mark):
    """Write `mark`, as load has it, to each copy that does not have it yet, unless a layout has the place.

    A card that does not take the mark is left without: it is a second witness.
    """
    buffer = bytearray(ring.SECTOR)
    there = []
    for copy in (0, 1):
        there.append(_read(this, copy, buffer))
        layout = None if there[copy] is None else ring_layout.decode(buffer, SLOT)
        # an older ring below may have had one there, too
        if layout is not None and layout[1] == this.ring_id:
            return
    pack_into(_HEADER, buffer, 0, MAGIC, VERSION, 0, 0, this.ring_id, *mark)
    buffer[_HEADER_SIZE : ring.CRC_AT] = bytes(ring.CRC_AT - _HEADER_SIZE)
    ring.seal(buffer)
    # a copy that is the last one is written over when the other has the new mark
    for copy in (0, 1) if there[1] and there[1][1] else (1, 0):
        # what cannot be read today may be a layout
        if there[copy] is None or there[copy] == mark:
            continue
        try:
            this.file.write(ring_layout.sector_of(SLOT, copy, this.half), buffer)
        except CardError:
            continue


def _read(this, copy, buffer):
    """The mark in a copy; (0, 0) where it holds none, None where it cannot be read."""
    try:
        this.file.read(ring_layout.sector_of(SLOT, copy, this.half), buffer)
    except CardError:
        return None
    magic, version, _, _, ring_id, before, last = unpack_from(_HEADER, buffer, 0)
    if magic != MAGIC or version != VERSION or ring_id != this.ring_id or not ring.crc_ok(buffer):
        return 0, 0
    return before, last
