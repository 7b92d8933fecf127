"""Drivers and analog inputs of the fast runtime, fed by the climate and the cell.

Law: what is read is the climate at its own place with the part's own error, never the truth itself; and a part that
has no supply, or has not had it for long enough, does not answer. A part with a register-level model has its steps.
"""

import errno

from hostsim import sensor_faults
from hostsim.devices import bh1750, sht4x, veml7700
from hostsim.node import Node
from hostsim.voltages import at_pin
from hostsim.wiring import Rails

PA_PER_HPA = 100.0


# what the vendor's driver sets when it is made: gain 1/8, 100 ms
VEML7700_STEP_LX = veml7700.step_lx(0.125, 100)
COUNTS_MAX = 65535


def _as_is(value: float) -> float:
    return value


def _in_counts(step_lx: float):
    return lambda lx: min(COUNTS_MAX, int(lx / step_lx + 0.5)) * step_lx


# by driver and property
STEPS = {
    ("adafruit_sht4x.SHT4x", "temperature"): lambda degc: sht4x.celsius(sht4x.celsius_word(degc)),
    ("adafruit_sht4x.SHT4x", "relative_humidity"): lambda percent: sht4x.humidity(sht4x.humidity_word(percent)),
    ("adafruit_veml7700.VEML7700", "lux"): _in_counts(VEML7700_STEP_LX),
    ("adafruit_bh1750.BH1750", "lux"): _in_counts(1.0 / bh1750.COUNTS_PER_LX),
}


class Part:
    """One sensor part on its board, with the standard property names."""

    def __init__(self, node: Node, rails: Rails, judge, key: tuple, rail: str, warm_up_ms: int, faults):
        self._node = node
        self._rails = rails
        self._judge = judge
        self._key = key
        self._driver = key[0]
        self._faults = faults
        self._feels = node.surroundings(key)
        self._rail = rail
        self._powered_ms = rails.since_ms(rail)
        self._answers_from_ms = self._powered_ms + warm_up_ms if rail else 0

    def _ask(self) -> None:
        """The time that a reading takes. Raises OSError when the part does not answer."""
        node = self._node
        early = node.now_ms < self._answers_from_ms
        node.spend("sensing", node.board.durations["sensor_read"])
        if self._faults is not None:
            try:
                self._faults.asked(self._key)
            finally:
                # one that is slow and then fails was asked all that time, and the reading is taken when it is over
                self._judge.asked(node.now_ms)
        if self._rails.since_ms(self._rail) != self._powered_ms:
            raise OSError(errno.ENODEV, "the part has lost its supply")
        if early:
            raise OSError(errno.EIO, "the part has not warmed up")

    def _told(self, name: str, value: float, factor: float = 1.0) -> float:
        if self._faults is not None:
            value = self._faults.said(self._key, name, value)
        value = STEPS.get((self._driver, name), _as_is)(value)
        self._judge.sensed(self._node.now_ms, value * factor)
        return value

    @property
    def temperature(self) -> float:
        self._ask()
        return self._told("temperature", self._feels.inside_degc)

    @property
    def relative_humidity(self) -> float:
        self._ask()
        return self._told("relative_humidity", self._feels.humidity_percent)

    @property
    def pressure(self) -> float:
        self._ask()
        return self._told("pressure", self._feels.pressure_hpa, PA_PER_HPA)

    @property
    def lux(self) -> float:
        self._ask()
        return self._told("lux", self._feels.illuminance_lx)

    @property
    def light(self) -> float:
        self._ask()
        return self._told("light", self._feels.illuminance_lx)


class Drivers:
    """The parts that are fitted: those that the settings name."""

    def __init__(self, node: Node, rails: Rails, judge):
        self._node = node
        self._rails = rails
        self._judge = judge
        self._faults = sensor_faults.of(node)

    def load(self, driver: str, bus: str, address: int) -> Part:
        node = self._node
        self._judge.asked(node.now_ms)
        key = (driver, bus, address)
        if key not in node.wiring.sensors:
            raise ValueError(f"No I2C device at address: {address:#x}")
        rail, warm_up_ms = node.wiring.sensors[key]
        if self._rails.since_ms(rail) is None:
            # the pull-ups of the bus hang on the rail of its devices
            raise RuntimeError("No pull up found on SDA or SCL; check your wiring")
        if self._faults is not None:
            self._faults.started(key)
        return Part(node, self._rails, self._judge, key, rail, warm_up_ms, self._faults)


class Analog:
    """Voltages at pins, by the name that the settings give them."""

    def __init__(self, node: Node, rails: Rails, judge):
        self._node = node
        self._rails = rails
        self._judge = judge

    def read_mv(self, name: str) -> int:
        node = self._node
        node.spend("sensing", node.board.durations["analog_read"])
        self._judge.asked(node.now_ms)
        pin = "" if node.without_settings else node.wiring.analogs.get(name, "")
        pin_mv, supply_mv = at_pin(node, self._rails, pin)
        self._judge.sensed(node.now_ms, supply_mv / 1000.0)
        return pin_mv
