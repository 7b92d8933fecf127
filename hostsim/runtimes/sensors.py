"""Drivers and analog inputs of the fast runtime, fed by the climate and the cell.

Law: what is read is the climate at its own place with the part's own error, never the truth itself; and a part that
has no supply, or has not had it for long enough, does not answer.
"""

import errno

from hostsim.node import Node
from hostsim.wiring import Rails

# Standard deviations of a reading's noise and of the part's own offset. Data sheets of common parts give
# +-0.2 K and +-1.8 %RH typical accuracy (from memory).
_OFFSET = {"temperature": 0.1, "relative_humidity": 0.8, "lux": 0.03, "light": 0.03, "pressure": 0.3}
PA_PER_HPA = 100.0


class Part:
    """One sensor part on its board, with the standard property names."""

    def __init__(self, node: Node, rails: Rails, judge, offsets: dict, rail: str, warm_up_ms: int):
        self._node = node
        self._rails = rails
        self._judge = judge
        self._offsets = offsets
        self._rail = rail
        self._powered_ms = rails.since_ms(rail)
        self._answers_from_ms = self._powered_ms + warm_up_ms if rail else 0
        self._gauss = node.noise.gauss

    def _ask(self) -> None:
        """The time that a reading takes. Raises OSError when the part does not answer."""
        node = self._node
        early = node.now_ms < self._answers_from_ms
        node.spend("sensing", node.board.durations["sensor_read"])
        if self._rails.since_ms(self._rail) != self._powered_ms:
            raise OSError(errno.ENODEV, "the part has lost its supply")
        if early:
            raise OSError(errno.EIO, "the part has not warmed up")

    def _told(self, value: float, factor: float = 1.0) -> float:
        self._judge.sensed(self._node.now_ms, value * factor)
        return value

    @property
    def temperature(self) -> float:
        self._ask()
        return self._told(self._node.climate.inside_degc + self._offsets["temperature"] + self._gauss(0.0, 0.02))

    @property
    def relative_humidity(self) -> float:
        self._ask()
        wanted = self._node.climate.humidity_percent + self._offsets["relative_humidity"] + self._gauss(0.0, 0.05)
        return self._told(min(100.0, max(0.0, wanted)))

    @property
    def pressure(self) -> float:
        self._ask()
        wanted = self._node.climate.pressure_hpa + self._offsets["pressure"] + self._gauss(0.0, 0.02)
        return self._told(wanted, PA_PER_HPA)

    def _light(self, name: str) -> float:
        self._ask()
        wanted = self._node.climate.illuminance_lx * (1.0 + self._offsets[name] + self._gauss(0.0, 0.01))
        return self._told(max(0.0, wanted))

    @property
    def lux(self) -> float:
        return self._light("lux")

    @property
    def light(self) -> float:
        return self._light("light")


class Drivers:
    """The parts that are fitted: those that the settings name."""

    def __init__(self, node: Node, rails: Rails, judge):
        self._node = node
        self._rails = rails
        self._judge = judge

    def load(self, driver: str, bus: str, address: int) -> Part:
        node = self._node
        key = (driver, bus, address)
        if key not in node.wiring.sensors:
            raise ValueError(f"No I2C device at address: {address:#x}")
        rail, warm_up_ms = node.wiring.sensors[key]
        if self._rails.since_ms(rail) is None:
            # the pull-ups of the bus hang on the rail of its devices
            raise RuntimeError("No pull up found on SDA or SCL; check your wiring")
        offsets = node.parts.get(key)
        if offsets is None:
            gauss = node.noise.gauss
            offsets = node.parts[key] = {name: gauss(0.0, spread) for name, spread in _OFFSET.items()}
        return Part(node, self._rails, self._judge, offsets, rail, warm_up_ms)


class Analog:
    """Voltages at pins: `battery...` is the cell's, `supply...` the regulator's; others are not wired."""

    def __init__(self, node: Node, rails: Rails, judge):
        self._node = node
        self._rails = rails
        self._judge = judge

    def read_mv(self, name: str) -> int:
        node = self._node
        node.spend("sensing", node.board.durations["analog_read"])
        rail, upper_ohm, lower_ohm = node.wiring.analogs.get(name, ("", 0, 0))
        draw = node.noise.random
        if self._rails.since_ms(rail) is None:
            at_pin_mv = int(8 * draw())
        elif name.startswith("battery"):
            at_pin_mv = _divided(node.battery_mv, upper_ohm, lower_ohm) + int(9 * draw()) - 4
        elif name.startswith("supply"):
            # a low-dropout regulator follows the cell once that is too low
            at_pin_mv = _divided(min(3300, node.battery_mv - 150), upper_ohm, lower_ohm) + int(7 * draw()) - 3
        else:
            raise OSError(errno.ENODEV)
        at_pin_mv = max(0, at_pin_mv)
        ratio = (upper_ohm + lower_ohm) / lower_ohm if lower_ohm else 1.0
        self._judge.sensed(node.now_ms, at_pin_mv * ratio / 1000.0)
        return at_pin_mv


def _divided(mv: int, upper_ohm: int, lower_ohm: int) -> int:
    return mv * lower_ohm // (upper_ohm + lower_ohm) if lower_ohm else mv
