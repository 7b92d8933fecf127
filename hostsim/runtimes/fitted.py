"""The register-level parts on a node's buses. Law: what the settings name is fitted, and nothing else.

Drivers are recognised by name; one without a model here finds nobody at its address.
"""

from hostsim import sensor_faults
from hostsim.devices import bh1750, ds3231, pcf8523, sht4x, veml7700
from hostsim.devices.bus import Bus
from hostsim.node import Node
from hostsim.runtimes.spoilt_part import Felt, SpoiltPart
from hostsim.wiring import Rails

# driver: (the address it uses unless told otherwise, what makes the part)
MODELS = {
    "adafruit_sht4x.SHT4x": (sht4x.ADDRESS, sht4x.Sht4x),
    "adafruit_veml7700.VEML7700": (veml7700.ADDRESS, veml7700.Veml7700),
    "adafruit_bh1750.BH1750": (bh1750.ADDRESS, bh1750.Bh1750),
}
# SCL pulses after which a held line would be let go
FOR_EVER = 1 << 30
CLOCKS = {"ds3231": (ds3231.ADDRESS, ds3231.Ds3231), "pcf8523": (pcf8523.ADDRESS, pcf8523.Pcf8523)}


def fit(node: Node, rails: Rails, judge, needs_lock: bool = True) -> dict[str, Bus]:
    """The buses of one wake by name. A clock chip lives as long as its node, on a supply of its own."""
    wiring = node.wiring
    buses = {
        name: Bus(needs_lock, pulled_up=lambda rail=rail: rails.since_ms(rail) is not None)
        for name, rail in wiring.buses.items()
    }
    faults = sensor_faults.of(node)
    for key, (rail, _) in wiring.sensors.items():
        driver, bus, address = key
        if driver not in MODELS or bus not in buses:
            continue
        usual, make = MODELS[driver]
        feels = node.surroundings(key)

        def told(value, key=key):
            judge.sensed(node.now_ms, value)
            if faults is not None:
                faults.converted(key)

        if faults is not None:
            feels = Felt(feels, faults, key)
            buses[bus].spoilt[address or usual] = SpoiltPart(node, faults, key)
        part = make(lambda: node.now_ms, feels, told)
        buses[bus].attach(address or usual, part, lambda rail=rail: rails.since_ms(rail))
    if node.faults.holds("bus-held", node.now_ms):
        for held in buses.values():
            held.held_low = FOR_EVER
    if wiring.clock in CLOCKS and wiring.clock_bus in buses:
        buses[wiring.clock_bus].attach(CLOCKS[wiring.clock][0], clock_chip(node, judge))
    return buses


def clock_chip(node: Node, judge):
    """The node's clock chip, None where its settings name none."""
    if node.clock_chip is None and node.wiring.clock in CLOCKS:
        node.clock_chip = CLOCKS[node.wiring.clock][1](lambda: node.now_ms, JudgedClock(node, judge))
    return node.clock_chip


class JudgedClock:
    """The node's oscillator as a clock chip counts it; the judge hears of each time that it is set."""

    def __init__(self, node: Node, judge):
        self._node = node
        self._judge = judge

    def shows(self, now_ms: int):
        return self._node.clock.shows(now_ms)

    def set(self, now_ms: int, epoch_s: int) -> None:
        self._node.clock.set(now_ms, epoch_s)
        self._judge.clock_set(now_ms, epoch_s)

    def stop(self) -> None:
        self._node.clock.stop()
        self._judge.clock_lost(self._node.now_ms)
