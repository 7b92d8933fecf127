"""The CircuitPython runtime: the firmware's real main.py and board port, and unmodified drivers, in CPython.

Law: a wake starts with what lasts (chip.py) and imports everything anew; time is the world's, never this computer's.

The platform's modules are made anew for each wake, too, over one machine (machine.py). Vendor drivers talk to
register-level parts; sockets are the simulated ones, or real ones where the rehearsal has a real broker.
"""

from functools import partial

from hostsim import power_faults
from hostsim.node import Node
from hostsim.runtimes import between_wakes
from hostsim.runtimes.circuitpython import chip as chips
from hostsim.runtimes.circuitpython import clocks, ending, pins, storing, system, wireless
from hostsim.runtimes.circuitpython.chip import Chip
from hostsim.runtimes.circuitpython.importing import Importer
from hostsim.runtimes.circuitpython.machine import Hung, Machine
from hostsim.runtimes.endings import ENDINGS, ENDS, BrownOut, PowerLoss, WatchdogReset

AFTER_SLEEP = ("deep-sleep", "watchdog")  # causes of a wake in which no person is waited for


def chip_of(node: Node, ca_pem: str | None = None) -> Chip:
    """The node's chip; made when it is first asked for. ca_pem: what its CA file holds."""
    if node.ports is None:
        node.ports = (Chip(node, ca_pem),)
    return node.ports[0]


def brown_out(node: Node) -> None:
    """The supply gave way between two wakes: the next boot ends in safe mode, and retained memory is gone."""
    chip = chip_of(node)
    node.retained[:] = bytes(len(node.retained))
    ending.brown_out(node, chip)


def wake(node: Node, world, judge) -> None:
    """One wake and the sleep after it; none when the battery is empty. Raises RuntimeAbsent."""
    chip = chip_of(node, world.desk.ca_pem if world.desk is not None else None)
    root = chips.firmware()
    if not node.begin_wake():
        return
    between_wakes.wake_begins(node, judge, node.reset_cause not in AFTER_SLEEP, chip.lay_settings, bytes(chip.nvm))
    node.radio_state = None
    machine = Machine(node, world, judge, chip)
    supply = power_faults.supply_of(node, ENDINGS)
    if supply is not None:
        supply.begin_wake()
    end, after = _live(machine, root)
    if supply is not None:
        supply.end_wake()
        if supply.struck is not None:
            # whatever else came of it on the way out
            end, after = ENDS[supply.struck.name], partial(ending.struck, machine, supply.struck)
    judge.wake_ended(node.now_ms, end, node.battery_mv)
    node.radio_state = None
    machine.bites_ms = None
    chip.safe_mode = None
    after()


def _live(machine: Machine, root):
    """(what the wake ended in, as the judge has it; what happens then). What the supply ended says node.supply."""
    run = importer(machine, root).run
    try:
        if machine.chip.safe_mode is not None:
            run(root / "safemode.py")
        else:
            run(root / "boot.py")
            run(root / "main.py")
    except system.Slept as slept:
        return "sleep", partial(ending.sleep, machine, slept.args[0])
    except system.Reset:
        return "a reset instead of sleep", partial(ending.reset, machine, "SOFTWARE", "software")
    except WatchdogReset:
        return "reset", partial(ending.bitten, machine)
    except Hung:
        return "a call that never came back", partial(ending.lost, machine)
    except (BrownOut, PowerLoss):
        return "the supply", partial(ending.stuck, machine)
    except Exception as error:
        machine.events.trace(error)
        return f"{type(error).__name__}: {error}", partial(ending.stuck, machine)
    return "a return instead of sleep", partial(ending.stuck, machine)


def importer(machine: Machine, root) -> Importer:
    """What the firmware under `root` can import in this wake."""
    of_pins, chip_pins = pins.modules(machine)
    files = storing.Files(machine)
    platform = {**of_pins, **storing.modules(machine, files), **system.modules(machine, chip_pins)}
    drivers = {key[0].partition(".")[0] for key in machine.node.wiring.sensors}
    for_drivers = {"time": clocks.time_module(machine, "sensing")}
    names = {"open": files.open, "print": lambda *words: machine.told(" ".join(map(str, words)))}
    return Importer(root, drivers, platform, wireless.late_modules(machine), for_drivers, names)
