"""What of a board lasts from wake to wake on CircuitPython. Law: RAM is not here.

Flash, NVM, retained memory, the chip's own clock, and what the chip remembers of its last reset.
"""

import tomllib
from pathlib import Path

from hostsim.node import Node
from hostsim.runtimes import RuntimeAbsent
from hostsim.runtimes.circuitpython.importing import find
from hostsim.runtimes.own_clock import OwnClock

COUNTERS_BYTES = 16
# what stands in a CA file where the broker is simulated, and no certificate is ever shown
PLACEHOLDER_PEM = "-----BEGIN CERTIFICATE-----\nc2ltdWxhdGVk\n-----END CERTIFICATE-----\n"
WATCHDOG_S_MAX = 3600
SETTINGS = "/settings.toml"


class Chip:
    """The chip of one node. A test may set what is public here between two wakes.

    reset_reason: a name of microcontroller.ResetReason; safe_mode: a name of supervisor.SafeModeReason, None: none;
    usb_connected: a computer is plugged in; zeroes_retained: a watchdog reset zeroes retained memory, as before
    version 10.1; watchdog_s_max; button: it is pressed; card_free_sectors: room for a new file, None: enough.
    """

    def __init__(self, node: Node, ca_pem: str | None):
        self.settings = tomllib.loads(node.settings_toml.decode())
        self.nvm = bytearray(b"\xff" * (2 * node.board.nvm_slot_bytes + COUNTERS_BYTES))
        self.files = {SETTINGS: node.settings_toml}
        self.folders = {"/sd"}
        broker = self.settings.get("broker")
        if isinstance(broker, dict):
            self.files[broker.get("ca", "/ca.pem")] = (ca_pem or PLACEHOLDER_PEM).encode()
        self.reset_reason = "POWER_ON"
        self.run_reason = "STARTUP"
        self.safe_mode: str | None = None
        self.wake_alarm = None
        self.usb_connected = False
        self.zeroes_retained = False
        self.watchdog_s_max = WATCHDOG_S_MAX
        self.button = False
        self.card_free_sectors: int | None = None
        self.card_names: dict[str, str] = {}  # name in the directory: name that the card knows
        self.own_clock = OwnClock()
        self._check_drivers()

    def _check_drivers(self) -> None:
        for entry in self.settings.get("sensor", []):
            module = str(entry.get("driver", "")).partition(".")[0]
            if module and find(module) is None:
                raise RuntimeAbsent(
                    f"the driver {module} is not installed here, and runtime circuitpython runs the real one"
                )

    def setting(self, section: str, key: str, default):
        """A value of the settings, as tomllib reads them."""
        table = self.settings.get(section)
        return table.get(key, default) if isinstance(table, dict) else default

    def lay_settings(self, data: bytes | None) -> None:
        """Put the settings file into the flash, as a computer on USB would; None: delete it."""
        if data is None:
            self.files.pop(SETTINGS, None)
        else:
            self.files[SETTINGS] = data


def firmware() -> Path:
    """The folder with main.py. Raises RuntimeAbsent."""
    import torpor

    folder = Path(torpor.__file__).parents[1]
    if not (folder / "main.py").is_file():
        raise RuntimeAbsent(f"runtime circuitpython needs the firmware's main.py, which is not in {folder}")
    return folder
