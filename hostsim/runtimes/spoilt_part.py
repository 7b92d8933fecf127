"""A register-level part with something wrong with it. Law: it fails in the ways of its wires, and says what it said.

What its driver makes of that is the driver's. A fault of a part that has no checksum, or no rail, is what the same
cause would do to it.
"""

import errno

from hostsim.sensor_faults import CONFUSED_SHARE, SensorFaults

# The I2C controller of an ESP32 gives up on a clock that is held low for longer: 2^20 cycles of 80 MHz, and no
# setting goes beyond it (espressif/esp-idf, issue 2551). Others wait longer: this is the strictest.
STRETCH_MS_MAX = 13
# drivers whose answers carry checksums
CHECKED = ("adafruit_sht4x.SHT4x",)


class SpoiltPart:
    """What a bus asks about one part (hostsim.devices.bus). key: (driver, bus, address) in the settings."""

    def __init__(self, node, faults: SensorFaults, key: tuple):
        self._node = node
        self._faults = faults
        self._key = key
        self._fed_since_ms: int | None = None
        self._confused = False

    def addressed(self, fed_since_ms: int) -> None:
        """It is spoken to, and has had its supply since then. OSError ENODEV: it does not acknowledge."""
        if self._faults.befalls("sensor-absent", self._key) or self._is_confused(fed_since_ms):
            raise OSError(errno.ENODEV, "no acknowledge")

    def _is_confused(self, fed_since_ms: int) -> bool:
        """Whether its rail came on without a clean start. It stays so until the rail goes."""
        if not self._node.wiring.sensors[self._key][0] or not self._faults.befalls("sensor-half-fed", self._key):
            return False
        if fed_since_ms != self._fed_since_ms:
            self._fed_since_ms = fed_since_ms
            self._confused = self._node.fault_random.random() < CONFUSED_SHARE
        return self._confused

    def read(self) -> bool:
        """It is about to be read; True: the last byte arrives wrong. OSError: it is not to be read now."""
        slow = self._faults.befalls("sensor-slow", self._key)
        if slow:
            self._node.spend("sensing", min(slow.extras["ms"], STRETCH_MS_MAX))
            if slow.extras["ms"] > STRETCH_MS_MAX:
                raise OSError(errno.ETIMEDOUT, "the clock is held low for too long")
        wrong = self._faults.befalls("sensor-crc", self._key)
        if not wrong or self._node.fault_random.random() >= wrong.extras["share"]:
            return False
        if self._key[0] not in CHECKED:
            # nobody could tell a wrong bit from a right one: here the wires spoil the acknowledge
            raise OSError(errno.ENODEV, "no acknowledge")
        return True


class Felt:
    """What a part is exposed to as its element tells it; names as in hostsim.sensing."""

    def __init__(self, feels, faults: SensorFaults, key: tuple):
        self._feels = feels
        self._faults = faults
        self._key = key

    def __getattr__(self, name: str) -> float:
        return self._faults.felt(self._key, name, getattr(self._feels, name))
