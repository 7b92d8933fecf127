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
        if self.befalls("sensor-stuck", key):
            value = self._stuck.setdefault((key, name), value)
        else:
            self._stuck.pop((key, name), None)
        faults = self._node.faults
        if faults.is_due("sensor-outlier", self._node.now_ms):
            fault = faults.peek("sensor-outlier")
            if self._is_of(fault, key):
                faults.strikes("sensor-outlier", self._node.now_ms)
                value += fault.extras["by"]
        return value


def of(node) -> SensorFaults | None:
    """None where no fault will ever befall a sensor of this node."""
    return SensorFaults(node) if node.wiring.sensors and node.faults.names & SENSOR.keys() else None
