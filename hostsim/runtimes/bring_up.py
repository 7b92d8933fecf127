"""Bring-up on the three runtimes: the firmware's own, on a board of the scenario. Law: it is the board's code that
speaks; here are only the wires that it looks at.

docs/porting.md, "On the bench", has what it asks of a port besides. Faults come from hostsim/bring_up.py.
"""

import importlib
from dataclasses import dataclass, field

from torpor import bringup
from torpor.errors import LinkError

from hostsim.devices.bus import Bus
from hostsim.node import Node
from hostsim.runtimes import fast
from hostsim.runtimes.endings import DeepSleep, WatchdogReset
from hostsim.runtimes.fitted import MODELS, fit
from hostsim.wiring import Rails

RESET = "the board reset"
ASLEEP = "asleep"
OTHERS = {
    "circuitpython": "hostsim.runtimes.bring_up_cp",
    "micropython": "hostsim.runtimes.bring_up_mp",
}


@dataclass
class Wires:
    """What a fault can be planted in, once the board has its power. lines: what it has printed."""

    node: Node
    rails: Rails
    buses: dict[str, Bus]
    pressed: bool = False
    tls_refused: bool = False
    lines: list[str] = field(default_factory=list)
    _rest: str = ""

    def out(self, text: str, end: str = "\n") -> None:
        """Take what the board prints."""
        *lines, self._rest = (self._rest + text + end).split("\n")
        self.lines += lines


def run(runtime: str, node: Node, world, judge, task: str, arguments: dict, plant) -> tuple[list[str], str]:
    """(the lines that the board printed, what it ended in: "" for its end). Raises RuntimeAbsent.

    task: a function of torpor.bringup, with these arguments. plant(wires): plants what is to be found.
    """
    node.ports = None
    if runtime == "fast":
        return on_fast(node, world, judge, task, arguments, plant)
    other = importlib.import_module(OTHERS[runtime])
    return other.run(node, world, judge, task, arguments, plant)


def on_fast(node: Node, world, judge, task: str, arguments: dict, plant) -> tuple[list[str], str]:
    ports = fast.Ports(node, world, judge)
    bench = ports.bench()
    wires = Wires(node, bench.rails, bench.buses)
    plant(wires)
    ports.bench = lambda: bench
    ports.drivers = Drivers(ports.drivers, bench)
    if wires.pressed:
        ports.signal.button = lambda: True
    if wires.tls_refused:
        ports.network = Mistrusting(ports.network)
    return wires.lines, ended(lambda: getattr(bringup, task)(ports=ports, out=wires.out, **arguments))


def ended(call) -> str:
    """What a call on a board ended in, "" where it came to its end."""
    try:
        call()
    except DeepSleep:
        return ASLEEP
    except WatchdogReset:
        return RESET
    return ""


class Bench:
    """What the fast runtime has for bring-up: register-level parts on the buses of the settings."""

    def __init__(self, node: Node, rails: Rails, air, radio, judge):
        self._air = air
        self._radio = radio
        self.rails = rails
        self.buses = fit(node, rails, judge)

    def bus(self, name: str) -> Bus:
        bus = self.buses.get(name)
        if bus is None:
            raise ValueError(f"no bus {name}")
        try:
            bus.open()
        except RuntimeError:
            bus.clock_scl()
            bus.open()
        return bus

    def lines(self, name: str):
        bus = self.buses.get(name)
        return None if bus is None else (state(bus, True), state(bus, False))

    def address_of(self, driver: str):
        found = MODELS.get(driver)
        return found[0] if found is not None else None

    def scan(self) -> list[tuple]:
        heard = dict(self._radio.scan())
        self._radio.off()
        return [(n.ssid, n.bssid, n.channel, n.rssi_dbm) for n in self._air.networks if n.ssid in heard]


def state(bus: Bus, is_clock: bool) -> str:
    """A line of a bus as a pin sees it: high, floating (nobody pulls it up) or held."""
    try:
        bus.open()
    except RuntimeError:
        if bus.held_low:
            # a part that is stuck holds the data line alone
            return "high" if is_clock else "held"
        return "floating"
    return "high"


class Drivers:
    """The fast runtime's drivers over the bench's buses, whose faults they meet."""

    def __init__(self, inner, bench: Bench):
        self._inner = inner
        self._bench = bench

    def load(self, driver: str, bus: str, address: int):
        wires = self._bench.bus(bus)
        at = address or self._bench.address_of(driver)
        if at in wires.absent:
            raise ValueError(f"No I2C device at address: {at:#x}")
        part = self._inner.load(driver, bus, address)
        return Garbled() if at in wires.corrupted else part


class Mistrusting:
    """The network of a board whose broker shows a certificate that is not to be trusted."""

    def __init__(self, inner):
        self._inner = inner
        self.resolve, self.open_datagram = inner.resolve, inner.open_datagram

    def open_stream(self, address: str, port: int, tls, deadline_ms: int):
        stream = self._inner.open_stream(address, port, tls, deadline_ms)
        if tls is not None:
            stream.close()
            raise LinkError("tls", "the certificate is not signed by the one that is trusted")
        return stream


class Garbled:
    """A part whose checksums are wrong."""

    def __getattr__(self, name: str):
        raise RuntimeError("checksum failed")
