"""A memory card with a real FAT on it, as an image file. Law: what the judge sees are the ring's sectors that landed.

Where they lie is read from the medium itself (hostsim/fat.py), anew after anything outside the known ring was
written, until a ring has its name. What was never written reads as rubbish.
"""

import os
import subprocess
from bisect import bisect_right
from pathlib import Path

from hostsim.card import SECTOR, Card, CardFault
from hostsim.fat import NotFat, Volume
from hostsim.runtimes.endings import PowerLoss
from hostsim.runtimes.micropython.vm import command

# with so many the interpreter's mkfs makes clusters of 32 KiB, as cards have them; the file is sparse
SIZE_MIB = 1990
# from here on it makes a FAT32 with a partition table
LARGE_MIB = 4200
RESERVE_MIB = 64
RING = ".ring"
_MKFS = """
import sys, vfs

class Image:
    def __init__(self, path, sectors):
        self.sectors = sectors
        self.file = open(path, "r+b")

    def readblocks(self, number, buffer):
        self.file.seek(number * 512)
        self.file.readinto(buffer)

    def writeblocks(self, number, buffer):
        self.file.seek(number * 512)
        self.file.write(buffer)

    def ioctl(self, op, argument):
        return self.sectors if op == 4 else 512 if op == 5 else 0

vfs.VfsFat.mkfs(Image({path!r}, {sectors}))
"""


class FatCard:
    """In the place of a hostsim.card.Card: its faults by window, counters and `peek` by sector of the ring.

    path: the image. ring_written(sector, data) is told of each sector of the ring that landed.
    cut_in: so many writes from now the power goes, None: it stays. damage(sector, new, read) -> {sector: bytes} is
    what that write leaves behind (one of DAMAGE); read(sector) gives what lies there, b"" outside the card.
    """

    def __init__(self, card: Card, path: Path, ring_mib: int, ring_written):
        self.check, self.seating, self.may_be_pulled = card.check, card.seating, card.may_be_pulled
        self.kind_at = card.kind_at
        self.path = path
        self.reads = self.writes = 0
        self.cut_in: int | None = None
        self.damage = dropped
        self.journal: list[tuple[int, bytes]] | None = None  # (sector, what lay there) of each landing, when wanted
        self._ring_written = ring_written
        size_mib = SIZE_MIB if ring_mib + RESERVE_MIB <= SIZE_MIB else LARGE_MIB
        self.count = size_mib * 2048
        self._file = path.open("w+b")
        self._fd = self._file.fileno()
        os.ftruncate(self._fd, self.count * SECTOR)
        script = _MKFS.format(path=str(path), sectors=self.count)
        subprocess.run(command("-c", script), check=True, capture_output=True)
        self._known = bytearray(self.count // 8 + 1)  # a bit for each sector that was ever written
        volume = Volume(self._medium)
        self._formatted = volume.data
        self.fats, self.entry_bytes = volume.fats, volume.entry_bytes
        # the root of a FAT32 is the first of its clusters
        self.files_begin = volume.data + (volume.cluster_sectors if volume.entry_bytes == 4 else 0)
        self._begins: list[int] = []  # of the ring's extents
        self._extents: list[tuple[int, int, int]] = []  # (first sector, sectors, first sector of the ring)
        self.sectors = 0
        self._named = False
        self._stale = False

    def _medium(self, sector: int) -> bytes:
        return os.pread(self._fd, SECTOR, sector * SECTOR)

    def _is_known(self, sector: int) -> bool:
        return sector < self._formatted or bool(self._known[sector >> 3] & 1 << (sector & 7))

    def inside(self, sector: int, count: int) -> None:
        if not 0 <= sector <= self.count - count:
            raise CardFault(5, f"sector {sector}")

    def read(self, sector: int, count: int) -> bytes:
        """`count` sectors from `sector` on. Raises CardFault outside the card."""
        self.inside(sector, count)
        self.reads += count
        return b"".join(self.lies(number) for number in range(sector, sector + count))

    def write(self, sector: int, data: bytes) -> None:
        """One sector. Raises CardFault outside the card, PowerLoss where the power goes."""
        self.inside(sector, 1)
        self.writes += 1
        if self.cut_in is None:
            self.land(sector, data)
            return
        self.cut_in -= 1
        if self.cut_in > 0:
            self.land(sector, data)
            return
        self.cut_in = None
        for place, left in self.damage(sector, bytes(data), self.lies).items():
            self.land(place, left)
        raise PowerLoss

    def lies(self, sector: int) -> bytes:
        if not 0 <= sector < self.count:
            return b""
        return self._medium(sector) if self._is_known(sector) else _rubbish(sector)

    def has_ring(self) -> bool:
        """True when there is a file that is called a ring."""
        if self._stale:
            self._look()
        return self._named

    def is_of_ring(self, sector: int) -> bool:
        return self._place(sector) is not None

    def ring_sectors(self):
        """The sectors of the card that the ring lies in."""
        for begin, count, _ in self._extents:
            yield from range(begin, begin + count)

    def forget(self, sectors: range) -> None:
        """What these hold is rubbish from now on. The judge is not told."""
        for sector in sectors:
            if self._is_known(sector):
                os.pwrite(self._fd, _rubbish(sector), sector * SECTOR)
                self._known[sector >> 3] &= ~(1 << (sector & 7))

    def begun(self) -> None:
        """It was begun, and is about to be mounted."""

    def put_back(self, journal: list[tuple[int, bytes]]) -> None:
        """Undo the landings of a journal, so that many cuts can be tried from the same moment."""
        for sector, old in reversed(journal):
            os.pwrite(self._fd, old, sector * SECTOR)
        self._look()

    def land(self, sector: int, data: bytes) -> None:
        if self.journal is not None:
            self.journal.append((sector, self.lies(sector)))
        os.pwrite(self._fd, data, sector * SECTOR)
        self._known[sector >> 3] |= 1 << (sector & 7)
        place = self._place(sector)
        if place is not None:
            self._ring_written(place, data)
        elif not self._named:
            self._stale = True

    def _place(self, sector: int) -> int | None:
        """Which sector of the ring this one is, None: of something else."""
        if self._stale and sector >= self._formatted:
            self._look()
        index = bisect_right(self._begins, sector) - 1
        if index < 0:
            return None
        begin, count, first = self._extents[index]
        return first + sector - begin if sector < begin + count else None

    def _look(self) -> None:
        """Find the ring: the file that is called one, and until there is one the largest, which is to become it."""
        self._stale = False
        rings: list = []
        extents: list[tuple[int, int]] = []
        try:
            volume = Volume(self._medium)
            files = volume.files()
            rings = [file for file in files if file.name.endswith(RING)]
            found = max(rings or files, key=lambda file: file.size, default=None)
            extents = volume.extents(found) if found is not None else []
        except NotFat:
            # its directory entry is there before its chain is; or the file system was spoilt
            rings = []
        self._named = bool(rings)
        self._extents = []
        self.sectors = 0
        for begin, count in extents:
            self._extents.append((begin, count, self.sectors))
            self.sectors += count
        self._extents.sort()
        self._begins = [extent[0] for extent in self._extents]

    def peek(self, sector: int) -> bytes | None:
        """A sector of the ring as the desk sees it, None when it was never written."""
        for begin, count, first in self._extents:
            if first <= sector < first + count:
                at = begin + sector - first
                return self._medium(at) if self._is_known(at) else None
        return None


def dropped(sector: int, new: bytes, read) -> dict[int, bytes]:
    """A write that the power cut prevented."""
    return {}


def torn_at(boundary: int):
    """A write of which the bytes before `boundary`, a multiple of 16, came through."""

    def torn(sector: int, new: bytes, read) -> dict[int, bytes]:
        return {sector: new[:boundary] + read(sector)[boundary:]}

    return torn


def garbage(sector: int, new: bytes, read) -> dict[int, bytes]:
    """A sector that was being programmed: neither what was there nor what was to be."""
    return {sector: _spoilt(new)}


def ones(sector: int, new: bytes, read) -> dict[int, bytes]:
    """A sector that was erased and not yet written."""
    return {sector: b"\xff" * SECTOR}


def landed(sector: int, new: bytes, read) -> dict[int, bytes]:
    """The write came through, and the power went before anybody heard of it."""
    return {sector: new}


def group_of(size: int):
    """The aligned group of `size` sectors of the card that the write was in, a page of the flash: spoilt."""

    def group(sector: int, new: bytes, read) -> dict[int, bytes]:
        first = sector // size * size
        old = {number: read(number) for number in range(first, first + size)}
        return {number: _spoilt(data) for number, data in old.items() if data}

    return group


torn = torn_at(SECTOR // 2)
group_8 = group_of(8)
group_32 = group_of(32)
DAMAGE = {
    "dropped": dropped,
    "torn": torn,
    "garbage": garbage,
    "ones": ones,
    "group-8": group_8,
    "group-32": group_32,
    "landed": landed,
}


def _spoilt(data: bytes) -> bytes:
    return bytes((index * 37 + byte ^ 0x5A) & 0xFF for index, byte in enumerate(data))


def _rubbish(sector: int) -> bytes:
    return ((sector * 2654435761 + 97) & 0xFFFFFFFF).to_bytes(4, "little") * (SECTOR // 4)
