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


class CardFaults:
    """What is due on one node's card, whatever the card is.

    lies(sector) gives what lies there; land(sector, data) lets it land; count() how many sectors there are.
    """

    def __init__(self, node, judge, lies, land, count):
        self._node = node
        self._faults = node.faults
        self._judge = judge
        self._random = node.fault_random
        self._lies = lies
        self._land = land
        self._count = count
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

    def before_read(self, sector: int) -> None:
        """Raises CardFault where the sector is not given."""
        self._take_time()
        if self._holds("card-read-error") is not None:
            raise CardFault(errno.EIO, f"sector {sector}")

    def write_sector(self, sector: int, data, of_ring: bool = True) -> None:
        """What becomes of a write. Raises what ends the wake. of_ring: the sector is one of the ring's."""
        self._take_time()
        cut = self._cut()
        if cut is not None:
            self._damage(sector, bytes(data), cut.extras["damage"])
            self._node.supply.end(cut)
        if self._holds("card-write-dropped") is not None:
            return
        if of_ring and self._strikes("card-torn"):
            data = self._torn(sector, bytes(data))
        elif of_ring and self._strikes("card-garbage"):
            data = self._random.randbytes(SECTOR)
        elif of_ring:
            # what is written to a ring that was gone begins a new one
            self._ring_gone = False
        self._land(sector, data)

    def looked_into(self, has_ring: bool, lose_unit) -> None:
        """The node looks for its ring. lose_unit() loses a unit; True: no ring is left to be found."""
        if has_ring and self._strikes("card-unit-gone"):
            self._ring_gone |= lose_unit()
        if self._ring_gone:
            self._judge.card_failed()

    def _torn(self, sector: int, data: bytes) -> bytes:
        old = self._lies(sector)
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
            self._land(sector, data)
        elif damage == "torn":
            self._land(sector, self._torn(sector, data))
        elif damage == "garbage":
            self._land(sector, self._random.randbytes(SECTOR))
        elif damage == "ones":
            self._land(sector, b"\xff" * SECTOR)
        elif damage in GROUPS:
            size = GROUPS[damage]
            first = sector // size * size
            for lost in range(first, min(first + size, self._count())):
                self._land(lost, self._random.randbytes(SECTOR))


class Befallen(CardFaults):
    """In front of a hostsim.card.Card, whose sectors are the ring's."""

    def __init__(self, node, judge):
        card = self._card = node.card
        super().__init__(node, judge, self._old, card.write, lambda: card.sectors)
        self._read, self._create, self._names = card.read, card.create, card.names
        card.read, card.write, card.create, card.names = self.read, self.write_sector, self.create, self.names

    def _old(self, sector: int) -> bytearray:
        old = bytearray(SECTOR)
        self._read(sector, old)
        return old

    def read(self, sector: int, buffer) -> None:
        self.before_read(sector)
        self._read(sector, buffer)

    def create(self, name: str, sectors: int) -> None:
        if self._holds("card-full") is not None:
            raise CardFault(errno.ENOSPC, name)
        self._create(name, sectors)

    def names(self) -> list[str]:
        found = self._names()
        self.looked_into(bool(found and self._card.sectors), self._lose_unit)
        return found

    def _lose_unit(self) -> bool:
        card = self._card
        first = UNIT_SECTORS * self._random.randrange(-(-card.sectors // UNIT_SECTORS))
        lost = range(first, min(first + UNIT_SECTORS, card.sectors))
        return self._judge.sectors_gone(self._node.now_ms, lambda: card.forget(lost), card.peek, card.sectors)


def is_befallen(node) -> bool:
    """True when some fault will come between this node and its card, other than that the card is pulled."""
    return bool(node.faults.names & (CARD.keys() | {"power-cut"}) - {"card-removed"})


def befall(node, judge) -> None:
    """To be called once a node, before its first wake."""
    if is_befallen(node):
        Befallen(node, judge)
