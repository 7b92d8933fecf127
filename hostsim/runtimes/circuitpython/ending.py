"""What happens after a wake: sleep, a reset, or nothing any more. Law: the first alarm to come ends the sleep.

By the board's sleep timer, or by the interrupt of the clock chip where its pin is armed.
"""

from hostsim.node import Node
from hostsim.runtimes.circuitpython.clocks import TimeAlarm, monotonic
from hostsim.runtimes.circuitpython.machine import Machine
from hostsim.runtimes.circuitpython.system import PinAlarm

STUCK_MS = 8000  # what is left of a wake in which main.py came to an end
LOOK_AHEAD_MS = 2 * 86_400_000


def stuck(machine: Machine) -> None:
    """The board waits at its prompt. Whatever it was, the world goes on with a watchdog reset."""
    machine.node.spend("awake", STUCK_MS)
    bitten(machine)


def bitten(machine: Machine) -> None:
    """The watchdog has bitten."""
    if machine.chip.zeroes_retained:
        machine.node.retained[:] = bytes(len(machine.node.retained))
    reset(machine, "WATCHDOG", "watchdog")


def reset(machine: Machine, reason: str, cause: str) -> None:
    chip = machine.chip
    chip.reset_reason, chip.run_reason, chip.wake_alarm = reason, "STARTUP", None
    machine.node.reset_cause = cause


def lost(machine: Machine) -> None:
    """Nobody and nothing will reset it."""
    machine.node.dead_since_ms = machine.node.now_ms


def sleep(machine: Machine, alarms) -> None:
    node, chip = machine.node, machine.chip
    timer = next(alarm for alarm in alarms if isinstance(alarm, TimeAlarm))
    by_pin = {alarm.pin.name: alarm for alarm in alarms if isinstance(alarm, PinAlarm)}
    asked_s = timer.monotonic_time - monotonic(machine)
    wired = chip.setting("time", "rtc_alarm", "")
    chip_ms = _interrupt_ms(node) if wired in by_pin else None
    by_chip = chip_ms is not None and chip_ms < asked_s * 1000
    chip.wake_alarm = by_pin[wired] if by_chip else timer
    node.reset_cause = "deep-sleep"
    if chip.usb_connected:
        # only pretended: everything stays on, and it is no reset
        node.spend("awake", chip_ms if by_chip else int(asked_s * 1000))
        chip.run_reason = "SUPERVISOR_RELOAD"
        return
    chip.reset_reason, chip.run_reason = "DEEP_SLEEP_ALARM", "STARTUP"
    if by_chip:
        node.spend("asleep", chip_ms)
    else:
        node.sleep(asked_s)


def _interrupt_ms(node: Node) -> int | None:
    """In how many ms the clock chip pulls its pin low; None: not within two days."""
    part = node.clock_chip
    if part is None:
        return None
    if part.interrupt():
        return 0
    at_s = part.alarm_s()
    if at_s is None or node.clock.shows(node.now_ms + LOOK_AHEAD_MS) < at_s:
        return None
    low, high = 0, LOOK_AHEAD_MS
    while low < high:
        middle = (low + high) // 2
        if node.clock.shows(node.now_ms + middle) >= at_s:
            high = middle
        else:
            low = middle + 1
    return low
