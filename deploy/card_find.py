"""Where on a card the rings are. Law: only reads; a card is found by what lies on it, never by settings.

A path may be a mounted card's folder, a ring file, or an image of a card. In an image the file system is asked first;
where that does not help, every sector is looked at: a ring's sectors say themselves what they are.
"""

import os
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from hostsim import card_format, fat

SECTOR = card_format.SECTOR
CHUNK_SECTORS = 2048
MAGICS = (b"tpLy", b"tpRg")
RINGS_MAX = 64  # in one image


class CardError(Exception):
    """No ring can be had from there; str() is one line."""


@dataclass
class Sectors:
    """The sectors of one ring. name: for a person. count: how many there are. bad: those that could not be read.

    all(): (position, bytes) of every sector that looks like one of a ring. read(position): its bytes, b"" where it
    cannot be read. placed: a position is the sector's number within a ring file; else within an image.
    """

    name: str
    count: int
    read: Callable[[int], bytes]
    all: Callable[[], Iterator[tuple[int, bytes]]]
    placed: bool
    ring_id: int | None = None


def find(path: Path) -> list[Sectors]:
    """The rings of a folder, a file or an image. Raises CardError."""
    try:
        if path.is_dir():
            files = sorted(entry for entry in path.iterdir() if entry.name.endswith(".ring") and entry.is_file())
            # another system's shadow of a file has its name behind "._"
            files = [file for file in files if not file.name.startswith("._")]
            if not files:
                raise CardError(f"{path}: there is no .ring file in this folder")
            return [_file(file) for file in files]
        medium = Medium(path)
    except OSError as error:
        raise CardError(f"{path}: {error.strerror}") from None
    if medium.count == 0:
        raise CardError(f"{path}: is empty")
    if medium.is_ring():
        return [_whole(medium, path.name)]
    return _in_file_system(medium, path) or _anywhere(medium, path)


class Medium:
    """A file or a device, in sectors of 512 bytes; what cannot be read is b""."""

    def __init__(self, path: Path):
        self._fd = os.open(path, os.O_RDONLY | getattr(os, "O_BINARY", 0))
        self.count = os.lseek(self._fd, 0, os.SEEK_END) // SECTOR

    def __del__(self):
        if hasattr(self, "_fd"):
            os.close(self._fd)

    def read(self, sector: int, count: int = 1) -> bytes:
        try:
            os.lseek(self._fd, sector * SECTOR, os.SEEK_SET)
            return os.read(self._fd, count * SECTOR)
        except OSError:
            return b""

    def looks_like(self) -> Iterator[tuple[int, bytes]]:
        """(sector, bytes) of all that begin as a ring's do."""
        for begin in range(0, self.count, CHUNK_SECTORS):
            wanted = min(CHUNK_SECTORS, self.count - begin)
            data = self.read(begin, wanted)
            if len(data) < wanted * SECTOR:
                # one bad sector spoils the long read, not its neighbours
                data = b"".join(self.read(begin + at).ljust(SECTOR, b"\0") for at in range(wanted))
            yield from _candidates(data, begin)

    def is_ring(self) -> bool:
        """Whether a layout slot 0 lies where one of a ring file's two copies lies."""
        half = card_format.half_of(self.count)
        for sector in (0, card_format.LAYOUT_SECTORS + half):
            found = _layout(self.read(sector)) if half > 0 else None
            if found is not None and found[0] == 0 and found[3] == half:
                return True
        # cut short: its beginning says how long it was
        found = _layout(self.read(0))
        return found is not None and found[0] == 0


def _candidates(data: bytes, begin: int) -> Iterator[tuple[int, bytes]]:
    for magic in MAGICS:
        at = data.find(magic)
        while at >= 0:
            if at % SECTOR == 0:
                yield begin + at // SECTOR, data[at : at + SECTOR]
            at = data.find(magic, at + 1)


def _layout(data: bytes):
    return card_format.layout_sector(data) if len(data) == SECTOR else None


def _whole(medium: Medium, name: str) -> Sectors:
    return Sectors(name, medium.count, medium.read, medium.looks_like, True)


def _file(path: Path) -> Sectors:
    medium = Medium(path)
    if not medium.is_ring():
        raise CardError(f"{path}: is no ring (both copies of its first layout are gone, or it never was one)")
    return _whole(medium, path.name)


def _in_file_system(medium: Medium, path: Path) -> list[Sectors]:
    try:
        volume = fat.Volume(medium.read)
        files = [file for file in volume.files() if file.name.endswith(".ring") and not file.name.startswith("._")]
        return [_extents(medium, f"{path.name}: {file.name}", volume.extents(file)) for file in files if file.size]
    except (fat.NotFat, IndexError, ArithmeticError):
        return []


def _extents(medium: Medium, name: str, extents: list[tuple[int, int]]) -> Sectors:
    starts, length = [], 0
    for begin, count in extents:
        starts.append((length, begin, count))
        length += count

    def read(sector: int) -> bytes:
        for first, begin, count in starts:
            if first <= sector < first + count:
                return medium.read(begin + sector - first)
        return b""

    def all_of_it() -> Iterator[tuple[int, bytes]]:
        for first, begin, count in starts:
            for at in range(0, count, CHUNK_SECTORS):
                some = min(CHUNK_SECTORS, count - at)
                yield from _candidates(medium.read(begin + at, some), first + at)

    return Sectors(name, length, read, all_of_it, True)


def _anywhere(medium: Medium, path: Path) -> list[Sectors]:
    """Rings whose sectors lie somewhere in the image, in whatever order."""
    found: Counter[int] = Counter()
    for _, data in medium.looks_like():
        sector = card_format.data_sector(data) if data[:4] == b"tpRg" else None
        if sector is not None and (sector[0] in found or len(found) < RINGS_MAX):
            found[sector[0]] += 1
    if not found:
        raise CardError(f"{path}: no ring was found in it: no .ring file, and no sector that is one of a ring")
    return [
        Sectors(f"{path.name}: ring {ring_id:08x}", medium.count, medium.read, medium.looks_like, False, ring_id)
        for ring_id, _ in found.most_common()
    ]
