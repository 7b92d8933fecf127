"""Why CircuitPython is awake, and how it sleeps. Law: sleep() ends in deep sleep or, refused that, in a reset.

safemode.py and the last resort of circuitpython.py use it too, so it needs no settings.
"""

import time

import alarm
import microcontroller
import supervisor
from alarm import pin as alarm_pin
from alarm import time as alarm_time

from .cp_memory import BROWN_OUT, PENDING
from .cp_pins import pin

SLEEP_S_MAX = 86400


def reset_cause(memory):
    """The cause in the words of docs/porting.md; what safe mode has left for this boot comes first."""
    counters = memory.counters()
    pending = counters[PENDING]
    if pending:
        counters[PENDING] = 0
        memory.keep(counters)
        return "brown-out" if pending == BROWN_OUT else "panic"
    if alarm.wake_alarm is not None:
        # also after a sleep that was only pretended because of USB, which is no reset
        return "deep-sleep"
    reasons = microcontroller.ResetReason
    reason = microcontroller.cpu.reset_reason
    if reason == reasons.DEEP_SLEEP_ALARM:
        # the same boot once more: somebody has saved a file or pressed Ctrl-D
        again = supervisor.runtime.run_reason != supervisor.RunReason.STARTUP
        return "software" if again else "deep-sleep"
    if reason == reasons.WATCHDOG:
        return "watchdog"
    if reason == reasons.BROWNOUT:
        return "brown-out"
    if reason == reasons.SOFTWARE:
        return "software"
    if reason in (reasons.RESET_PIN, reasons.RESCUE_DEBUG):
        return "pin"
    return "power-on"


def wake_reason(cause, button):
    """`timer` or `button`, None when the board was not asleep. A clock chip's alarm is a timer too."""
    if cause != "deep-sleep":
        return None
    woken = alarm.wake_alarm
    try:
        pressed = button and isinstance(woken, alarm_pin.PinAlarm) and woken.pin == pin(button)
    except ValueError:
        pressed = False
    return "button" if pressed else "timer"


def pin_alarms(names):
    """Alarms for a low level at these pins, as far as they can wake the board, in this order."""
    found = []
    for name in names:
        try:
            found.append(alarm_pin.PinAlarm(pin=pin(name), value=False, pull=True))
        except (NotImplementedError, RuntimeError, ValueError):
            # not every pin can
            pass
    return found


def sleep(seconds, pins=(), late_s=0):
    """Sleep `seconds`, or `late_s` longer where the first of the pin alarms is to come before the timer."""
    for count in range(len(pins), -1, -1):
        asked_s = max(1, min(SLEEP_S_MAX, seconds)) + (late_s if count else 0)
        try:
            timer = alarm_time.TimeAlarm(monotonic_time=time.monotonic() + asked_s)
            alarm.exit_and_deep_sleep_until_alarms(timer, *pins[:count])
        except Exception:
            # chips differ in which pins can wake them together: with fewer of them, and at last with the timer alone
            pass
    microcontroller.reset()
