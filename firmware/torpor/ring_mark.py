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
# the sectors that a cut can take on either side of this one are layouts, and they have another copy
SLOT = ring.DAMAGE_SECTORS


def load(this):
    """(head before, last of them) of the numbers that the ring `this` passed over last; (0, 0): none."""
    buffer = bytearray(ring.SECTOR)
    newest = (0, 0)
    for copy in (0, 1):
        try:
            this.file.read(ring_layout.sector_of(SLOT, copy, this.half), buffer)
        except CardError:
            # the other copy, or what lies around the head
            continue
        magic, version, _, _, ring_id, before, last = unpack_from(_HEADER, buffer, 0)
        if magic == MAGIC and version == VERSION and ring_id == this.ring_id and ring.crc_ok(buffer):
            newest = max(newest, (before, last), key=lambda mark: mark[1])
    return newest


def keep(this, mark, layouts):
    """Write `mark`, as load has it, to each copy that does not have it yet, unless a layout has the place.

    layouts: how many slots are in use. A card that does not take the mark is left without: it is a second witness.
    """
    if layouts > SLOT:
        return
    buffer = bytearray(ring.SECTOR)
    pack_into(_HEADER, buffer, 0, MAGIC, VERSION, 0, 0, this.ring_id, *mark)
    ring.seal(buffer)
    there = bytearray(ring.SECTOR)
    for copy in (0, 1):
        sector = ring_layout.sector_of(SLOT, copy, this.half)
        try:
            this.file.read(sector, there)
        except CardError:
            there[0] = 0
        try:
            if there != buffer:
                this.file.write(sector, buffer)
        except CardError:
            continue
