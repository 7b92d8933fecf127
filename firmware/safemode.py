"""Runs in safe mode, CircuitPython only. Law: a board that nobody looks at leaves safe mode by itself.

After a brown-out, a panic or an interrupt watchdog main.py does not run: a node that ran flat and was charged again
would stay dead. It rests, longer each time in a row, so that a weak battery gets its chance, and boots again. main.py
is told the cause. Whoever has connected USB finds the board awake in safe mode.
"""

import time

import microcontroller
import supervisor

FIRST_S = 60
LONGEST_S = 21600


def rest_s(times):
    """How long to rest after so many safe modes in a row."""
    return min(LONGEST_S, FIRST_S << min(times - 1, 10))


def note():
    """Count this safe mode, leave its cause for the next boot, and return how many in a row there were."""
    from torpor.boards.cp_memory import BROWN_OUT, PANIC, PENDING, SAFE_MODES, Memory

    memory = Memory(microcontroller.nvm)
    counters = memory.counters()
    counters[SAFE_MODES] = min(255, counters[SAFE_MODES] + 1)
    brown_out = supervisor.runtime.safe_mode_reason == supervisor.SafeModeReason.BROWNOUT
    counters[PENDING] = BROWN_OUT if brown_out else PANIC
    memory.keep(counters)
    return counters[SAFE_MODES]


if not supervisor.runtime.usb_connected:
    try:
        import chosen  # noqa: F401

        times = note()
        print("safe-mode", f"times={times}")
        from torpor.boards.cp_sleep import sleep

        sleep(rest_s(times))
    except Exception as error:
        # a file is missing: no deep sleep then, but no storm of resets either
        print("trace", f"{type(error).__name__}: {error}")
        time.sleep(FIRST_S)
    microcontroller.reset()
