"""Finding the head without a hint, and mending what a power cut destroyed.

Law: recovery never writes a sector whose contents it could not rebuild from whole ones, and it finishes one half
before it touches the other.
"""

from struct import unpack_from

from . import ring, ring_layout
from .errors import CardError, RingError

# a power cut destroys at most one aligned group of this many sectors, in one half
DAMAGE_SECTORS = 32
# readings whose sectors may lie in such a group of one half: both halves together
SPAN = 2 * DAMAGE_SECTORS
# how many places along each half are looked at before a ring is believed to be empty
PROBES = 128


def recover(file, eui, random_u32, feed):
    """Open the ring in `file` after a cold start: check it, find the head, mend it; return (ring, slots used, mended).

    eui: the 8 bytes of this board. random_u32: a fresh number, the new ring id if the ring holds no reading.
    feed: called now and then, for the watchdog. Raises RingError when the file is no ring, another board's ring or
    cut short; CardError when the card fails. Nothing is written in those cases.
    """
    buffer = bytearray(ring.SECTOR)
    if ring.half_sectors(file.sector_count) < ring.HALF_MIN:
        raise RingError("the file is too small for a ring")
    first = ring_layout.load(file, 0, None, buffer)
    if first is None:
        raise RingError("the file holds no ring, or a shortened one")
    stride, ring_id, half, owner, node, channels = first
    if half != ring.half_sectors(file.sector_count):
        raise RingError("the file is not as long as its ring")
    if bytes(owner) != bytes(eui):
        raise RingError("the ring belongs to another board")
    found = ring.Ring(file, ring_id, stride, 0)
    found.head = find_head(found, feed)
    if found.head == 0:
        # No reading is left to tell which numbers were used, so the numbers start again under a new name.
        return ring_layout.create(file, random_u32, stride, eui, node, channels), 1, 0
    if not found.load(found.head, found.buffer):
        raise RingError("the newest reading cannot be read twice")
    found.acked_to = min(unpack_from("<I", found.buffer, 16)[0], found.head)
    slots = _mend_layouts(file, ring_id, feed)
    mended = mend(found, feed)
    # the next append carries on the window of the newest sector
    if not found.load(found.head, found.buffer):
        raise RingError("the newest reading cannot be read twice")
    return found, slots, mended


def _mend_layouts(file, ring_id, feed):
    used = 0
    for slot in range(ring.LAYOUT_SLOTS):
        feed()
        if ring_layout.repair(file, slot, ring_id):
            used = slot + 1
    return used


def _seq_at(found, index, half, buffer):
    """The seq in place `index` of a half when its sector is whole and belongs there, else 0."""
    base = half * (ring.LAYOUT_SLOTS + found.half) + ring.LAYOUT_SLOTS
    try:
        found.file.read(base + index, buffer)
    except CardError:
        return 0
    seq = unpack_from("<I", buffer, 12)[0]
    if seq == 0 or seq & 1 != half or (seq >> 1) % found.half != index:
        return 0
    return seq if found.valid(buffer, seq) and ring.crc_ok(buffer) else 0


def _newest_at(found, index, buffer):
    """The newer seq of the two halves' places `index`; the halves differ by one reading, so either will do."""
    return max(_seq_at(found, index, 0, buffer), _seq_at(found, index, 1, buffer))


def find_head(found, feed):
    """The newest seq on the card, 0 when there is none."""
    buffer = bytearray(ring.SECTOR)
    half = found.half
    start, first = _first_whole(found, 0, half, buffer, feed)
    if first == 0:
        return 0
    if start > DAMAGE_SECTORS:
        # the beginning of both halves is gone, so order along the half proves nothing: look at every place
        low = 0
        head = 0
        for index in range(half):
            feed()
            head = max(head, _newest_at(found, index, buffer))
    else:
        lap = (first >> 1) // half
        low, high = start, half
        head = first
        while high - low > 1:
            feed()
            middle = (low + high) // 2
            seq = _newest_at(found, middle, buffer)
            if seq == 0 and lap > 0:
                # every place has been written by now: both copies are bad, so ask the next whole one
                _, seq = _first_whole(found, middle, min(high, middle + SPAN), buffer, feed)
            if seq and (seq >> 1) // half == lap:
                low = middle
                head = max(head, seq)
            else:
                high = middle
    return _follow(found, head, buffer, feed)


def _follow(found, head, buffer, feed):
    """Step from `head` over bad sectors to the newest seq that follows it."""
    ahead = head + 1
    while ahead <= head + SPAN + 2:
        feed()
        if found.load(ahead, buffer):
            head = ahead
        ahead += 1
    return head


def _first_whole(found, start, stop, buffer, feed):
    """(place, seq) of the first whole sector from `start` on, in steps that grow once DAMAGE_SECTORS are passed."""
    index = start
    step = 1
    while index < stop:
        feed()
        seq = _newest_at(found, index, buffer)
        if seq:
            return index, seq
        if index - start >= DAMAGE_SECTORS:
            step = max(1, (stop - start) // PROBES)
        index += step
    return stop, 0


def mend(found, feed):
    """Rebuild the bad sectors around the head from whole ones, one half after the other; return how many.

    Around: the last DAMAGE_SECTORS of each half, and as many ahead, where the ring's oldest readings lie.
    """
    rebuilt = 0
    for half in (0, 1):
        newest = found.head - ((found.head ^ half) & 1)
        for step in range(DAMAGE_SECTORS):
            feed()
            seq = newest - 2 * step
            if seq >= 1:
                rebuilt += _mend_one(found, seq)
            seq = newest + 2 * (step + 1) - found.capacity
            if seq >= 1 and seq > found.acked_to:
                rebuilt += _mend_one(found, seq)
    return rebuilt


def _mend_one(found, seq):
    buffer = found.buffer
    if found.load(seq, buffer):
        return 0
    stride = found.stride
    count = min(seq, found.window)
    # the newest record must be had; older ones of the window are taken as far as they can be had
    records = []
    for member in range(seq, seq - count, -1):
        record = found.read(member)
        if record is None:
            break
        records.append(bytes(record))
    if not records:
        return 0
    count = len(records)
    at = ring.BODY_AT
    for record in reversed(records):
        buffer[at : at + stride] = record
        at += stride
    run = unpack_from("<H", records[0], 6)[0]
    stated = (run, 0, 0, 0)
    acked_to = 0
    for neighbour in (seq + 1, seq - 1):
        anchor = found.anchor_in(neighbour, found.scratch) if neighbour >= 1 else None
        if anchor is not None:
            acked_to = unpack_from("<I", found.scratch, 16)[0]
            if anchor[0] == run:
                stated = anchor
            break
    ring.write_header(buffer, count, stride, found.ring_id, seq, min(acked_to, seq), stated)
    ring.seal(buffer)
    found.write_checked(seq)
    return 1
