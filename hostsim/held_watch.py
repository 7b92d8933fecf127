"""Readings held in retained memory. Law: what was held is delivered, still held, or was dropped for want of room."""

from hostsim import diary_format
from hostsim.ledger import Ledger

CAPACITY = 4096  # of the judge's books; retained memory is far smaller


class HeldWatch:
    """Looks at one node's retained memory. land(ledger, seq, record) is told each new reading, gone(count) how many
    were dropped, unseen(count) how many before they could be seen, broken(fact) what speaks against the node.
    """

    def __init__(self, ledgers: dict[int, Ledger], land, gone, unseen, broken):
        self._ledgers = ledgers
        self._land = land
        self._gone = gone
        self._unseen = unseen
        self._broken = broken
        self._ledger: Ledger | None = None  # of the area last seen
        self._stride = 0
        self._changed = False
        self._settled_to = 0  # what is held and older has been delivered or dropped

    def look(self, memory, card_failed: bool, prompt: bool) -> None:
        """card_failed: the card gave a reason to hold readings in this wake."""
        if self._ledger is None and not diary_format.says_held(memory):
            return
        holding = diary_format.says_held(memory) and diary_format.whole(memory)
        if self._ledger is None and not holding:
            return
        area = diary_format.held(memory)
        if area is None or (self._ledger is not None and area[0] != self._ledger.ring_id):
            self._forget(area is not None)
        if area is None:
            return
        ring_id, head, count, stride, records = area
        if self._ledger is None:
            self._settled_to = 0
        ledger = self._ledger = self._ledgers.get(ring_id)
        if ledger is None:
            ledger = Ledger(ring_id, CAPACITY, diary_format.STRIDES[-1], volatile=True)
            self._ledger = self._ledgers[ring_id] = ledger
        same = stride == self._stride
        ledger.layouts[0] = [None] * ((stride - 12) // 6)
        first = head - count + 1
        for seq in range(max(first, ledger.newest + 1), head + 1):
            self._land(ledger, seq, records[(seq - first) * stride : (seq - first + 1) * stride])
        if head > ledger.newest:
            self._unseen(head - ledger.newest)
            ledger.skip_to(head, 0)
        dropped = self._dropped(ledger, first) if prompt else []
        if dropped and self._changed:
            self._changed = False
        elif dropped and same and count < diary_format.held_capacity(memory, stride):
            self._broken("a held reading was dropped though there was room for it")
        elif dropped and not card_failed:
            self._broken("a held reading was dropped while the card was healthy")
        self._stride = stride
        if count == 0 and not holding and prompt:
            self._ledger = None

    def memory_lost(self) -> int:
        """Nothing is held any more; returns how many readings that took."""
        ledger, self._ledger = self._ledger, None
        return len(self._drop(ledger, list(ledger.undelivered()))) if ledger is not None else 0

    def channels_change(self) -> None:
        """What is held from before has other channels than the settings name now: it cannot be sent, nor be kept."""
        self._changed = self._ledger is not None

    def _dropped(self, ledger: Ledger, first: int) -> list[int]:
        dropped = []
        for seq in ledger.undelivered(self._settled_to + 1):
            if seq >= first:
                break
            dropped.append(seq)
        self._settled_to = max(self._settled_to, first - 1)
        return self._drop(ledger, dropped)

    def _drop(self, ledger: Ledger, dropped: list[int]) -> list[int]:
        for seq in dropped:
            ledger.drop(seq)
        self._gone(len(dropped))
        return dropped

    def _forget(self, replaced: bool) -> None:
        """The area is gone: retained memory was lost, or another area has been made in its place."""
        ledger, self._ledger = self._ledger, None
        if ledger is None:
            return
        dropped = self._drop(ledger, list(ledger.undelivered()))
        if dropped and replaced:
            self._broken("held readings were given up for a new area")
