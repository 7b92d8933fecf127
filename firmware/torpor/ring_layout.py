"""Layouts: which channels a record has. Law: a layout, once written, never changes; a change takes the next slot.

Both halves begin with 64 layout sectors; slot k is written to half 0, read back, then to half 1, before its
first record. Slot 0 also says what ring this is and whose. The format is docs/formats.md, "Layout sector".
"""

from struct import pack_into, unpack_from

from . import ring
from .errors import CardError, RingError

MAGIC = b"tpLy"
VERSION = 1
_HEADER = "<4sBBHIIBB8s"
_HEADER_SIZE = 26


def encode(buffer, slot, stride, ring_id, half, eui, node, channels):
    """Fill `buffer` with a layout sector; raises RingError when the channels do not fit into it.

    channels: (name, unit, exponent, sensor) each, strings of at most 255 bytes.
    """
    for index in range(ring.SECTOR):
        buffer[index] = 0
    pack_into(_HEADER, buffer, 0, MAGIC, VERSION, slot, stride, ring_id, half, len(channels), 0, eui)
    at = _put(buffer, _HEADER_SIZE, node)
    for name, unit, exponent, sensor in channels:
        at = _put(buffer, at, name)
        at = _put(buffer, at, unit)
        at = _put(buffer, at, sensor)
        if at >= ring.CRC_AT:
            raise RingError("the channels' names do not fit into one layout sector")
        buffer[at] = exponent & 0xFF
        at += 1
    ring.seal(buffer)


def _put(buffer, at, text):
    data = text.encode()
    if len(data) > 255 or at + 1 + len(data) > ring.CRC_AT:
        raise RingError("the channels' names do not fit into one layout sector")
    buffer[at] = len(data)
    buffer[at + 1 : at + 1 + len(data)] = data
    return at + 1 + len(data)


def decode(buffer, slot):
    """(stride, ring_id, half, eui, node, channels) of a whole layout sector of this slot, else None."""
    magic, version, found, stride, ring_id, half, count, _, eui = unpack_from(_HEADER, buffer, 0)
    if magic != MAGIC or version != VERSION or found != slot or not ring.crc_ok(buffer):
        return None
    try:
        node, channels = _texts(buffer, count)
    except (IndexError, UnicodeError):
        # whole by its CRC and yet no layout of ours: it must not stop a start for ever
        return None
    return stride, ring_id, half, eui, node, channels


def _texts(buffer, count):
    node, at = _get(buffer, _HEADER_SIZE)
    channels = []
    for _ in range(count):
        name, at = _get(buffer, at)
        unit, at = _get(buffer, at)
        sensor, at = _get(buffer, at)
        exponent = buffer[at] - 256 if buffer[at] > 127 else buffer[at]
        at += 1
        channels.append((name, unit, exponent, sensor))
    return node, channels


def _get(buffer, at):
    size = buffer[at]
    return bytes(buffer[at + 1 : at + 1 + size]).decode(), at + 1 + size


def sector_of(slot, copy, half):
    """Where copy 0 or 1 of a slot lies."""
    return copy * (ring.LAYOUT_SLOTS + half) + slot


def endangers(this, slot):
    """True while a power cut in the writing of `slot` could take the newest reading of the ring `this` along.

    Only its own sector has that reading. Write the slot after one of the next readings then: after the next one for
    slots up to 32, as soon as the head is past the beginning of the halves for the others.
    """
    if this.head == 0:
        return False
    newest = this.sector_of(this.head)
    return any(abs(newest - sector_of(slot, copy, this.half)) < ring.DAMAGE_SECTORS for copy in (0, 1))


def load(file, slot, ring_id, buffer):
    """The layout in `slot` of the ring `ring_id` (None: of any), from whichever copy is whole; None when neither.

    Raises CardError when no copy is whole and one could not be read: such a slot may be in use.
    """
    half = ring.half_sectors(file.sector_count)
    unread = None
    for copy in (0, 1):
        try:
            file.read(sector_of(slot, copy, half), buffer)
        except CardError as error:
            unread = error
            continue
        found = decode(buffer, slot)
        if found is not None and (ring_id is None or found[1] == ring_id):
            return found
    if unread is not None:
        raise unread
    return None


def write(file, slot, buffer):
    """Write the encoded layout in `buffer` to one half, then the other; CardError when one does not read back."""
    check = bytearray(ring.SECTOR)
    half = ring.half_sectors(file.sector_count)
    for copy in (0, 1):
        sector = sector_of(slot, copy, half)
        file.write(sector, buffer)
        file.read(sector, check)
        if check != buffer:
            raise CardError("a layout did not read back")


def create(file, ring_id, stride, eui, node, channels):
    """Make a ring of `file`, whose contents are undefined, and return it.

    Raises RingError when the file is too small or the stride too long, CardError when the card fails.
    """
    half = ring.half_sectors(file.sector_count)
    if half < ring.HALF_MIN:
        raise RingError("the file is too small for a ring")
    if ring.window_of(stride) < ring.WINDOW_MIN:
        raise RingError("the records are too long to be repeated")
    buffer = bytearray(ring.SECTOR)
    encode(buffer, 0, stride, ring_id, half, eui, node, channels)
    write(file, 0, buffer)
    return ring.Ring(file, ring_id, stride, 0)


def repair(file, slot, ring_id):
    """Rewrite the bad copy of a slot from the whole one; True when the slot is in use."""
    buffer = bytearray(ring.SECTOR)
    if load(file, slot, ring_id, buffer) is None:
        return False
    half = ring.half_sectors(file.sector_count)
    check = bytearray(ring.SECTOR)
    for copy in (0, 1):
        sector = sector_of(slot, copy, half)
        try:
            file.read(sector, check)
        except CardError:
            check[0] = 0
        if check != buffer:
            file.write(sector, buffer)
            file.read(sector, check)
            if check != buffer:
                raise CardError("a layout did not read back")
    return True
