"""A memory card, as a board sees it. Law: a sector holds what was last really written to it, or rubbish.

The sectors lie in a sparse temporary file, so that a year of readings costs no memory; the newest ones wait for it in
memory, because a call of the operating system for each costs more than all else that is done with it. A new file's
contents are undefined, as they are on a card: what was never written reads as rubbish that differs from sector to
sector.
"""

import errno
import os
import tempfile
from bisect import bisect_right
from collections.abc import Callable

from hostsim.timeline import Timeline

SECTOR = 512
KINDS = ("absent",)
UNSAVED_MAX = 128  # sectors in memory: successive readings fill two stretches of 64


class CardFault(OSError):
    """What the card answers when it does not do what was asked."""


class Card:
    """One card. windows: (from_s, to_s, "absent") when it is not in its slot.

    wrote(sector, data): called after each write that reached the medium. `reads`, `writes` count sectors.
    """

    def __init__(self, windows, wrote: Callable[[int, bytes], None] | None = None, size_mib: int = 4096):
        windows = list(windows)
        self.kind_at = Timeline(windows, KINDS).kind_at
        self._pulled_s = sorted(from_s for from_s, _, _ in windows)
        self.may_be_pulled = bool(windows)
        self.wrote = wrote
        self.reads = self.writes = 0
        self._size_sectors = size_mib * 2048
        self._files: dict[str, int] = {}  # name -> sectors; one file is all that a ring needs
        self._unnamed: dict[str, int] = {}
        self._store = tempfile.TemporaryFile()  # noqa: SIM115 - lives as long as the card
        self._fd = self._store.fileno()
        self._known = bytearray()
        self._unsaved: dict[int, bytes] = {}  # what the temporary file does not have yet

    def check(self, now_s: float) -> None:
        """Raises CardFault when the card is not there."""
        if self._pulled_s and self.kind_at(now_s) is not None:
            raise CardFault(errno.ENODEV, "no card")

    def seating(self, now_s: float) -> int:
        """How often it has been pulled: what was opened before the last time is of no use any more."""
        return bisect_right(self._pulled_s, now_s)

    @property
    def sectors(self) -> int:
        """Sectors of the ring file; 0 while there is none."""
        return len(self._known)

    def names(self) -> list[str]:
        return list(self._files)

    def sector_count(self, name: str) -> int:
        sectors = self._files.get(name) or self._unnamed.get(name)
        if sectors is None:
            raise CardFault(errno.ENOENT, name)
        return sectors

    def create(self, name: str, sectors: int) -> None:
        """A file that `names` does not list before `keep`."""
        if self._files:
            raise CardFault(errno.EEXIST, "a second file is not modelled")
        if sectors > self._size_sectors:
            raise CardFault(errno.ENOSPC, name)
        self._unnamed = {name: sectors}
        os.ftruncate(self._fd, sectors * SECTOR)
        self._known = bytearray(sectors)
        self._unsaved = {}

    def keep(self, name: str) -> None:
        """Give a file that was created its name."""
        if name not in self._unnamed:
            raise CardFault(errno.ENOENT, name)
        self._files[name] = self._unnamed.pop(name)

    def _look_at(self, sector: int, data) -> None:
        if not 0 <= sector < len(self._known) or len(data) != SECTOR:
            raise CardFault(errno.EINVAL, f"sector {sector}, {len(data)} bytes")

    def read(self, sector: int, buffer) -> None:
        self.reads += 1
        unsaved = self._unsaved.get(sector)
        if unsaved is not None and len(buffer) == SECTOR:
            buffer[:] = unsaved
            return
        self._look_at(sector, buffer)
        if self._known[sector]:
            os.preadv(self._fd, [buffer], sector * SECTOR)
        else:
            buffer[:] = ((sector * 2654435761 + 97) & 0xFFFFFFFF).to_bytes(4, "little") * (SECTOR // 4)

    def write(self, sector: int, data) -> None:
        self._look_at(sector, data)
        self.writes += 1
        data = bytes(data)
        self._unsaved[sector] = data
        self._known[sector] = 1
        if len(self._unsaved) > UNSAVED_MAX:
            self._save()
        if self.wrote is not None:
            self.wrote(sector, data)

    def _save(self) -> None:
        """Into the file with what waits for it, neighbouring sectors at once."""
        sectors = sorted(self._unsaved)
        first = 0
        for index in range(1, len(sectors) + 1):
            if index == len(sectors) or sectors[index] != sectors[index - 1] + 1:
                stretch = [self._unsaved[sector] for sector in sectors[first:index]]
                os.pwrite(self._fd, b"".join(stretch), sectors[first] * SECTOR)
                first = index
        self._unsaved = {}

    def forget(self, sectors) -> None:
        """What these hold is rubbish from now on."""
        for sector in sectors:
            self._known[sector] = 0
            self._unsaved.pop(sector, None)

    def peek(self, sector: int) -> bytes | None:
        """A sector as the desk sees it, None when it was never written. Not counted."""
        if not self._known[sector]:
            return None
        unsaved = self._unsaved.get(sector)
        if unsaved is not None:
            return unsaved
        return os.pread(self._fd, SECTOR, sector * SECTOR)

    def image(self) -> bytes:
        """The whole file, rubbish as zeros: for small cards in tests."""
        self._save()
        return os.pread(self._fd, len(self._known) * SECTOR, 0)
