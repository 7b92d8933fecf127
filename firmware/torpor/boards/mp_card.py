"""The memory card on MicroPython. Law: the ring file stays open, and is written in aligned 512-byte sectors.

Such a write reaches the card at once, and touches neither directory nor FAT. A new file gets its name last. The file
is never left to the garbage collector: it would be flushed in the middle of anything.
"""

import os
import time

import machine
import vfs

from ..errors import CardError
from .mp_pins import pin

SECTOR = 512
FOLDER = "/sd"
SUFFIX = ".ring"
UNNAMED = "/sd/torpor.new"
# the SPI controller that is free on every chip of the family
SLOT = 2
# a card answers after its supply has risen and 74 clocks (SD specification 6.4.1: 1 ms); the rest is margin
POWER_UP_MS = 10
PINS = ("sck", "mosi", "miso", "cs")


class RingFile:
    """A ring file of `sector_count` sectors."""

    def __init__(self, path):
        # by the directory: going to the end of a long file reads all of its chain
        self.sector_count = _try(lambda: os.stat(path)[6]) // SECTOR
        self.file = _try(lambda: open(path, "r+b"))  # noqa: SIM115 - it stays open

    def read(self, sector, buffer):
        if _try(lambda: self._at(sector).readinto(buffer)) != SECTOR:
            raise CardError("short read")

    def write(self, sector, buffer):
        # beyond its end it would grow
        if not 0 <= sector < self.sector_count or len(buffer) != SECTOR:
            raise CardError("outside the ring file")
        if _try(lambda: self._at(sector).write(buffer)) != SECTOR:
            raise CardError("short write")

    def _at(self, sector):
        self.file.seek(sector * SECTOR)
        return self.file


class Card:
    """settings: the table [card]. The card is mounted by rings(), and let go before its rail goes off."""

    def __init__(self, settings):
        self._settings = settings
        self._card = None
        self._made = None
        # a file that nobody refers to any more writes its directory entry when the garbage collector finds it
        self._opened = []

    def rings(self):
        _try(self._mount)
        return [name for name in _try(lambda: os.listdir(FOLDER)) if name.endswith(SUFFIX)]

    def open(self, name):
        found = RingFile(FOLDER + "/" + name)
        self._opened.append(found)
        return found

    def create(self, name, sector_count):
        """Contents are undefined: nothing is written but directory and FAT."""
        if self._made is not None:
            _ignore(self._made.file.close)
        _try(lambda: _stretch(sector_count * SECTOR))
        self._made = RingFile(UNNAMED)
        if self._made.sector_count != sector_count:
            raise CardError("the card is full")
        return self._made

    def keep(self, name):
        made = self._made
        if made is None:
            raise CardError("nothing was created")
        # the open file knows where its directory entry lies: it must not outlast a change of it
        _try(made.file.close)
        path = FOLDER + "/" + name
        _try(lambda: os.rename(UNNAMED, path))
        made.file = RingFile(path).file

    def _mount(self):
        if self._card is not None:
            return
        time.sleep_ms(POWER_UP_MS)
        wires = {}
        for name in PINS:
            if self._settings[name]:
                wires[name] = pin(self._settings[name])
        self._card = machine.SDCard(slot=SLOT, freq=self._settings["spi_hz"], **wires)
        try:
            vfs.mount(vfs.VfsFat(self._card), FOLDER)
        except OSError:
            self.release()
            raise

    def release(self):
        """Let go of the card and of its pins, which would feed it while its rail is off."""
        card = self._card
        self._card = None
        if card is None:
            return
        _ignore(lambda: vfs.umount(FOLDER))
        _ignore(card.deinit)
        for name in PINS:
            if self._settings[name]:
                pin(self._settings[name], machine.Pin.IN)


def _stretch(size):
    """A file of that size. One left over from before is replaced."""
    with open(UNNAMED, "wb") as file:
        file.seek(size)


def _try(step):
    """What `step` returns. The platform says what went wrong in many ways; CardError stands for all of them."""
    try:
        return step()
    except (OSError, RuntimeError, ValueError) as error:
        raise CardError(f"{type(error).__name__}: {error}")


def _ignore(step):
    try:
        step()
    except (OSError, RuntimeError, ValueError):
        pass
