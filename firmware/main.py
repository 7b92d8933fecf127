"""Law: whatever is raised, the board ends in deep sleep; Ctrl-C alone gives a prompt (docs/install.md)."""

try:
    import chosen  # noqa: F401
    from torpor.boards import start

    start.live()
except Exception as error:
    print("trace", type(error).__name__, error)
try:
    import time

    import alarm

    timer = alarm.time.TimeAlarm(monotonic_time=time.monotonic() + 600)
    alarm.exit_and_deep_sleep_until_alarms(timer)
except ImportError:
    import machine

    machine.deepsleep(600000)
