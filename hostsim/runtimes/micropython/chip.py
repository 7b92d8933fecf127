"""What of a board lasts from wake to wake on MicroPython. Law: RAM is not here.

Flash, the card, non-volatile storage, retained memory, the chip's own clock, and what it remembers of its reset.
"""

import shutil
import tempfile
import tomllib
from dataclasses import dataclass, field
from pathlib import Path

from hostsim.node import Node
from hostsim.runtimes.micropython import flash, spoilt_card
from hostsim.runtimes.micropython.fat_card import FatCard
from hostsim.runtimes.own_clock import OwnClock

# a CA of nobody's, which the interpreter's library has to be able to read; a simulated broker shows no certificate
REHEARSAL_CA = """-----BEGIN CERTIFICATE-----
MIIBQzCB6qADAgECAgEBMAoGCCqGSM49BAMCMCAxHjAcBgNVBAMMFXRpbWJlciB5
YXJkIHJlaGVhcnNhbDAgFw0yNjAxMDEwMDAwMDBaGA8yMDU2MDEwMTAwMDAwMFow
IDEeMBwGA1UEAwwVdGltYmVyIHlhcmQgcmVoZWFyc2FsMFkwEwYHKoZIzj0CAQYI
KoZIzj0DAQcDQgAEa/1QwKBewmYldpKgcjRfWjlBSalWA4y6fWRVSxUV7VvoDoVl
yuNpHk9l7s/UVUlBIyaLXDmgHpHaef1RoI/B/aMTMBEwDwYDVR0TAQH/BAUwAwEB
/zAKBggqhkjOPQQDAgNIADBFAiBr49/DoZdxBmU1CHeogeBrY7qIjxNa17vSRH+2
r+mJVwIhAMxlrSIDpCHLcfpofZxqpZFfbKG810QPQgDTeflf7n2T
-----END CERTIFICATE-----
"""
CA_FILE = "/ca.pem"
RING_MIB = 64


@dataclass
class Options:
    """How boards are run from now on. heap: for -X heapsize; compiled: modules as .mpy.

    images: {node: FAT image that it boots from, as it was installed (board_image.py)}.
    """

    heap: str = "512k"
    compiled: bool = True
    images: dict[str, Path] = field(default_factory=dict)


OPTIONS = Options()


class Chip:
    """The board of one node. A test may set what is public here between two wakes.

    wake_reason: machine.wake_reason() of the next wake; button: it is pressed; boot: what runs in place of main.py.
    """

    def __init__(self, node: Node, judge, ca_pem: str | None):
        self.settings = _read(node.settings_toml)
        self._folder = tempfile.TemporaryDirectory(prefix="torpor-node-")
        root = Path(self._folder.name)
        self.flash = root / "flash"
        self._laid: bytes | None = node.settings_toml
        files = {flash.SETTINGS: node.settings_toml}
        files[self.setting("broker", "ca", CA_FILE) or CA_FILE] = (ca_pem or REHEARSAL_CA).encode()
        drivers = frozenset(key[0] for key in node.wiring.sensors if "." in key[0])
        if node.name in OPTIONS.images:
            shutil.copyfile(OPTIONS.images[node.name], self.flash)
        else:
            flash.lay(self.flash, drivers, files, OPTIONS.compiled)
        self.card = FatCard(
            node.card,
            root / "card.img",
            self.setting("card", "size_mib", RING_MIB),
            lambda sector, data: judge.sector_written(node.now_ms, sector, data, self.card.sectors),
        )
        node.card = self.card
        spoilt_card.befall(node, judge, self.card)
        self.nvs: dict[str, bytes] = {}
        self.memory_bytes = 0  # how much of retained memory holds something
        self.wake_reason = 0
        self.button = False
        self.own_clock = OwnClock()

    def lay_settings(self, data: bytes | None) -> None:
        """Put the settings file into the flash, as a computer on USB would; None: delete it."""
        if data != self._laid:
            flash.lay_settings(self.flash, data)
            self._laid = data

    def setting(self, section: str, key: str, default):
        """A value of the settings, as tomllib reads them."""
        table = self.settings.get(section)
        return table.get(key, default) if isinstance(table, dict) else default


def _read(settings_toml: bytes) -> dict:
    try:
        return tomllib.loads(settings_toml.decode())
    except (UnicodeDecodeError, tomllib.TOMLDecodeError):
        return {}
