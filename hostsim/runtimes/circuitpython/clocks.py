"""time, rtc, watchdog timer and time alarms of CircuitPython. Law: a time that is wrong looks like any other.

time.monotonic() is a float, and the chip's own clock never says that it has stopped.
"""

import calendar
import time
import types

from hostsim.runtimes.circuitpython.machine import Machine

TICKS = 0x20000000
TICKS_AT_BOOT = TICKS - 65536  # it wraps a minute after a boot, so that programs are tested for it
CLOCK_AT_POWER_ON_S = 946684800


def module(name: str, **contents) -> types.ModuleType:
    made = types.ModuleType(name)
    made.__dict__.update(contents)
    return made


def monotonic(machine: Machine) -> float:
    # never 0 at the start
    return (machine.node.now_ms - machine.booted_ms + machine.node.board.durations["boot"]) / 1000.0


def clock_s(machine: Machine) -> float:
    """What the chip's own clock shows; after a loss of its supply it begins anew, and says nothing about it."""
    node = machine.node
    judged = node.wiring.clock == "internal"
    shown_s = machine.clock.shows(node.now_ms) if judged else machine.chip.own_clock.shows(node.now_ms)
    return CLOCK_AT_POWER_ON_S + monotonic(machine) if shown_s is None else shown_s


def _set_clock(machine: Machine, epoch_s: int) -> None:
    now_ms = machine.node.now_ms
    if machine.node.wiring.clock == "internal":
        machine.clock.set(now_ms, epoch_s)
    else:
        machine.chip.own_clock.set(now_ms, epoch_s)
        machine.reach.own_clock_set(now_ms, epoch_s, machine.true_s())


def time_module(machine: Machine, state: str | None) -> types.ModuleType:
    """state: what waiting is spent in; None: whatever the board is doing."""

    def sleep(seconds):
        if seconds < 0:
            raise ValueError("sleep length must be non-negative")
        machine.spend_us(state or machine.waiting(), round(seconds * 1_000_000))

    return module(
        "time",
        sleep=sleep,
        monotonic=lambda: monotonic(machine),
        monotonic_ns=lambda: int(monotonic(machine) * 1000) * 1_000_000,
        time=lambda: int(clock_s(machine)),
        localtime=lambda seconds=None: time.gmtime(clock_s(machine) if seconds is None else seconds),
        mktime=lambda fields: calendar.timegm(tuple(fields)[:6]),
        struct_time=time.struct_time,
    )


def ticks_ms(machine: Machine) -> int:
    return (machine.node.now_ms - machine.booted_ms + TICKS_AT_BOOT) % TICKS


class Rtc:
    calibration = 0

    def __init__(self, machine: Machine):
        self._machine = machine

    @property
    def datetime(self) -> time.struct_time:
        return time.gmtime(int(clock_s(self._machine)))

    @datetime.setter
    def datetime(self, fields) -> None:
        _set_clock(self._machine, calendar.timegm(tuple(fields)[:6]))


class Watchdog:
    def __init__(self, machine: Machine):
        self._machine = machine
        self._timeout: float | None = None
        self._mode = None

    @property
    def timeout(self):
        return self._timeout

    @timeout.setter
    def timeout(self, seconds) -> None:
        if not 0 < seconds <= self._machine.chip.watchdog_s_max:
            raise ValueError("timeout must be in range")
        self._timeout = seconds
        if self._mode is not None:
            self.feed()

    @property
    def mode(self):
        return self._mode

    @mode.setter
    def mode(self, mode) -> None:
        if mode is not None and self._timeout is None:
            raise ValueError("WatchDogTimer.timeout must be greater than 0")
        self._mode = mode
        self._machine.bites_ms = None
        if mode is not None:
            self.feed()

    def feed(self) -> None:
        if self._mode is None:
            raise ValueError("WatchDogTimer is not currently running")
        self._machine.bites_ms = self._machine.node.now_ms + int(self._timeout * 1000)


class TimeAlarm:
    def __init__(self, machine: Machine, monotonic_time, epoch_time):
        if (monotonic_time is None) == (epoch_time is None):
            raise ValueError("Supply one of monotonic_time or epoch_time")
        if epoch_time is not None:
            monotonic_time = monotonic(machine) + epoch_time - clock_s(machine)
        if monotonic_time < monotonic(machine):
            raise ValueError("Time is in the past.")
        self.monotonic_time = monotonic_time
