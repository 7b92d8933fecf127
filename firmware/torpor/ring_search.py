"""Finding the newest reading without a hint. Law: a sector that cannot be read is unknown, never proof of emptiness.

Places are numbered along each half; place i holds readings 2i and 2i + 1 of a lap, one in each half. So the lap is a
step function along the places, and the head lies at the step.
"""

from struct import unpack_from

from . import ring
from .errors import CardError

# readings among which those that a power cut destroyed lie, every other one of them
SPAN = 2 * ring.DAMAGE_SECTORS
# so many numbers are passed over behind a mark when the unit with all that followed it is gone
PASSED_MORE = 2 * SPAN
# a card may lose so many sectors at once: 4 MiB, what it manages as one
UNIT_SECTORS = 8192
# how many places along each half are looked at before a ring is believed to be empty
PROBES = 128
# a card that fails to give this many sectors is not searched any further
UNREAD_MAX = 128


def find_head(found, feed, known=None):
    """The newest seq on the card, 0 when there is none. Raises CardError when too little can be read to tell.

    known: as recover has it. Where the card has lost so much that a search stops short, the diary shows the way.
    """
    head = _searched(found, feed)
    if known is not None and known[0] == found.ring_id and known[1] > head + SPAN + 2:
        for seq in range(known[1], known[1] - SPAN - 2, -1):
            feed()
            if found.load(seq, found.scratch):
                return _follow(found, seq, feed)
    return head


def find_behind(found, passed_to, feed):
    """The newest seq of the readings behind `passed_to`, the last number that was passed over; 0 when there is none.

    The high-water mark shows the way to them where all that led from the beginning is lost. Where the card did not
    take a newer mark, more were passed over than it states. Raises CardError when too little can be read to tell.
    """
    unread = 0
    for seq in range(passed_to + 1, passed_to + PASSED_MORE + SPAN + 3):
        feed()
        try:
            found.file.read(found.sector_of(seq), found.scratch)
        except CardError:
            # as behind any head
            unread += seq <= passed_to + 2
            continue
        if found.whole(found.scratch, seq):
            head = _Search(found, feed).newest_of_lap((seq >> 1) % found.half, seq)
            return _follow(found, head, feed)
    if unread == 2:
        raise CardError("too little of the card can be read")
    return 0


def _searched(found, feed):
    search = _Search(found, feed)
    start, first = search.first_whole()
    if first == 0:
        # a reading would show in the half that could be read
        if search.unread[0] and search.unread[1]:
            raise CardError("too little of the card can be read")
        return 0
    # with the beginning of both halves gone, order along the half proves nothing; but from the second lap on a large
    # ring has order behind the gap, and too much to look at everything
    ordered = found.half > UNIT_SECTORS and (first >> 1) // found.half > 0
    by_lap = start <= ring.DAMAGE_SECTORS or ordered
    head = search.newest_of_lap(start, first) if by_lap else search.newest_of_all(start)
    return _follow(found, head, feed)


def _follow(found, head, feed):
    """Step from `head` over bad sectors to the newest seq that follows it."""
    buffer = bytearray(ring.SECTOR)
    unread = 0
    ahead = head + 1
    # a unit that is gone leaves a longer gap: what shows it, and the numbers that were passed over behind it
    gap = 4 * SPAN if head > 1 and _is_bad(found, head - 1) else SPAN + 2
    while ahead <= head + gap:
        feed()
        try:
            found.file.read(found.sector_of(ahead), buffer)
            if found.whole(buffer, ahead):
                head = ahead
                unread = 0
        except CardError:
            # a cut write leaves one such sector, in one half; what lies unseen in both may be newer readings
            if ahead <= head + 2:
                unread += 1
        ahead += 1
    if unread == 2:
        raise CardError("too little of the card can be read")
    return head


def passed_over(found, known, feed, mark):
    """How many numbers after the head may have been given out, though the card has none of their readings; mostly 0.

    The newest reading has no copy yet: when its sector cannot be read any more, only the diary tells of it, or that
    the unit of the card is gone in which it lay. Then so many numbers are passed over that no write comes near the
    head, which has lost its copy with it. mark: what was passed over before, as the high-water mark has it, for when
    nothing whole follows it: the unit with all that did is gone.
    """
    head = newest = found.head
    before, passed_to = mark
    # a diary that is further ahead than a search looks, numbers that it passed over included, remembers another state
    # of this ring: the card counts then
    told = known is not None and known[0] == found.ring_id and head < known[1] <= max(head, passed_to) + SPAN + 2
    gone = _unit_gone(found, feed)
    if told or gone:
        newest = max(head + SPAN, known[1] if told else 0)
    if gone and found.half + ring.LAYOUT_SLOTS < UNIT_SECTORS:
        # the unit may have both halves' sectors of the same places: their numbers end where the lap before is whole
        while newest < head + found.capacity - SPAN and not _is_old(found, newest + 1) | _is_old(found, newest + 2):
            feed()
            newest += SPAN
        while newest > head + SPAN and _is_old(found, newest) | _is_old(found, newest - 1):
            newest -= 2
    if passed_to > head:
        # where the head has gone back since, what was stored behind the mark is gone, too, but no more than this
        newest = max(newest, passed_to + PASSED_MORE if head < before and _is_bad(found, before) else passed_to)
    return newest - head


def _unit_gone(found, feed):
    """True when the half that the next reading goes to has more bad sectors in a row there than a cut leaves.

    Where numbers were passed over before, there has been nothing: what follows them repeats none of them.
    """
    bad = 0
    seq = found.head - 1
    first = _first_told(found, found.head)
    while seq >= first and bad <= ring.DAMAGE_SECTORS and _is_bad(found, seq):
        feed()
        bad += 1
        seq -= 2
        first = max(first, _first_told(found, seq + 1))
    if bad:
        # in the first lap nothing is known of what lies ahead
        seq = found.head + 1 - found.capacity
        while seq > 0 and bad <= ring.DAMAGE_SECTORS and _is_bad(found, seq):
            feed()
            bad += 1
            seq += 2
    return bad > ring.DAMAGE_SECTORS


def _first_told(found, seq):
    """The number that the readings before `seq` began with, as its sector tells; 1 where it tells of none."""
    if seq < 1 or not found.load(seq, found.scratch) or found.scratch[5] == found.window:
        return 1
    return seq - found.scratch[5] + 1


def _is_bad(found, seq):
    """True when the sector of `seq` can be read and does not hold it."""
    try:
        found.file.read(found.sector_of(seq), found.scratch)
    except CardError:
        return False
    return not found.whole(found.scratch, seq)


def _is_old(found, seq):
    """True when the place of `seq` holds the reading of the lap before."""
    return seq > found.capacity and found.load(seq - found.capacity, found.scratch)


class _Search:
    def __init__(self, found, feed):
        self._found = found
        self._feed = feed
        self._buffer = bytearray(ring.SECTOR)
        # sectors of each half that the card did not give
        self.unread = [0, 0]

    def _seq_at(self, index, half):
        """The seq in place `index` of a half; 0: nothing whole is there; None: it could not be read."""
        found = self._found
        buffer = self._buffer
        try:
            found.file.read(half * (ring.LAYOUT_SLOTS + found.half) + ring.LAYOUT_SLOTS + index, buffer)
        except CardError:
            self.unread[half] += 1
            if self.unread[0] + self.unread[1] > UNREAD_MAX:
                raise
            return None
        seq = unpack_from("<I", buffer, 12)[0]
        if seq == 0 or seq & 1 != half or (seq >> 1) % found.half != index:
            return 0
        return seq if found.whole(buffer, seq) else 0

    def _newest_at(self, index):
        """The newer seq of the two halves' places `index`; they differ by one reading, so either will do."""
        self._feed()
        even = self._seq_at(index, 0)
        odd = self._seq_at(index, 1)
        if even or odd:
            return max(even or 0, odd or 0)
        return None if even is None or odd is None else 0

    def first_whole(self):
        """(place, seq) of the first whole place, in steps that grow after ring.DAMAGE_SECTORS; seq 0: none."""
        half = self._found.half
        index = before = 0
        while index < half:
            seq = self._newest_at(index)
            if seq:
                # the head may lie behind an earlier one, which the last step went over
                for place in range(before + 1, index):
                    earlier = self._newest_at(place)
                    if earlier:
                        return place, earlier
                return index, seq
            before = index
            index += 1 if index < ring.DAMAGE_SECTORS else max(1, half // PROBES)
        return half, 0

    def newest_of_all(self, start):
        """The newest seq of all places; every one is looked at, up to what no loss of one unit explains.

        start: a whole one.
        """
        head = gap = 0
        for index in range(self._found.half):
            seq = self._newest_at(index)
            if seq is None:
                raise CardError("too little of the card can be read")
            head = max(head, seq)
            gap = 0 if seq else gap + 1
            if index > start and gap > UNIT_SECTORS:
                break
        return head

    def newest_of_lap(self, start, first):
        """The newest seq of the lap that `first`, in place `start`, belongs to, by bisection."""
        half = self._found.half
        lap = (first >> 1) // half
        low, high, head = start, half, first
        while high - low > 1:
            middle = place = (low + high) // 2
            seq = self._newest_at(place)
            # from the second lap on every place has been written: a bad one says nothing, so ask the next
            while (seq is None or (seq == 0 and lap > 0)) and place + 1 < high:
                place += 1
                seq = self._newest_at(place)
            if seq and (seq >> 1) // half == lap:
                low = place
                head = max(head, seq)
            else:
                high = middle
        return head
