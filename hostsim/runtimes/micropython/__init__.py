"""The MicroPython runtime: the firmware's real main.py and board port, and unmodified drivers, in the real VM.

Law: each wake is a process of its own that starts with what lasts (chip.py); time is the world's, never this
computer's.

The VM has the heap of a board, a real FAT on the card's image, and modules in place of the platform's, which ask the
world (modules/). Vendor drivers talk to register-level parts; a real broker is reached over the VM's own socket and
TLS.
"""

from functools import partial
from pathlib import Path

from hostsim import power_faults
from hostsim.node import Node
from hostsim.rtc import sleep_ms
from hostsim.runtimes import between_wakes
from hostsim.runtimes.alarm import interrupt_ms
from hostsim.runtimes.endings import CAUSES, ENDINGS, ENDS, BrownOut, PowerLoss, WatchdogReset
from hostsim.runtimes.micropython import flash, memories, parts
from hostsim.runtimes.micropython.chip import OPTIONS, Chip
from hostsim.runtimes.micropython.console import Console
from hostsim.runtimes.micropython.machine import Hung, Machine, Reset, Slept
from hostsim.runtimes.micropython.net import Net
from hostsim.runtimes.micropython.slot import Slot
from hostsim.runtimes.micropython.station import Station
from hostsim.runtimes.micropython.vm import Silent, Vm, folder

AFTER_SLEEP = ("deep-sleep", "watchdog")  # causes of a wake in which no person is waited for
STUCK_MS = 8000  # what is left of a wake in which main.py came to an end
AWAKE_MS_MAX = 3 * 3_600_000  # a service window of an hour and a cycle are over long before
FOR_EVER_MS = 1 << 31  # deep sleep that nothing ends


def chip_of(node: Node, judge, ca_pem: str | None = None) -> Chip:
    """The node's board; made when it is first asked for. ca_pem: what its CA file holds. Raises RuntimeAbsent."""
    if node.ports is None:
        folder()
        node.ports = (Chip(node, judge, ca_pem),)
    return node.ports[0]


def wake(node: Node, world, judge) -> None:
    """One wake and the sleep after it; none when the battery is empty. Raises RuntimeAbsent."""
    chip = chip_of(node, judge, world.desk.ca_pem if world.desk is not None else None)
    if not node.begin_wake():
        return
    between_wakes.wake_begins(
        node, judge, node.reset_cause not in AFTER_SLEEP, chip.lay_settings, b"".join(chip.nvs.values())
    )
    node.radio_state = None
    machine = Machine(node, world, judge, chip)
    board = Board(machine)
    supply = power_faults.supply_of(node, ENDINGS)
    if supply is not None:
        supply.begin_wake()
    end, after = board.live()
    judge.wake_ended(node.now_ms, end, node.battery_mv)
    node.radio_state = None
    if supply is not None:
        supply.end_wake()
    after()


class Board:
    """The parts of one board for one wake. parts: by the first half of the name of a question."""

    def __init__(self, machine: Machine):
        self._machine = machine
        station = Station(machine)
        self._wake = parts.Wake(machine)
        self.parts = {
            "time": parts.Time(machine),
            "chip": parts.Cpu(machine),
            "pin": parts.Pins(machine),
            "adc": parts.Adc(machine),
            "i2c": parts.I2c(machine),
            "rtc": memories.Rtc(machine),
            "wdt": memories.Watchdog(machine),
            "nvs": memories.Nvs(machine),
            "sd": Slot(machine),
            "wake": self._wake,
            "wlan": station,
            "net": Net(machine, station),
        }

    def live(self):
        """(what the wake ended in, as the judge has it; what happens then)."""
        machine = self._machine
        console = Console(machine.node, machine.world.events, machine.judge)
        vm = Vm(machine.chip.flash, Path(flash.modules().name), OPTIONS.heap)
        try:
            self._converse(vm, console)
            return "a return instead of sleep", self._stuck
        except Slept as slept:
            return "sleep", partial(self._sleep, slept.args[0])
        except Reset:
            return "a reset instead of sleep", partial(self._reset, "software")
        except (BrownOut, PowerLoss, WatchdogReset) as ended:
            return self._ended(ended)
        except Hung:
            return "a call that never came back", self._lost
        except Silent as silent:
            return str(silent), self._stuck
        finally:
            console.take(vm.end())
            console.end()

    def _converse(self, vm: Vm, console: Console) -> None:
        node = self._machine.node
        while True:
            asked = vm.ask()
            # it was printed before this was asked, so before time went on
            console.take(vm.printed())
            if asked is None:
                return
            name, a, b, data = asked
            part, verb = name.split(".")
            try:
                answer = getattr(self.parts[part], verb)(a, b, data)
            except OSError as error:
                vm.answer(-error.args[0], node.now_ms)
            else:
                number, more = (0, answer) if isinstance(answer, bytes) else (answer or 0, b"")
                vm.answer(number, node.now_ms, more)
            self._machine.look()
            if node.now_ms - self._machine.booted_ms > AWAKE_MS_MAX:
                raise Silent("a wake that does not end")

    def _ended(self, ended: BaseException):
        """As live(), of a wake that did not end by itself."""
        supply = self._machine.node.supply
        if supply is not None and supply.struck is not None:
            return ENDS[supply.struck.name], partial(self._struck, supply.struck)
        if isinstance(ended, PowerLoss):
            return "power cut", self._powerless
        return "reset", partial(self._reset, "watchdog")

    def _struck(self, fault) -> None:
        """Chip and memory after a fault of the supply; it comes back at once."""
        machine = self._machine
        if power_faults.lose_with_chip(machine.node, machine.judge, fault):
            machine.chip.own_clock.stop()
        self._reset(CAUSES[ENDS[fault.name]])

    def _stuck(self) -> None:
        """The board waits at its prompt. Whatever it was, the world goes on with a watchdog reset."""
        self._machine.node.spend("awake", STUCK_MS)
        self._reset("watchdog")

    def _reset(self, cause: str) -> None:
        self._machine.node.reset_cause = cause
        self._machine.chip.wake_reason = 0

    def _powerless(self) -> None:
        """The supply comes back at once; what it held is gone. A clock chip has a cell of its own."""
        node, chip = self._machine.node, self._machine.chip
        node.retained[:] = bytes(len(node.retained))
        chip.memory_bytes = 0
        chip.own_clock.stop()
        self._reset("power-on")

    def _lost(self) -> None:
        """Nobody and nothing will reset it."""
        self._machine.node.dead_since_ms = self._machine.node.now_ms

    def _sleep(self, asked_ms: int | None) -> None:
        node, chip = self._machine.node, self._machine.chip
        wired = chip.setting("time", "rtc_alarm", "")
        chip_ms = interrupt_ms(node) if wired and self._wake.pins["ext1"] == wired else None
        if asked_ms is None or asked_ms >= FOR_EVER_MS:
            self._lost()
            return
        by_chip = chip_ms is not None and chip_ms < asked_ms
        timer_ms = sleep_ms(node.sleep_timer, asked_ms / 1000, node.now_ms, node.climate.inside_degc)
        cut = node.supply.cut_before(node.now_ms + (chip_ms if by_chip else timer_ms)) if node.supply else None
        if cut is not None:
            self._struck(cut)
        elif by_chip:
            chip.own_clock.asleep(node, lambda: node.spend("asleep", chip_ms))
            node.reset_cause = "deep-sleep"
            chip.wake_reason = 3
        else:
            chip.own_clock.asleep(node, lambda: node.sleep(asked_ms / 1000))
            chip.wake_reason = parts.TIMER_WAKE
