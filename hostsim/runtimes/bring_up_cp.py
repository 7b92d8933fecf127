"""Bring-up on the CircuitPython runtime: the port's own bench, on a platform that can also be scanned and measured.

Law: a pin of a bus shows its line, as it does on a board.
"""

import types

from hostsim.node import Node
from hostsim.runtimes import circuitpython
from hostsim.runtimes.bring_up import ASLEEP, RESET, Mistrusting, Wires, state
from hostsim.runtimes.circuitpython import chip as chips
from hostsim.runtimes.circuitpython.machine import Hung, Machine
from hostsim.runtimes.circuitpython.pins import DigitalInOut
from hostsim.runtimes.circuitpython.system import Reset, Slept
from hostsim.runtimes.circuitpython.wireless import WifiRadio
from hostsim.runtimes.endings import WatchdogReset
from hostsim.runtimes.radio_port import SCAN_MS


def run(node: Node, world, judge, task: str, arguments: dict, plant) -> tuple[list[str], str]:
    """As hostsim.runtimes.bring_up.run."""
    chip = circuitpython.chip_of(node, world.desk.ca_pem if world.desk is not None else None)
    machine = Machine(node, world, judge, chip)
    wires = Wires(node, machine.rails, machine.buses)
    plant(wires)
    chip.button = wires.pressed
    if wires.tls_refused:
        machine.links = Mistrusting(machine.links)
    board = circuitpython.importer(machine, chips.firmware())
    board.load("digitalio").DigitalInOut = lambda pin: LinePin(machine, pin)
    wifi = board.load("wifi")
    wifi.radio = ScanningRadio(machine)
    wifi.radio.enabled = False
    try:
        ports = board.load("torpor.boards.circuitpython").Ports()
        getattr(board.load("torpor.bringup"), task)(ports=ports, out=wires.out, **arguments)
    except Slept:
        return wires.lines, ASLEEP
    except (WatchdogReset, Reset):
        return wires.lines, RESET
    except Hung:
        return wires.lines, "a call never came back, and there was no watchdog"
    finally:
        node.radio_state = None
    return wires.lines, ""


class LinePin(DigitalInOut):
    """A pin that may be one of a bus."""

    @property
    def value(self) -> bool:
        self._check()
        for name, wires in self._machine.wires().items():
            if self._pins[0] in wires and not self._output:
                seen = state(self._machine.buses[name], self._pins[0] == wires[0])
                return seen == "high" or seen == "floating" and self._pull == "UP"
        return DigitalInOut.value.fget(self)

    @value.setter
    def value(self, high) -> None:
        DigitalInOut.value.fset(self, high)


class ScanningRadio(WifiRadio):
    def start_scanning_networks(self):
        self._up()
        machine = self._machine
        machine.spend("joining", SCAN_MS)
        for n in machine.air.networks:
            if n.kind_at(machine.node.name, machine.node.now_ms / 1000.0) != "absent":
                yield types.SimpleNamespace(ssid=n.ssid, bssid=n.bssid, channel=n.channel, rssi=n.rssi_dbm)

    def stop_scanning_networks(self) -> None:
        pass
