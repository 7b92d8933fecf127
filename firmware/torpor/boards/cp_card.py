"""The memory card on CircuitPython. Law: the ring file stays open, and is written in aligned 512-byte sectors.

Such a write reaches the card at once, and touches neither directory nor FAT. A new file gets its name last.
"""

import os
import time

import board
import busio
import sdcardio
import storage

from ..errors import CardError
from .cp_pins import pin

SECTOR = 512
FOLDER = "/sd"
SUFFIX = ".ring"
UNNAMED = "/sd/torpor.new"
# 389 sector writes on clusters of 512 bytes (measured)
STRETCH = 4 << 20
# a card answers after its supply has risen and 74 clocks (SD specification 6.4.1: 1 ms); the rest is margin
POWER_UP_S = 0.01


class RingFile:
    """A ring file of `sector_count` sectors."""

    def __init__(self, path):
        self.path = path
        self.file = _try(lambda: open(path, "r+b"))  # noqa: SIM115 - it stays open
        self.sector_count = _try(lambda: self.file.seek(0, 2)) // SECTOR

    def read(self, sector, buffer):
        if _try(lambda: self._at(sector).readinto(buffer)) != SECTOR:
            raise CardError("short read")

    def write(self, sector, buffer):
        if _try(lambda: self._at(sector).write(buffer)) != SECTOR:
            raise CardError("short write")

    def _at(self, sector):
        self.file.seek(sector * SECTOR)
        return self.file


class Card:
    """settings: the table [card]; feed(): feeds the watchdog while a file is made, which is long on small clusters.

    The card is mounted by rings(), and let go before its rail goes off.
    """

    def __init__(self, settings, feed):
        self._settings = settings
        self._feed = feed
        self._bus = self._card = None
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
        _try(lambda: self._stretch(sector_count * SECTOR))
        made = self._made = RingFile(UNNAMED)
        if made.sector_count != sector_count:
            raise CardError("the card is full")
        return made

    def _stretch(self, size):
        """A file of that size. One left over from before is replaced."""
        with open(UNNAMED, "wb") as file:
            for at in range(0, size, STRETCH):
                self._feed()
                file.seek(min(at + STRETCH, size))

    def keep(self, name):
        # the open file knows where its directory entry lies: it must not outlast a change of it
        made = self._made
        if made is None:
            raise CardError("nothing was created")
        _try(made.file.close)
        path = FOLDER + "/" + name
        _try(lambda: os.rename(UNNAMED, path))
        made.file = RingFile(path).file

    def _mount(self):
        if self._card is not None or _mounted():
            # a card that the platform itself has mounted is used as it is
            return
        time.sleep(POWER_UP_S)
        s = self._settings
        try:
            self._bus = busio.SPI(pin(s["sck"] or "SCK"), pin(s["mosi"] or "MOSI"), pin(s["miso"] or "MISO"))
            select = pin(s["cs"] or ("SD_CS" if hasattr(board, "SD_CS") else "CS"))
            self._card = sdcardio.SDCard(self._bus, select, baudrate=s["spi_hz"])
            storage.mount(storage.VfsFat(self._card), FOLDER)
        except BaseException:
            self.release()
            raise

    def release(self):
        """Let go of the card and of its pins, which would feed it while its rail is off."""
        card, bus = self._card, self._bus
        self._card = self._bus = None
        if card is not None:
            _ignore(lambda: storage.umount(FOLDER))
            _ignore(card.deinit)
        if bus is not None:
            _ignore(bus.deinit)


def _mounted():
    try:
        storage.getmount(FOLDER)
        return True
    except OSError:
        return False


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
