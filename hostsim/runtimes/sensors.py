"""Drivers of the fast runtime: objects with the standard property names, fed by the climate.

Law: what a driver reads is the climate at its own place with its own error, never the truth itself.
"""

from hostsim.node import Node

# Standard deviations of a reading's noise and of the part's own offset. Data sheets of common parts give
# +-0.2 K and +-1.8 %RH typical accuracy (from memory).
_NOISE = {"temperature": 0.02, "relative_humidity": 0.05, "lux": 0.01, "light": 0.01, "pressure": 0.02}
_OFFSET = {"temperature": 0.1, "relative_humidity": 0.8, "lux": 0.03, "light": 0.03, "pressure": 0.3}


class Part:
    """One sensor part on its board."""

    def __init__(self, node: Node, judge, offsets: dict):
        self._node = node
        self._judge = judge
        self._offsets = offsets

    def __getattr__(self, name: str) -> float:
        node = self._node
        if name not in _NOISE:
            raise AttributeError(name)
        node.spend("sensing", node.board.durations["sensor_read"])
        self._judge.sensed(node.now_ms)
        climate = node.climate
        gauss = node.noise.gauss
        offset = self._offsets[name]
        if name == "temperature":
            return climate.inside_degc + offset + gauss(0.0, 0.02)
        if name == "relative_humidity":
            return min(100.0, max(0.0, climate.humidity_percent + offset + gauss(0.0, 0.05)))
        if name == "pressure":
            return climate.pressure_hpa + offset + gauss(0.0, 0.02)
        return max(0.0, climate.illuminance_lx * (1.0 + offset + gauss(0.0, 0.01)))


class Drivers:
    """The parts that are fitted: every driver that the settings name."""

    def __init__(self, node: Node, judge):
        self._node = node
        self._judge = judge

    def load(self, driver: str, bus: str, address: int) -> Part:
        node = self._node
        fitted = node.parts.get(driver)
        if fitted is None:
            draw = node.noise
            fitted = node.parts[driver] = {name: draw.gauss(0.0, spread) for name, spread in _OFFSET.items()}
        return Part(node, self._judge, fitted)
