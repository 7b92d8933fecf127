"""Who knows what about each reading of one ring. Law: one (ring, seq) has one content, and is counted once.

The arrays are as long as the ring and are made when it is met, so that a longer rehearsal takes no more memory.
"""

from array import array
from struct import Struct

LANDED = 1
DELIVERED = 2
DROPPED = 4  # held, and gone from retained memory before it was delivered
DESTROYED = 8  # its last copy is gone: the card lost it, or a broker that had acknowledged it
FORGOTTEN = 16  # a broker acknowledged it and forgot it; the ring has it still
_GONE = DELIVERED | DROPPED | DESTROYED
_RIGHTLY_ACCEPTED = LANDED | DELIVERED | DESTROYED | FORGOTTEN
NOT_SURE = -1.0  # no bound is known: the node could not know the time
JUMPED = -2.0  # its clock had jumped, which it could not see, and the time that it states is not judged
TIME_UNKNOWN = 65535
_TIME = Struct("<IH")  # how a record begins
_RUN = Struct("<IHH")


class Ledger:
    """One ring's readings. volatile: they are held in retained memory, not on a card.

    capacity: readings that the ring has room for; room: the most bytes of a record.
    `stored` counts the distinct seqs that landed; each of them is one of: `delivered`, `overwritten` (out of the ring
    and not accepted), `lost_unseen` (out of the ring, accepted and never delivered), `dropped`, `destroyed` (the card
    lost its last copy, or the broker that took it), or `undelivered()`.
    `replaced_waiting`: how often, on a card, a reading took the place of one that was not accepted yet.
    """

    def __init__(self, ring_id: int, capacity: int, room: int, volatile: bool = False):
        self.ring_id = ring_id
        self.capacity = capacity
        self.volatile = volatile
        self.newest = 0
        self.state = bytearray(capacity)
        self.taken_ms = array("q", bytes(8 * capacity))
        self.bound_s = array("d", bytes(8 * capacity))
        self.stated_s = array("q", bytes(8 * capacity))
        self.stated_uncertainty_s = array("i", bytes(4 * capacity))
        self.layouts: dict[int, list] = {}
        self.acked_to = 0  # as the newest sector states it
        self.stored = self.delivered = self.duplicates = self.overwritten = self.lost_unseen = self.dropped = 0
        self.replaced_waiting = self.destroyed = 0
        self.room = room
        self._records = bytearray(capacity * room)
        self._accepted_rightly = 0

    def has(self, seq: int) -> bool:
        """True for a reading that landed and that no other has replaced since."""
        return self.newest - self.capacity < seq <= self.newest and self.state[seq % self.capacity] & LANDED != 0

    def fits(self, capacity: int, room: int) -> bool:
        return capacity == self.capacity and room == self.room

    def record(self, seq: int, size: int) -> bytes:
        """The first `size` bytes of a record that landed."""
        at = seq % self.capacity * self.room
        return self._records[at : at + size]

    def land(self, seq: int, record: bytes, taken_ms: int, bound_s: float, acked_to: int) -> int:
        """A new reading, newer than all others, is in the ring; returns how many undelivered ones it pushed out."""
        gone = self.skip_to(seq, acked_to)
        if seq > self.capacity and not self.volatile and seq - self.capacity > acked_to:
            self.replaced_waiting += 1
        place = seq % self.capacity
        self.state[place] = LANDED
        self.taken_ms[place] = taken_ms
        self.bound_s[place] = bound_s
        at = place * self.room
        self._records[at : at + len(record)] = record
        time_s, uncertainty_s = _TIME.unpack_from(record)
        if uncertainty_s == TIME_UNKNOWN:
            self.stated_s[place] = self.stated_uncertainty_s[place] = -1
        else:
            self.stated_s[place] = time_s
            self.stated_uncertainty_s[place] = uncertainty_s
        self.stored += 1
        self.acked_to = acked_to
        return gone

    def skip_to(self, seq: int, acked_to: int) -> int:
        """The newest number is `seq`, which has not landed; returns how many undelivered readings that pushed out."""
        first = max(self.newest + 1, seq - self.capacity + 1)
        self.newest = seq
        if first == seq and self.state[seq % self.capacity] == 0:
            return 0  # the usual case
        return sum([self._push_out(passed, acked_to) for passed in range(first, seq + 1)])

    def _push_out(self, seq: int, acked_to: int) -> int:
        """What lies in the place of `seq` is in the ring no more."""
        place = seq % self.capacity
        pushed = self.state[place] & (LANDED | _GONE) == LANDED
        if pushed:
            if self.state[place] & FORGOTTEN:
                self.destroyed += 1
            elif seq - self.capacity <= acked_to:
                self.lost_unseen += 1
            else:
                self.overwritten += 1
        self.state[place] = 0
        return int(pushed)

    def deliver(self, seq: int) -> bool:
        """A reading that the ring has was delivered; False: not for the first time."""
        place = seq % self.capacity
        state = self.state[place]
        if state & DELIVERED:
            self.duplicates += 1
            return False
        if state & DROPPED:
            # it was accepted, and only the news of it came late
            self.dropped -= 1
        if state & DESTROYED:
            self.destroyed -= 1
        self.state[place] = LANDED | DELIVERED
        self.delivered += 1
        return True

    def deliver_late(self) -> None:
        """A reading was delivered that had been pushed out as accepted before the news of it came."""
        self.lost_unseen -= 1
        self.delivered += 1

    def drop(self, seq: int) -> None:
        self.state[seq % self.capacity] |= DROPPED
        self.dropped += 1

    def destroy(self, seq: int) -> None:
        self.state[seq % self.capacity] |= DESTROYED
        self.destroyed += 1

    def forget(self, seq: int) -> None:
        """A broker acknowledged a reading, and forgot it: the ring can be asked for it, memory cannot."""
        state = self.state[seq % self.capacity]
        if not state & _GONE:
            if self.volatile:
                self.destroy(seq)
            else:
                self.state[seq % self.capacity] = state | FORGOTTEN

    def is_forgotten(self, seq: int) -> bool:
        return self.state[seq % self.capacity] & FORGOTTEN != 0

    def undated(self, run: int) -> list[int]:
        """The seqs in the ring whose records say that their time was not known, in this run."""
        found = []
        for seq in range(max(1, self.newest - self.capacity + 1), self.newest + 1):
            if self.state[seq % self.capacity] & LANDED:
                _, uncertainty_s, of = _RUN.unpack_from(self._records, seq % self.capacity * self.room)
                if uncertainty_s == TIME_UNKNOWN and of == run:
                    found.append(seq)
        return found

    def forget_times(self, first: int, last: int) -> None:
        """What was stated of when they were taken cannot be told a second time."""
        for seq in range(max(first, self.newest - self.capacity + 1), last + 1):
            place = seq % self.capacity
            if _TIME.unpack_from(self._records, place * self.room)[1] == TIME_UNKNOWN:
                self.stated_s[place] = self.stated_uncertainty_s[place] = -1

    def wrongly_accepted(self, acked_to: int) -> int | None:
        """The first seq up to `acked_to` that was never delivered, though the ring has it or will only get it."""
        if acked_to <= self._accepted_rightly:
            return None
        seq = max(self._accepted_rightly + 1, self.newest - self.capacity + 1)
        while seq <= acked_to:
            if seq > self.newest or self.state[seq % self.capacity] & _RIGHTLY_ACCEPTED == LANDED:
                break
            seq += 1
        self._accepted_rightly = max(self._accepted_rightly, seq - 1)
        return seq if seq <= acked_to else None

    def undelivered(self, first: int = 1):
        """The seqs from `first` on that landed, were not dropped, destroyed or delivered, oldest first."""
        for seq in range(max(first, self.newest - self.capacity + 1), self.newest + 1):
            if self.state[seq % self.capacity] & (LANDED | _GONE) == LANDED:
                yield seq
