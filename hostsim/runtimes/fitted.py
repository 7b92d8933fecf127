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
DAY_S = 86400
CLOCKS = {"ds3231": (ds3231.ADDRESS, ds3231.Ds3231), "pcf8523": (pcf8523.ADDRESS, pcf8523.Pcf8523)}


def fit(node: Node, rails: Rails, judge, reach=None, needs_lock: bool = True) -> dict[str, Bus]:
    """The buses of one wake by name. A clock chip lives as long as its node, on a supply of its own.

    reach: a Reach, which is told of the clock chip's bus.
    """
    wiring = node.wiring
    buses = {
        name: WatchedBus(
            reach if name == wiring.clock_bus and wiring.clock in CLOCKS else None,
            needs_lock,
            pulled_up=lambda rail=rail: rails.since_ms(rail) is not None,
        )
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


class WatchedBus(Bus):
    """A bus; reach: hears whether what is asked for on it can be reached, None: nobody does."""

    def __init__(self, reach, needs_lock, pulled_up):
        super().__init__(needs_lock, pulled_up)
        self._reach = reach

    def open(self):
        self._tell()
        super().open()

    def _check(self):
        self._tell()
        super()._check()

    def _tell(self):
        if self._reach is None:
            return
        if self.held_low or not self._high():
            self._reach.refused()
        else:
            self._reach.answered()


class Reach:
    """Whether the node's clock chip can be asked in this wake; the judge hears what becomes of its time without."""

    def __init__(self, node: Node, judge):
        self._node = node
        self._judge = judge
        self._refused = self._known = False

    def refused(self) -> None:
        """A line of its bus is low."""
        if not self._refused:
            self._refused = True
            clock_chip(self._node, self._judge).clock.away = True
            self._judge.clock_out_of_sight(self._node.now_ms)

    def answered(self) -> None:
        """Its bus can be used. A node that was refused in this wake does not ask again."""
        if self._refused:
            return
        clock = clock_chip(self._node, self._judge).clock
        if clock.away:
            clock.away = False
            self._judge.clock_out_of_sight(self._node.now_ms)

    def own_clock_set(self, now_ms: int, epoch_s: int, true_s: float) -> None:
        """The microcontroller's own clock was set, which the node goes by while the chip is out of reach."""
        if not self._refused:
            return
        known = abs(epoch_s - true_s) < DAY_S
        if known or self._known:
            # that it counts from anywhere is nothing new otherwise
            self._judge.clock_set(now_ms, epoch_s)
        self._known = known


class JudgedClock:
    """The node's oscillator as a clock chip counts it; the judge hears of each time that it is set.

    away: nobody could reach the chip when it was last asked.
    """

    def __init__(self, node: Node, judge):
        self._node = node
        self._judge = judge
        self.away = False

    def shows(self, now_ms: int):
        return self._node.clock.shows(now_ms)

    def set(self, now_ms: int, epoch_s: int) -> None:
        self._node.clock.set(now_ms, epoch_s)
        self._judge.clock_set(now_ms, epoch_s)

    def stop(self) -> None:
        self._node.clock.stop()
        self._judge.clock_lost(self._node.now_ms)
