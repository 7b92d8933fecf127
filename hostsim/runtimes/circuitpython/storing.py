"""sdcardio, storage, os and open() of CircuitPython. Law: code never writes to the flash.

One folder of the flash, /sd, takes a card; the flash itself is read-only. The card answers, fails and takes
its time as hostsim.runtimes.card_port says.
"""

import errno
import io
import types

from hostsim.runtimes.circuitpython.card_files import CardFile, Growing
from hostsim.runtimes.circuitpython.clocks import module
from hostsim.runtimes.circuitpython.machine import Machine
from hostsim.runtimes.circuitpython.pins import Pin

EROFS = 30


class Files:
    """Flash and card as one tree of files, for one wake."""

    def __init__(self, machine: Machine):
        self._machine = machine
        self._chip = machine.chip
        self.mounted: str | None = None

    def open(self, path, mode="r"):
        name = self._on_card(path)
        if name is None:
            return self._open_flash(path, mode)
        card_call, port = self._machine.card_call, self._machine.card
        if "w" in mode:
            return Growing(self, name, self._chip.card_free_sectors)
        if name not in self._chip.card_names:
            raise OSError(errno.ENOENT)
        return CardFile(self._machine, card_call(port.open, self._chip.card_names[name]))

    def _open_flash(self, path, mode):
        if set(mode) & set("wa+x"):
            raise OSError(EROFS)
        data = self._chip.files.get(path)
        if data is None:
            raise OSError(errno.ENOENT)
        return io.BytesIO(data) if "b" in mode else io.StringIO(data.decode())

    def _on_card(self, path) -> str | None:
        """The name on the card, None for a path on the flash."""
        if self.mounted is not None and path.startswith(self.mounted + "/"):
            return path[len(self.mounted) + 1 :]
        return None

    def made(self, name: str, sectors: int) -> None:
        self._machine.card_call(self._machine.card.create, name, sectors)
        self._chip.card_names[name] = name

    def listdir(self, path="/") -> list[str]:
        if path == self.mounted:
            return sorted(self._chip.card_names)
        if path not in ("/", *self._chip.folders):
            raise OSError(errno.ENOENT)
        return sorted(file[1:] for file in self._chip.files) if path == "/" else []

    def rename(self, old, new) -> None:
        names = self._chip.card_names
        old_name, new_name = self._on_card(old), self._on_card(new)
        if old_name is None or new_name is None:
            raise OSError(EROFS)
        if old_name not in names:
            raise OSError(errno.ENOENT)
        if new_name in names:
            raise OSError(errno.EEXIST)
        self._machine.card_call(self._machine.card.keep, names[old_name])
        names[new_name] = names.pop(old_name)

    # --- the modules -----------------------------------------------------------------------------------------------

    def mount(self, filesystem, path, *, readonly=False) -> None:
        if path not in self._chip.folders:
            raise OSError(errno.ENOENT)
        if self.mounted is not None:
            raise OSError(errno.EPERM)
        self.mounted = path

    def umount(self, path) -> None:
        if path != self.mounted:
            raise OSError(errno.EINVAL)
        self.mounted = None

    def getmount(self, path):
        if path != self.mounted:
            raise OSError(errno.EINVAL)
        return path

    def sd_card(self, bus, cs, baudrate=8000000):
        if not isinstance(cs, Pin):
            raise TypeError("cs must be of type Pin")
        self._machine.claim(cs.name)
        try:
            self._machine.card_call(self._machine.card.rings)
        except OSError:
            self._machine.in_use.discard(cs.name)
            raise OSError("no SD card") from None
        return types.SimpleNamespace(deinit=lambda: self._machine.in_use.discard(cs.name), sync=lambda: None)


def modules(machine: Machine, files: Files) -> dict[str, types.ModuleType]:
    draw = machine.node.firmware_random.getrandbits
    return {
        "sdcardio": module("sdcardio", SDCard=files.sd_card),
        "storage": module(
            "storage",
            VfsFat=lambda device: device,
            mount=files.mount,
            umount=files.umount,
            getmount=files.getmount,
        ),
        "os": module(
            "os",
            listdir=files.listdir,
            rename=files.rename,
            urandom=lambda count: draw(8 * count).to_bytes(count, "little"),
        ),
    }
