"""Faults on the bench. Law: each is planted in the world, never in the board's code.

A fault may change the scenario (`scene`), the board before it has its power (`early`), and its wires (`late`).
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

from hostsim import bring_up_boards as boards
from hostsim import bring_up_wires as wires
from hostsim.faults import Fault as Befalls
from hostsim.node import Node
from hostsim.scenario import Scenario

EVER_S = 1e9
SENSORS_RAIL = "sensors"
CLOCK_ADDRESS = 0x68
WEAK_DBM = -95


def _same(scenario: Scenario) -> Scenario:
    return scenario


def _nothing(_) -> None:
    pass


@dataclass(frozen=True)
class Fault:
    """What it is in words, how it is planted, and on which runtimes it can be."""

    words: str
    scene: Callable[[Scenario], Scenario] = _same
    early: Callable[[Node], None] = _nothing
    late: Callable[..., None] = _nothing
    runtimes: tuple[str, ...] = ("fast", "circuitpython", "micropython")


# --- the scenario --------------------------------------------------------------------------------------------------


def _networks(kind: str):
    def scene(scenario: Scenario) -> Scenario:
        networks = [replace(network, windows=[(-EVER_S, EVER_S, kind)]) for network in scenario.networks]
        return replace(scenario, networks=networks)

    return scene


def _faint(scenario: Scenario) -> Scenario:
    return replace(scenario, networks=[replace(network, rssi_dbm=WEAK_DBM) for network in scenario.networks])


def _broker(kind: str):
    return lambda scenario: replace(scenario, broker_windows=[(-EVER_S, EVER_S, kind)])


def _time(kind: str):
    return lambda scenario: replace(scenario, time_windows=[(-EVER_S, EVER_S, kind)])


def _no_card(scenario: Scenario) -> Scenario:
    removed = [Befalls("card-removed", plan.name, -EVER_S, EVER_S) for plan in scenario.nodes]
    return replace(scenario, faults=removed)


FAULTS = {
    "rail-dead": Fault("the sensors' rail gives nothing", late=wires.dead_rail(SENSORS_RAIL)),
    "card-rail-dead": Fault("the card's rail gives nothing", late=wires.dead_rail(wires.CARD_RAIL)),
    "bus-held": Fault("a part holds SDA low", late=wires.held),
    "no-pull-ups": Fault("the pull-ups of the bus are not fitted", late=wires.unpulled),
    "lines-swapped": Fault("SDA and SCL are swapped", late=wires.swapped),
    "bus-crowded": Fault("every address answers", late=wires.crowded),
    "sensor-absent": Fault(
        "the temperature sensor is not soldered", late=wires.bus_fault("absent", wires.TEMPERATURE_ADDRESS)
    ),
    "sensor-elsewhere": Fault("its address strap is the other way", late=wires.elsewhere),
    "sensor-garbled": Fault("its checksums are wrong", late=wires.bus_fault("corrupted", wires.TEMPERATURE_ADDRESS)),
    "sensor-implausible": Fault("it says 120 degC", early=boards.hot),
    "sensor-noisy": Fault("it scatters by 8 K", early=boards.draughty),
    "clock-absent": Fault("the clock chip is not soldered", late=wires.bus_fault("absent", CLOCK_ADDRESS)),
    "clock-stopped": Fault("its crystal stands still", early=boards.clock(forgets=False)),
    "clock-forgets": Fault("its oscillator-stop flag comes back at once", early=boards.clock(forgets=True)),
    "card-absent": Fault("there is no card in the slot", scene=_no_card),
    "card-full": Fault("the card has no room", late=wires.card_full, runtimes=("fast", "circuitpython")),
    "card-drops": Fault("the card drops one write in seven", late=wires.card_writes(wires.dropped)),
    "card-fails": Fault("the card stops answering", late=wires.card_writes(wires.failing)),
    "card-slow": Fault("a write takes 900 ms", early=boards.slow_card),
    "card-cut-loses": Fault("a cut of its supply takes stored sectors", late=wires.cut_loses),
    "battery-low": Fault("the cell is nearly empty", early=boards.empty),
    "battery-weak": Fault("the cell gives way under load", early=boards.sagging),
    "button-held": Fault("the button is shorted", late=wires.pressed),
    "network-absent": Fault("no network is in reach", scene=_networks("absent")),
    "network-weak": Fault("every network is faint", scene=_faint),
    "network-locked": Fault("the password is refused", scene=_networks("locked")),
    "network-no-address": Fault("no address is handed out", scene=_networks("no-address")),
    "network-hangs": Fault("joining never comes back", scene=_networks("hangs")),
    "network-dead-end": Fault("nothing answers behind the network", scene=_networks("dead-end")),
    "broker-down": Fault("the broker takes no connection", scene=_broker("down")),
    "broker-refuses": Fault("the broker says no", scene=_broker("refuses")),
    "broker-mute": Fault("the broker never answers", scene=_broker("mute")),
    "broker-drops": Fault("the broker closes at the first message", scene=_broker("drops")),
    "broker-forgets": Fault("the broker closes before it answers a message", scene=_broker("forgets")),
    "tls-refused": Fault("the broker's certificate is not to be trusted", late=wires.mistrusted),
    "time-silent": Fault("the time server is silent", scene=_time("silent")),
    "time-zero": Fault("its answer has no time", scene=_time("zero")),
    "time-wrong-mode": Fault("something reflects what it is sent", scene=_time("wrong-mode")),
    "time-far-future": Fault("it is 30 years ahead", scene=_time("far-future")),
    "time-unsynchronised": Fault("it has no time itself", scene=_time("unsynchronised")),
    "time-wrong-originate": Fault("it answers somebody else", scene=_time("wrong-originate")),
}
