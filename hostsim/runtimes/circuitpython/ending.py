"""What happens after a wake: sleep, a reset, or nothing any more. Law: the first alarm to come ends the sleep.

By the board's sleep timer, or by the interrupt of the clock chip where its pin is armed.
"""

from dataclasses import replace

from hostsim import power_faults
from hostsim.node import Node
from hostsim.rtc import sleep_ms
from hostsim.runtimes.alarm import interrupt_ms
from hostsim.runtimes.circuitpython.clocks import TimeAlarm, monotonic
from hostsim.runtimes.circuitpython.machine import Machine
from hostsim.runtimes.circuitpython.system import PinAlarm

STUCK_MS = 8000  # what is left of a wake in which main.py came to an end


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


def brown_out(node: Node, chip) -> None:
    """The next boot ends in safe mode."""
    chip.reset_reason, chip.run_reason, chip.wake_alarm, chip.safe_mode = "BROWNOUT", "STARTUP", None, "BROWNOUT"
    node.reset_cause = "brown-out"


def struck(machine: Machine, fault) -> None:
    """Chip and memory after a fault of the supply; it comes back at once."""
    node, chip = machine.node, machine.chip
    if fault.name == "brown-out":
        # whatever other chips do: this platform's retained memory does not survive it
        fault = replace(fault, extras={**fault.extras, "memory": "lost"})
    if power_faults.lose_with_chip(node, machine.judge, fault):
        chip.own_clock.stop()
    if fault.name == "brown-out":
        brown_out(node, chip)
    elif fault.name == "power-cut":
        reset(machine, "POWER_ON", "power-on")
    else:
        reset(machine, "WATCHDOG", "watchdog")


def lost(machine: Machine) -> None:
    """Nobody and nothing will reset it."""
    machine.node.dead_since_ms = machine.node.now_ms


def sleep(machine: Machine, alarms) -> None:
    node, chip = machine.node, machine.chip
    timer = next(alarm for alarm in alarms if isinstance(alarm, TimeAlarm))
    by_pin = {alarm.pin.name: alarm for alarm in alarms if isinstance(alarm, PinAlarm)}
    asked_s = timer.monotonic_time - monotonic(machine)
    wired = chip.setting("time", "rtc_alarm", "")
    chip_ms = interrupt_ms(node) if wired in by_pin else None
    by_chip = chip_ms is not None and chip_ms < asked_s * 1000
    timer_ms = sleep_ms(node.sleep_timer, asked_s, node.now_ms, node.climate.inside_degc)
    cut = node.supply.cut_before(node.now_ms + (chip_ms if by_chip else timer_ms)) if node.supply else None
    if cut is not None:
        struck(machine, cut)
        return
    chip.wake_alarm = by_pin[wired] if by_chip else timer
    node.reset_cause = "deep-sleep"
    if chip.usb_connected:
        # only pretended: everything stays on, and it is no reset
        node.spend("awake", chip_ms if by_chip else int(asked_s * 1000))
        chip.run_reason = "SUPERVISOR_RELOAD"
        return
    chip.reset_reason, chip.run_reason = "DEEP_SLEEP_ALARM", "STARTUP"
    if by_chip:
        chip.own_clock.asleep(node, lambda: node.spend("asleep", chip_ms))
    else:
        chip.own_clock.asleep(node, lambda: node.sleep(asked_s))
