"""Power cuts at every write of the last good settings. Law: the old ones or the new ones are in force.

The history: settings that a broker accepts, other ones that are tried and accepted, and ones that never work.
First on memory that is written byte by byte, then as the chips of the two platforms do it.
"""

import sys
from binascii import crc32
from functools import cache
from types import SimpleNamespace
from unittest import mock

from cuts_plain import Row
from fake_ports import Nvm, settings_file
from ring_device import PowerLoss
from torpor import last_good
from torpor.boards.mp_memory import Nvm as Blobs

FILES = (settings_file(sample_s=600), settings_file(sample_s=900), settings_file(sample_s=1200))
# (file, whether a broker accepts a reading under it)
HISTORY = ((FILES[0], True), (FILES[1], True), (FILES[2], False), (FILES[0], True), (FILES[1], False))
MODES = ("dropped", "torn", "0xFF", "0xFF and torn", "erased in part", "zeroed and torn", "landed")


class Recorder(Nvm):
    """Keeps what both slots held before each write, the write, and what was good then."""

    def __init__(self):
        super().__init__()
        self.good = self.next = None
        self.moments = []

    def write(self, index, data):
        self.moments.append((list(self.images), index, bytes(data), self.good, self.next))
        super().write(index, data)


def lived() -> list:
    nvm = Recorder()
    _live(nvm)
    return nvm.moments


def _live(nvm) -> None:
    """The history; `good` and `next` of the memory are the last good settings and those that are to be."""
    for data, works in HISTORY:
        nvm.next = nvm.good
        choice = last_good.choose(data, nvm)
        if works and not choice.good:
            nvm.next = choice.crc
            last_good.accept(nvm, choice.crc)
            nvm.good = choice.crc


def left_behind(mode: str, old: bytes, new: bytes, step: int):
    """Each thing that the write may leave in its slot."""
    if mode == "dropped":
        yield old
    elif mode == "landed":
        yield new + old[len(new) :]
    elif mode == "0xFF":
        yield b"\xff" * len(old)
    else:
        begun = b"\xff" * len(old) if mode == "erased in part" else new
        rest = {"0xFF and torn": b"\xff", "zeroed and torn": b"\0"}.get(mode, b"") * len(old) or old
        for at in range(0, len(new) + 1, step):
            yield begun[:at] + rest[at:]


def every_write(mode: str, step: int) -> Row:
    """step: how many bytes from one torn write to the next."""
    row = Row("last good settings", mode)
    for images, index, data, good, wanted in lived():
        for left in left_behind(mode, images[index], data, step):
            nvm = Nvm()
            nvm.images = list(images)
            nvm.images[index] = left
            row.add(int(good is not None), (_lost(nvm, good, wanted), 0, _stuck(nvm, row.cuts)))
    return row


def _lost(nvm: Nvm, good, wanted) -> int:
    """Whether neither the old nor the new last good settings are in force without a file."""
    choice = last_good.choose(None, nvm)
    if good is None:
        return 0
    return int(choice.crc not in (good, wanted) or not choice.good or not _whole(choice))


def _whole(choice) -> bool:
    return choice.settings == _as_read()[choice.crc]


@cache
def _as_read() -> dict[int, dict]:
    return {crc32(data): last_good.choose(data, Nvm(0)).settings for data in FILES}


def _stuck(nvm: Nvm, number: int) -> int:
    """Whether a file that works does not become the last good one; reading TOML takes long: every so many cuts."""
    if number % 16:
        return 0
    choice = last_good.choose(FILES[2], nvm)
    if not choice.good:
        last_good.accept(nvm, choice.crc)
    return int(last_good.choose(None, nvm).crc != crc32(FILES[2]))


def both_slots(mode: str) -> Row:
    """CircuitPython: what a chip writes at once has both slots in it, and is erased before it is written.

    Espressif chips erase the one blob, others a page or sector of flash (their ports' ByteArray.c). A cut in between
    takes the last good settings along; the file on the board is then read anew.
    """
    row = Row("last good settings, erased", mode)
    for _, _, _, good, _ in lived():
        nvm = Nvm()
        nvm.images = [{"0xFF": b"\xff", "zeroed": b"\0"}[mode] * nvm.size] * nvm.slots
        row.bound += int(good is not None)
        fallen_back = last_good.choose(None, nvm)
        stuck = fallen_back.good or fallen_back.settings != last_good.FALLBACK
        again = last_good.choose(FILES[1], nvm)
        last_good.accept(nvm, again.crc)
        stuck |= again.problem is not None or last_good.choose(None, nvm).crc != crc32(FILES[1])
        row.add(int(good is not None), (int(good is not None), 0, int(stuck)))
    return row


class Store:
    """MicroPython's esp32.NVS: each entry is kept when it is set. left: so many more, and the power goes."""

    def __init__(self, entries: dict, left: int | None = None, spoils: bool = False):
        self.entries = entries
        self._left = left
        self._spoils = spoils

    def get_i32(self, key: str) -> int:
        if key not in self.entries:
            raise OSError(0x1102)
        return self.entries[key]

    def get_blob(self, key: str, buffer: bytearray) -> int:
        if key not in self.entries or len(self.entries[key]) > len(buffer):
            raise OSError(0x1102)
        buffer[: len(self.entries[key])] = self.entries[key]
        return len(self.entries[key])

    def set_blob(self, key: str, data) -> None:
        if self._left == 0:
            if self._spoils:
                # "except for the new key-value pair if it was being written" (ESP-IDF, non-volatile storage)
                self.entries.pop(key, None)
            raise PowerLoss
        self._left = None if self._left is None else self._left - 1
        self.entries[key] = data if isinstance(data, int) else bytes(data)

    set_i32 = set_blob

    def commit(self) -> None:
        if self._left == 0:
            raise PowerLoss


def blobs(mode: str) -> Row:
    """MicroPython: a slot is a blob and its length. The power goes before each of them, and behind the last one."""
    row = Row("last good settings, blobs", mode)
    left = 0
    while True:
        store = Store({}, left, mode == "entry gone")
        nvm = _on(store)
        nvm.good = nvm.next = None
        try:
            _live(nvm)
        except PowerLoss:
            row.add(int(nvm.good is not None), (_lost(_on(Store(store.entries)), nvm.good, nvm.next), 0, 0))
            left += 1
        else:
            return row


def _on(store: Store) -> Blobs:
    """The port's memory on a store of entries."""
    with mock.patch.dict(sys.modules, {"esp32": SimpleNamespace(NVS=lambda name: store)}):
        return Blobs()
