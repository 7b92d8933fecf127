"""What befalls a card. Law: the card answers as a board sees it, and the judge hears of each time it did not obey.

A card without such faults never comes here: `befall` puts this in front of the card's own read, write, create and
names.
"""

import errno

from hostsim.card import SECTOR, CardFault
from hostsim.fault_names_card import CARD

UNIT_SECTORS = 8192  # 4 MiB, the allocation unit of an SDHC card: what it manages, and may lose, at once
PIECE = 16  # bytes; a write that is cut short ends at a multiple
GROUPS = {"group-8": 8, "group-32": 32}


class Befallen:
    def __init__(self, node, judge):
        self._node = node
        self._faults = node.faults
        self._judge = judge
        self._random = node.fault_random
        card = self._card = node.card
        self._read, self._write, self._create, self._names = card.read, card.write, card.create, card.names
        card.read, card.write, card.create, card.names = self.read, self.write, self.create, self.names
        self._cut_left: int | None = None  # writes until the power goes
        self._ring_gone = False

    def _holds(self, name: str):
        fault = self._faults.holds(name, self._node.now_ms)
        if fault is not None:
            self._judge.card_failed()
        return fault

    def _strikes(self, name: str) -> bool:
        if self._faults.strikes(name, self._node.now_ms) is None:
            return False
        self._judge.card_failed()
        return True

    def _take_time(self) -> None:
        slow = self._holds("card-slow")
        if slow is not None:
            self._node.spend("storing", slow.extras["more_ms"])

    def read(self, sector: int, buffer) -> None:
        self._take_time()
        if self._holds("card-read-error") is not None:
            raise CardFault(errno.EIO, f"sector {sector}")
        self._read(sector, buffer)

    def write(self, sector: int, data) -> None:
        self._take_time()
        cut = self._cut()
        if cut is not None:
            self._damage(sector, bytes(data), cut.extras["damage"])
            self._node.supply.end(cut)
        if self._holds("card-write-dropped") is not None:
            return
        if self._strikes("card-torn"):
            data = self._torn(sector, bytes(data))
        elif self._strikes("card-garbage"):
            data = self._random.randbytes(SECTOR)
        self._write(sector, data)

    def create(self, name: str, sectors: int) -> None:
        if self._holds("card-full") is not None:
            raise CardFault(errno.ENOSPC, name)
        self._create(name, sectors)

    def names(self) -> list[str]:
        found = self._names()
        if found and self._card.sectors and self._strikes("card-unit-gone"):
            self._lose_unit()
        if self._ring_gone:
            self._judge.card_failed()
        return found

    def _torn(self, sector: int, data: bytes) -> bytes:
        old = bytearray(SECTOR)
        self._read(sector, old)
        end = PIECE * self._random.randrange(SECTOR // PIECE)
        return data[:end] + bytes(old[end:])

    # --- the power goes at a write --------------------------------------------------------------------------------

    def _cut(self):
        """The power cut that comes with this write, None: none does."""
        if self._node.supply is None or not self._faults.is_due("power-cut", self._node.now_ms):
            return None
        extras = self._faults.peek("power-cut").extras
        if extras["at"] != "write":
            return None
        self._cut_left = (self._cut_left or extras["count"]) - 1
        if self._cut_left > 0:
            return None
        self._cut_left = None
        return self._faults.strikes("power-cut", self._node.now_ms)

    def _damage(self, sector: int, data: bytes, damage: str) -> None:
        """What the write during which the power went leaves behind."""
        if damage == "landed":
            self._write(sector, data)
        elif damage == "torn":
            self._write(sector, self._torn(sector, data))
        elif damage == "garbage":
            self._write(sector, self._random.randbytes(SECTOR))
        elif damage == "ones":
            self._write(sector, b"\xff" * SECTOR)
        elif damage in GROUPS:
            size = GROUPS[damage]
            first = sector // size * size
            for lost in range(first, min(first + size, self._card.sectors)):
                self._write(lost, self._random.randbytes(SECTOR))

    # --- a unit is gone -------------------------------------------------------------------------------------------

    def _lose_unit(self) -> None:
        card = self._card
        first = UNIT_SECTORS * self._random.randrange(-(-card.sectors // UNIT_SECTORS))
        lost = range(first, min(first + UNIT_SECTORS, card.sectors))
        self._ring_gone |= self._judge.sectors_gone(
            self._node.now_ms, lambda: card.forget(lost), card.peek, card.sectors
        )


def befall(node, judge) -> None:
    """To be called once a node, before its first wake."""
    if node.faults.names & (CARD.keys() | {"power-cut"}) - {"card-removed"}:
        Befallen(node, judge)
