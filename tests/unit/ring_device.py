"""A ring file on a card for tests. Law: it is never kinder than a card; what was not written reads as rubbish.

Sectors lie in memory. A fault is set up before it strikes: a power cut at the nth write with one of CUTS, writes
that vanish, sectors that cannot be read. `first_sector` says where on the device the file begins, because a cut
trashes groups that are aligned on the device and not in the file.
"""

import random

from torpor.errors import CardError

SECTOR = 512
# what the interrupted write leaves behind
CUTS = ("dropped", "torn", "garbage", "0xFF", "8 trashed", "32 trashed", "landed")
# the card loses the allocation unit, aligned 4 MiB, that the write was in
UNIT = "8192 trashed"


class PowerLoss(BaseException):
    """The board loses its power in the middle of a write."""


class Device:
    def __init__(self, sector_count, seed=0, first_sector=0):
        self.sector_count = sector_count
        self.first_sector = first_sector
        self.sectors = {}
        self.reads = self.writes = 0
        self.unreadable = set()
        self.dropping = False  # writes return and nothing lands
        self.refusing = False  # writes and reads raise
        self._random = random.Random(seed)
        self._seed = seed
        self._cut_at = None
        self._cut = None
        self._torn_at = None

    def cut(self, at_write, kind, torn_at=None):
        """Lose power at the `at_write`th write from now on, counted from 1; torn_at: bytes of a torn one."""
        assert kind in CUTS or kind == UNIT
        self._cut_at, self._cut, self._torn_at = self.writes + at_write, kind, torn_at

    def power_on(self):
        self._cut_at = None

    def sector(self, index):
        """What the sector holds, past all faults."""
        if index not in self.sectors:
            self.sectors[index] = random.Random(f"{self._seed} {index}").randbytes(SECTOR)
        return self.sectors[index]

    def image(self):
        return {index: bytes(data) for index, data in self.sectors.items()}

    def copy(self, seed, first_sector):
        """The same contents on another device, with no fault set up."""
        other = Device(self.sector_count, seed, first_sector)
        other.sectors = dict(self.sectors)
        return other

    def read(self, sector, buffer):
        assert 0 <= sector < self.sector_count
        assert len(buffer) == SECTOR
        self.reads += 1
        if self.refusing or sector in self.unreadable:
            buffer[:7] = b"partial"
            raise CardError("read")
        buffer[:] = self.sector(sector)

    def write(self, sector, data):
        assert 0 <= sector < self.sector_count
        assert len(data) == SECTOR
        if self.refusing:
            raise CardError("write")
        self.writes += 1
        if self.writes == self._cut_at:
            self._strike(sector, bytes(data))
            raise PowerLoss
        if not self.dropping:
            self.sectors[sector] = bytes(data)

    def _strike(self, sector, data):
        kind = self._cut
        if kind == "torn":
            # anywhere, at a 16-byte boundary
            at = self._torn_at or 16 * self._random.randrange(1, SECTOR // 16)
            self.sectors[sector] = data[:at] + self.sector(sector)[at:]
        elif kind == "garbage":
            self.sectors[sector] = self._random.randbytes(SECTOR)
        elif kind == "0xFF":
            self.sectors[sector] = b"\xff" * SECTOR
        elif kind == "landed":
            self.sectors[sector] = data
        elif kind.endswith("trashed"):
            size = int(kind.split()[0])
            start = (sector + self.first_sector) // size * size - self.first_sector
            for index in range(max(0, start), min(self.sector_count, start + size)):
                self.sectors[index] = self._random.randbytes(SECTOR)
