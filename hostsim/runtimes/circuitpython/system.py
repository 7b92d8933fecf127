"""alarm, microcontroller, supervisor and the like of CircuitPython. Law: only the names that the platform has.

Reasons are those of the chip's last reset; how a wake ends is raised, as on a board, past every `except Exception`.
"""

import errno
import types

from hostsim.runtimes.circuitpython.clocks import Rtc, TimeAlarm, Watchdog, module, ticks_ms, time_module
from hostsim.runtimes.circuitpython.machine import Machine

# the numbers that CircuitPython's errno has, with the host's values
ERRNO = """
EACCES EADDRINUSE EAGAIN EALREADY EBADF ECONNABORTED ECONNREFUSED ECONNRESET EEXIST EHOSTUNREACH EINPROGRESS EINVAL
EIO EISDIR ENOBUFS ENODEV ENOENT ENOMEM ENOTCONN EOPNOTSUPP EPERM ETIMEDOUT
"""
RESET_REASONS = "POWER_ON BROWNOUT SOFTWARE DEEP_SLEEP_ALARM RESET_PIN WATCHDOG UNKNOWN RESCUE_DEBUG"
SAFE_MODE_REASONS = """
NONE BROWNOUT FLASH_WRITE_FAIL GC_ALLOC_OUTSIDE_VM HARD_FAULT INTERRUPT_ERROR NLR_JUMP_FAIL NO_CIRCUITPY NO_HEAP
PROGRAMMATIC SDK_FATAL_ERROR STACK_OVERFLOW USB_BOOT_DEVICE_NOT_INTERFACE_ZERO USB_TOO_MANY_ENDPOINTS
USB_TOO_MANY_INTERFACE_NAMES USER WATCHDOG
"""
RUN_REASONS = "STARTUP AUTO_RELOAD SUPERVISOR_RELOAD REPL_RELOAD"


class Slept(BaseException):
    """exit_and_deep_sleep_until_alarms() was called with these alarms."""


class Reset(BaseException):
    """microcontroller.reset() was called."""


def names(words: str, kind: str) -> dict[str, str]:
    """{name: what stands for it}, the same ones for the life of the process."""
    return {word: f"{kind}.{word}" for word in words.split()}


RESET_REASON = names(RESET_REASONS, "ResetReason")
SAFE_MODE_REASON = names(SAFE_MODE_REASONS, "SafeModeReason")
RUN_REASON = names(RUN_REASONS, "RunReason")


class Bytes:
    """sleep_memory and nvm: bytes and slices of them; a slice keeps its length."""

    def __init__(self, memory: bytearray):
        self._memory = memory

    def __len__(self) -> int:
        return len(self._memory)

    def __bool__(self) -> bool:
        return True

    def __getitem__(self, index):
        return self._memory[index]

    def __setitem__(self, index, value) -> None:
        if isinstance(index, slice) and len(range(*index.indices(len(self._memory)))) != len(value):
            raise ValueError("Slice and value different lengths.")
        self._memory[index] = value


class PinAlarm:
    def __init__(self, pin, value, edge=False, pull=False):
        if edge:
            raise ValueError("Cannot wake on pin edge. Only level.")
        self.pin, self.value = pin, value


def modules(machine: Machine, pins: types.ModuleType) -> dict[str, types.ModuleType]:
    """pins: microcontroller.pin."""
    node, chip = machine.node, machine.chip

    def sleep(*alarms, preserve_dios=()):
        raise Slept(alarms)

    def reset():
        raise Reset

    alarm = module(
        "alarm",
        sleep_memory=Bytes(node.retained),
        wake_alarm=chip.wake_alarm,
        time=module(
            "alarm.time",
            TimeAlarm=lambda *, monotonic_time=None, epoch_time=None: TimeAlarm(machine, monotonic_time, epoch_time),
        ),
        pin=module("alarm.pin", PinAlarm=PinAlarm),
        exit_and_deep_sleep_until_alarms=sleep,
    )
    cpu = types.SimpleNamespace(uid=node.eui, reset_reason=RESET_REASON[chip.reset_reason], frequency=240_000_000)
    microcontroller = module(
        "microcontroller",
        cpu=cpu,
        nvm=Bytes(chip.nvm),
        watchdog=Watchdog(machine),
        pin=pins,
        ResetReason=types.SimpleNamespace(**RESET_REASON),
        delay_us=lambda us: machine.spend_us(machine.waiting(), us),
        reset=reset,
    )
    runtime = types.SimpleNamespace(
        usb_connected=chip.usb_connected,
        serial_connected=chip.usb_connected,
        run_reason=RUN_REASON[chip.run_reason],
        safe_mode_reason=SAFE_MODE_REASON[chip.safe_mode or "NONE"],
        autoreload=True,
    )
    supervisor = module(
        "supervisor",
        ticks_ms=lambda: ticks_ms(machine),
        runtime=runtime,
        RunReason=types.SimpleNamespace(**RUN_REASON),
        SafeModeReason=types.SimpleNamespace(**SAFE_MODE_REASON),
    )
    system = module(
        "sys",
        implementation=types.SimpleNamespace(name="circuitpython", version=(10, 0, 3)),
        platform="Espressif",
        path=["", "/", ".frozen", "/lib"],
        maxsize=0x7FFFFFFF,
    )
    return {
        "alarm": alarm,
        "microcontroller": microcontroller,
        "supervisor": supervisor,
        "sys": system,
        "time": time_module(machine, None),
        "rtc": module("rtc", RTC=lambda: Rtc(machine)),
        "watchdog": module("watchdog", WatchDogMode=types.SimpleNamespace(RESET="RESET", RAISE="RAISE")),
        "traceback": module("traceback", print_exception=machine.events.trace),
        "errno": module("errno", **{name: getattr(errno, name) for name in ERRNO.split()}),
        "micropython": module("micropython", const=lambda value: value),
    }
