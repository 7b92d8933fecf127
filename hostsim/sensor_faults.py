"""What becomes of a sensor's answers while something is wrong with it. Law: what is handed on is what it said.

The judge is told the same value as the node: a sensor that lies has lied, and nothing of it is invented.
"""

import errno

from hostsim.fault_names_sensor import SENSOR

# a part that keeps a little supply through its pins is past its power-on reset in about half of all tries: assumption
CONFUSED_SHARE = 0.5


class SensorFaults:
    """Those of one node. key: (driver, bus, address) of a sensor in the settings."""

    def __init__(self, node):
        self._node = node
        self._keys = list(node.wiring.sensors)
        self._stuck: dict[tuple, float] = {}
        self._disturbed: dict[tuple, float] = {}  # by how much the conversion that is being asked for is off

    def befalls(self, name: str, key: tuple):
        """The lasting fault of this name, if it is this sensor's."""
        fault = self._node.faults.holds(name, self._node.now_ms)
        return fault if fault is not None and self._is_of(fault, key) else None

    def _is_of(self, fault, key: tuple) -> bool:
        return self._keys[(fault.extras["sensor"] - 1) % len(self._keys)] == key

    def started(self, key: tuple) -> None:
        """Its driver looks for it. Raises what drivers raise: OSError, RuntimeError, ValueError."""
        if self._node.faults.holds("bus-held", self._node.now_ms):
            raise RuntimeError("No pull up found on SDA or SCL; check your wiring")
        if self.befalls("sensor-absent", key):
            raise ValueError("No I2C device at address")

    def asked(self, key: tuple) -> None:
        """It is asked for a value, which may take longer. Raises OSError or RuntimeError."""
        node = self._node
        slow = self.befalls("sensor-slow", key)
        if slow:
            node.spend("sensing", slow.extras["ms"])
        if node.faults.holds("bus-held", node.now_ms):
            raise OSError(errno.ETIMEDOUT, "a line is held low")
        if self.befalls("sensor-absent", key):
            raise OSError(errno.ENODEV, "no answer at its address")
        wrong = self.befalls("sensor-crc", key)
        if wrong and node.fault_random.random() < wrong.extras["share"]:
            raise RuntimeError("CRC mismatch")
        if self.befalls("sensor-half-fed", key) and node.fault_random.random() < CONFUSED_SHARE:
            raise OSError(errno.EIO, "it has not started afresh")

    def said(self, key: tuple, name: str, value: float) -> float:
        """What it says in place of `value`, before it is rounded to the part's steps."""
        return self._as_last(key, name, value) + self._off(key)

    def _as_last(self, key: tuple, name: str, value: float) -> float:
        """The value, or the one at which it is stuck."""
        if self.befalls("sensor-stuck", key):
            return self._stuck.setdefault((key, name), value)
        self._stuck.pop((key, name), None)
        return value

    def _off(self, key: tuple) -> float:
        """By how much one value is off, once."""
        faults = self._node.faults
        if faults.is_due("sensor-outlier", self._node.now_ms) and self._is_of(faults.peek("sensor-outlier"), key):
            return faults.strikes("sensor-outlier", self._node.now_ms).extras["by"]
        return 0.0

    def felt(self, key: tuple, name: str, value: float) -> float:
        """What the element of a register-level part gives in place of `value`: a part may ask it many times over.

        What is off stays so until the part has handed the conversion out, and calls converted().
        """
        if key not in self._disturbed:
            off = self._off(key)
            if off:
                self._disturbed[key] = off
        return self._as_last(key, name, value) + self._disturbed.get(key, 0.0)

    def converted(self, key: tuple) -> None:
        """The part has handed out what it measured."""
        self._disturbed.pop(key, None)


def of(node) -> SensorFaults | None:
    """The same ones for the life of the node; None where no fault will ever befall a sensor of it."""
    if node.sensor_faults is None and node.wiring.sensors and node.faults.names & SENSOR.keys():
        node.sensor_faults = SensorFaults(node)
    return node.sensor_faults
