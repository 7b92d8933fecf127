"""Entry on both interpreters. Law: whatever is raised, the board ends in deep sleep; only Ctrl-C gives a prompt."""

import sys

RETRY_S = 600

try:
    if sys.implementation.name == "circuitpython":
        from torpor.boards import circuitpython as port
    else:
        from torpor.boards import micropython as port
    try:
        from torpor.cycle import wake

        wake(port.Ports())
    except Exception as error:
        # the port could not be built: it counts that and sleeps
        port.rest(error, RETRY_S)
except Exception as error:
    # not even that worked: a file is missing or broken
    print("trace", type(error).__name__, error)
if sys.implementation.name == "circuitpython":
    import time

    import alarm

    alarm.exit_and_deep_sleep_until_alarms(alarm.time.TimeAlarm(monotonic_time=time.monotonic() + RETRY_S))
else:
    import machine

    machine.deepsleep(RETRY_S * 1000)
