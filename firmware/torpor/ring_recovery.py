"""A cold start: checking a ring, and mending what a power cut destroyed.

Law: recovery never writes a sector whose contents it could not rebuild from whole ones, and it finishes one half
before it touches the other. (The one other thing that it writes, the high-water mark, stands among the layouts.)
"""

from struct import unpack_from

from . import ring, ring_layout, ring_mark
from .errors import CardError, RingError
from .ring import DAMAGE_SECTORS
from .ring_search import UNIT_SECTORS, find_behind, find_head, passed_over

# so many sectors may refuse to be mended before the card is given up
REFUSED_MAX = 4


def recover(file, eui, random_u32, feed, known=None):
    """Open the ring in `file` after a cold start: check, search, mend; return (ring, slots used, sectors mended).

    eui: the 8 bytes of this board. random_u32: a fresh number, the new ring id if the ring holds no reading.
    feed: called now and then, for the watchdog. known: (ring_id, head) that the diary remembers, if it does: a
    number that was given out is not given out again, even if the card has lost its reading. Raises RingError when
    the file is no ring, another board's ring or cut short: nothing is written then; CardError when the card fails.
    """
    if ring.half_sectors(file.sector_count) < ring.HALF_MIN:
        raise RingError("the file is too small for a ring")
    first = ring_layout.load(file, 0, None, bytearray(ring.SECTOR))
    if first is None:
        raise RingError("the file holds no ring, or a shortened one")
    stride, ring_id, half, owner, node, channels = first
    if half != ring.half_sectors(file.sector_count):
        raise RingError("the file is not as long as its ring")
    if bytes(owner) != bytes(eui):
        raise RingError("the ring belongs to another board")
    found = ring.Ring(file, ring_id, stride, 0)
    found.head = find_head(found, feed, known)
    mark = ring_mark.load(found)
    if mark[1] > found.head:
        found.head = find_behind(found, mark[1], feed) or found.head
    if found.head == 0:
        # No reading is left to tell which numbers were used, so the numbers start again under a new name.
        return ring_layout.create(file, random_u32, stride, eui, node, channels), 1, 0
    if not found.carry_on():
        raise CardError("the newest reading cannot be read twice")
    found.acked_to = min(unpack_from("<I", found.buffer, 16)[0], found.head)
    slots = _mend_layouts(file, ring_id, feed)
    passed = passed_over(found, known, feed, mark)
    if passed:
        # what shows that readings are gone stays as it is until one is stored behind it
        found.skip_to(found.head + passed)
        mark = (found.passed_from, found.head)
    if mark[1]:
        ring_mark.keep(found, mark)
    mended = mend(found, feed)
    if not passed and not found.carry_on():
        raise CardError("the newest reading cannot be read twice")
    return found, slots, mended


def is_rubbish(file, feed):
    """True when every sector of the file can be read, and none of them begins as those of a ring do.

    For a file that a card can lose at once, and a search has the time for. Raises CardError when the card fails.
    """
    if file.sector_count > UNIT_SECTORS:
        return False
    buffer = bytearray(ring.SECTOR)
    for sector in range(file.sector_count):
        feed()
        file.read(sector, buffer)
        if buffer[:4] in (ring.MAGIC, ring_layout.MAGIC):
            return False
    return True


def _mend_layouts(file, ring_id, feed):
    used = 0
    refused = 0
    for slot in range(ring.LAYOUT_SLOTS):
        feed()
        try:
            if ring_layout.repair(file, slot, ring_id):
                used = slot + 1
        except CardError:
            refused += 1
            if refused > REFUSED_MAX:
                raise
    return used


def mend(found, feed):
    """Rebuild the bad sectors that a power cut may have left from whole ones, half by half; return how many.

    That is around the head, behind and ahead of it (where the ring's oldest readings lie), and along the layouts,
    whose writing can be cut too. Places of numbers that were passed over are left alone: a sector that could not be
    read today may have the only copy. So are the last ones before them, which show that a unit is gone. Raises
    CardError when more than REFUSED_MAX sectors cannot be written.
    """
    rebuilt = 0
    refused = 0
    for half in (0, 1):
        for place in _endangered(found, half):
            feed()
            # the newest reading of this half that has this place
            pair = (found.head - ((found.head ^ half) & 1)) >> 1
            seq = 2 * (pair - (pair - place) % found.half) + half
            if 0 <= found.passed_from - seq <= 2 * DAMAGE_SECTORS + 2:
                continue
            try:
                if seq >= 1 and _mend_one(found, seq):
                    rebuilt += 1
            except CardError:
                refused += 1
                if refused > REFUSED_MAX:
                    raise
    return rebuilt


def _endangered(found, half):
    """Places of a half that an aligned group around the last write may have taken, each once."""
    count = found.half
    newest = (found.head - ((found.head ^ half) & 1)) >> 1
    first = newest - DAMAGE_SECTORS + 1
    for place in range(first, first + 2 * DAMAGE_SECTORS):
        yield place % count
    edges = [range(DAMAGE_SECTORS)]
    if half == 0:
        # the layouts of half 1 follow
        edges.append(range(count - DAMAGE_SECTORS, count))
    for edge in edges:
        for place in edge:
            if (place - first) % count >= 2 * DAMAGE_SECTORS:
                yield place


def _mend_one(found, seq):
    """Rebuild the sector of `seq` if it is bad and its record is to be had; True when it was rebuilt."""
    buffer = found.buffer
    if found.load(seq, buffer):
        return False
    records = []
    for member in range(max(1, seq - found.window + 1), seq + 1):
        record = found.read(member)
        if record is None:
            # what is repeated ends with the newest record and has no hole
            records = []
        else:
            records.append(bytes(record))
    if not records:
        return False
    anchor, acked_to = _stated_near(found, seq, unpack_from("<H", records[-1], 6)[0])
    at = ring.BODY_AT
    for record in records:
        buffer[at : at + found.stride] = record
        at += found.stride
    ring.write_header(buffer, len(records), found.stride, found.ring_id, seq, min(acked_to, seq), anchor)
    ring.seal(buffer)
    found.write_checked(seq)
    return True


def _stated_near(found, seq, run):
    """(anchor, acked_to) for a rebuilt sector: what the sectors beside it, which lie in the other half, say."""
    anchor = (run, 0, 0, 0)
    acked_to = 0
    for neighbour in (seq - 1, seq + 1):
        stated = found.anchor_in(neighbour, found.buffer)
        if stated is not None:
            acked_to = unpack_from("<I", found.buffer, 16)[0]
            if stated[0] == run:
                anchor = stated
    return anchor, acked_to
