"""What befalls a card with a real FAT on it. Law: the file system suffers with the ring, and the judge hears of both.

A write that is torn or goes wrong with the power on is one of the ring's: the node writes to the file system only
while it makes its ring, and what is spoilt there no firmware can mend. A power cut strikes whatever is written.
"""

from hostsim.card_faults import UNIT_SECTORS, CardFaults, is_befallen
from hostsim.runtimes.micropython.fat_card import FatCard

# the mark of a cluster that cannot be used, by the bytes of an entry
BAD = {2: b"\xf7\xff", 4: b"\xf7\xff\xff\x0f"}


class Spoilt(CardFaults):
    """In front of a FatCard."""

    def __init__(self, node, judge, card: FatCard):
        super().__init__(node, judge, card.lies, self._leave, lambda: card.count)
        self._card = card
        self._asked = (0, b"")
        self._spoilt: set[int] = set()  # sectors of the file system that hold rubbish
        self._read = card.read
        card.read, card.write, card.begun = self.read, self.write, self.begun

    def read(self, sector: int, count: int) -> bytes:
        for number in range(sector, sector + count):
            self.before_read(number)
        data = self._read(sector, count)
        fats = self._card.fats
        if sector in fats and not self._card.has_ring() and self._holds("card-full") is not None:
            data = _swapped(data, bytes(self._card.entry_bytes), BAD[self._card.entry_bytes])
        return data

    def write(self, sector: int, data: bytes) -> None:
        self._card.inside(sector, 1)
        self._card.writes += 1
        if sector in self._card.fats:
            # what was shown as taken is free
            data = _swapped(data, BAD[self._card.entry_bytes], bytes(self._card.entry_bytes))
        self._asked = (sector, bytes(data))
        self.write_sector(sector, data, self._card.is_of_ring(sector))

    def _leave(self, sector: int, data) -> None:
        data = bytes(data)
        if sector < self._card.files_begin:
            if (sector, data) == self._asked:
                self._spoilt.discard(sector)
            elif data != self._card.lies(sector):
                self._spoilt.add(sector)
        self._card.land(sector, data)

    def begun(self) -> None:
        self.looked_into(self._card.has_ring(), self._lose_unit)
        if self._spoilt:
            self._judge.card_failed()

    def _lose_unit(self) -> bool:
        """An aligned 4 MiB of the card, with what the file system has in it."""
        card = self._card
        first = UNIT_SECTORS * self._random.choice(sorted({sector // UNIT_SECTORS for sector in card.ring_sectors()}))
        lost = range(first, min(first + UNIT_SECTORS, card.count))
        no_ring = self._judge.sectors_gone(self._node.now_ms, lambda: card.forget(lost), card.peek, card.sectors)
        return no_ring or first < card.files_begin


def _swapped(data: bytes, old: bytes, new: bytes) -> bytes:
    """Entries of a table with one of their values in place of another."""
    entries = [data[at : at + len(old)] for at in range(0, len(data), len(old))]
    return b"".join(new if entry == old else entry for entry in entries)


def befall(node, judge, card: FatCard) -> None:
    """To be called once, when the card is made."""
    if is_befallen(node):
        Spoilt(node, judge, card)
