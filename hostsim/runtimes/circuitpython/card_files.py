"""Open files on a card. Law: a whole sector reaches the card at once, less stays in RAM until flush()."""

import errno

from hostsim.card import SECTOR
from hostsim.runtimes.circuitpython.machine import Machine


class Growing:
    """A new file: no more than its length counts, and the card is told when it is closed.

    A seek beyond its end makes it longer, as far as there is room; where there is none it says nothing.
    """

    def __init__(self, files, name: str, free_sectors: int | None):
        self._files = files
        self._size_max = None if free_sectors is None else free_sectors * SECTOR
        self._name = name
        self._size = self._at = 0

    def seek(self, offset, whence=0) -> int:
        self._at = offset + (self._size if whence == 2 else self._at if whence == 1 else 0)
        if self._size_max is not None:
            self._at = min(self._at, self._size_max)
        self._size = max(self._size, self._at)
        return self._at

    def write(self, data):
        raise OSError(errno.EOPNOTSUPP)

    def close(self) -> None:
        self._files.made(self._name, self._size // SECTOR)

    def __enter__(self):
        return self

    def __exit__(self, *_) -> None:
        self.close()


class CardFile:
    """An open file of whole sectors. What is written in smaller pieces is lost without flush() or close()."""

    def __init__(self, machine: Machine, file):
        self._machine = machine
        self._file = file
        self._at = 0
        self._pending: dict[int, bytearray] = {}  # sector: its new content, in RAM
        self._closed = False

    def seek(self, offset, whence=0) -> int:
        base = self._file.sector_count * SECTOR if whence == 2 else self._at if whence == 1 else 0
        self._at = base + offset
        return self._at

    def tell(self) -> int:
        return self._at

    def readinto(self, buffer) -> int:
        view = memoryview(buffer)
        for done, sector, start, count in self._pieces(len(view)):
            view[done : done + count] = self._content(sector)[start : start + count]
        return self._advance(len(view))

    def write(self, data) -> int:
        view = memoryview(data)
        for done, sector, start, count in self._pieces(len(view)):
            if count == SECTOR:
                self._pending.pop(sector, None)
                self._machine.card_call(self._file.write, sector, view[done : done + SECTOR])
            else:
                content = self._pending.setdefault(sector, self._content(sector))
                content[start : start + count] = view[done : done + count]
        return self._advance(len(view))

    def flush(self) -> None:
        for sector in sorted(self._pending):
            self._machine.card_call(self._file.write, sector, self._pending[sector])
        self._pending.clear()

    def close(self) -> None:
        if not self._closed:
            self.flush()
            self._closed = True

    def _pieces(self, count):
        """(bytes before it, sector, offset in it, length) of each sector that the next `count` bytes touch."""
        if self._closed:
            raise OSError(errno.EINVAL)
        found = []
        done = 0
        while done < count:
            sector, start = divmod(self._at + done, SECTOR)
            length = min(SECTOR - start, count - done)
            found.append((done, sector, start, length))
            done += length
        return found

    def _content(self, sector) -> bytearray:
        content = self._pending.get(sector)
        if content is None:
            content = bytearray(SECTOR)
            self._machine.card_call(self._file.read, sector, content)
        return content

    def _advance(self, count) -> int:
        self._at += count
        return count
