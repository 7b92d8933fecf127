"""Who knows what about each reading of one ring. Law: one (ring, seq) has one content, and is counted once.

The arrays are as long as the ring and are made when it is met, so that a longer rehearsal takes no more memory.
"""

from array import array

LANDED = 1
DELIVERED = 2
DROPPED = 4  # held, and gone from retained memory before it was delivered
NOT_SURE = -1.0


class Ledger:
    """One ring's readings. volatile: they are held in retained memory, not on a card."""

    def __init__(self, ring_id: int, capacity: int, volatile: bool = False):
        self.ring_id = ring_id
        self.capacity = capacity
        self.volatile = volatile
        self.newest = 0
        self.state = bytearray(capacity)
        self.content = array("q", bytes(8 * capacity))
        self.taken_ms = array("q", bytes(8 * capacity))
        self.run = array("H", bytes(2 * capacity))
        self.bound_s = array("d", bytes(8 * capacity))
        self.stated_s = array("q", bytes(8 * capacity))
        self.stated_uncertainty_s = array("i", bytes(4 * capacity))
        self.layouts: dict[int, list] = {}
        self.stored = self.delivered = self.duplicates = self.overwritten = self.lost_unseen = self.dropped = 0

    def has(self, seq: int) -> bool:
        return self.newest - self.capacity < seq <= self.newest and self.state[seq % self.capacity] & LANDED != 0

    def land(self, seq: int, content: int, taken_ms: int, run: int, bound_s: float, acked_to: int) -> None:
        """A new reading is in the ring; what lay in its place is gone."""
        place = seq % self.capacity
        old = self.state[place]
        if old & LANDED and not old & DELIVERED:
            if seq - self.capacity <= acked_to:
                self.lost_unseen += 1
            else:
                self.overwritten += 1
        self.state[place] = LANDED
        self.content[place] = content
        self.taken_ms[place] = taken_ms
        self.run[place] = run
        self.bound_s[place] = bound_s
        self.stated_s[place] = self.stated_uncertainty_s[place] = -1
        self.stored += 1
        self.newest = seq

    def undelivered(self):
        """The seqs that landed, were not dropped and were never delivered, oldest first."""
        for seq in range(max(1, self.newest - self.capacity + 1), self.newest + 1):
            if self.state[seq % self.capacity] & (LANDED | DELIVERED | DROPPED) == LANDED:
                yield seq
