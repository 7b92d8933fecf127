"""Bring-up on the MicroPython runtime: the port's own bench, in the real VM. Law: as in bring_up_cp.py.

The VM prints its lines; a program of this module runs in place of main.py.
"""

import json
from pathlib import Path

from hostsim.node import Node
from hostsim.runtimes import micropython
from hostsim.runtimes.bring_up import ASLEEP, RESET, Wires, state
from hostsim.runtimes.endings import WatchdogReset
from hostsim.runtimes.micropython import flash, parts
from hostsim.runtimes.micropython.chip import OPTIONS
from hostsim.runtimes.micropython.machine import Hung, Machine, Reset, Slept
from hostsim.runtimes.micropython.vm import Silent, Vm

PULL_UP = 2
# bring-up has a prompt's heap: an empty one, on a chip with memory to spare for people
HEAP = "512k"
# pins whose own pull-up counts, before the firmware imports them; then the task
PROGRAM = """
import json
import machine, _wire

class Pin(machine.Pin):
    def __init__(self, id, mode=-1, pull=-1, *, value=None):
        super().__init__(id, mode, pull, value=value)
        _wire.call("pin.pull", 1 if pull == {pull} else 0, 0, self.name)

machine.Pin = Pin
from torpor import bringup
arguments = json.loads({arguments!r})
bringup.{task}(**arguments)
print("{end}")
"""
END = "to-the-end"
NOT_SIGNED = b"\nThe certificate is not correctly signed by the trusted CA\n"


def run(node: Node, world, judge, task: str, arguments: dict, plant) -> tuple[list[str], str]:
    """As hostsim.runtimes.bring_up.run."""
    chip = micropython.chip_of(node, judge, world.desk.ca_pem if world.desk is not None else None)
    machine = Machine(node, world, judge, chip)
    wires = Wires(node, machine.rails, machine.buses)
    plant(wires)
    chip.button = wires.pressed
    board = micropython.Board(machine)
    board.parts["pin"] = LinePins(machine)
    if wires.tls_refused:
        board.parts["net"].secure = lambda a, b, data: NOT_SIGNED
    program = PROGRAM.format(pull=PULL_UP, arguments=json.dumps(arguments), task=task, end=END)
    main = chip.flash / "main.py"
    main.unlink()
    main.write_text(program)
    vm = Vm(chip.flash, Path(flash.modules().name), HEAP if OPTIONS.compiled else OPTIONS.heap)
    text, end = [], ""
    try:
        converse(vm, machine, board, text)
    except Slept:
        end = ASLEEP
    except (WatchdogReset, Reset):
        end = RESET
    except Hung:
        end = "a call never came back, and there was no watchdog"
    except Silent as silent:
        end = str(silent)
    finally:
        text.append(vm.end())
        node.radio_state = None
    wires.lines += "".join(text).splitlines()
    if wires.lines and wires.lines[-1] == END:
        wires.lines.pop()
    elif not end:
        end = "it broke off: " + (wires.lines[-1] if wires.lines else "nothing was printed")
    return wires.lines, end


def converse(vm: Vm, machine: Machine, board, text: list[str]) -> None:
    """Answer the VM's questions until it ends; what it prints goes into `text`."""
    while True:
        asked = vm.ask()
        text.append(vm.printed())
        if asked is None:
            return
        name, a, b, data = asked
        part, verb = name.split(".")
        try:
            answer = getattr(board.parts[part], verb)(a, b, data)
        except OSError as error:
            vm.answer(-error.args[0], machine.node.now_ms)
        else:
            number, more = (0, answer) if isinstance(answer, bytes) else (answer or 0, b"")
            vm.answer(number, machine.node.now_ms, more)
        machine.look()


class LinePins(parts.Pins):
    """Pins of which those of a bus show its lines."""

    def __init__(self, machine: Machine):
        super().__init__(machine)
        self._pulled: dict[str, int] = {}
        self._bus_pins = {}
        for entry in machine.chip.settings.get("bus", []):
            self._bus_pins[entry["scl"]] = (entry["name"], True)
            self._bus_pins[entry["sda"]] = (entry["name"], False)

    def pull(self, a, b, data):
        self._pulled[data.decode()] = a

    def read(self, a, b, data):
        name = data.decode()
        if name not in self._bus_pins:
            return super().read(a, b, data)
        bus, is_clock = self._bus_pins[name]
        seen = state(self._machine.buses[bus], is_clock)
        return int(seen == "high" or seen == "floating" and self._pulled.get(name, 0))
