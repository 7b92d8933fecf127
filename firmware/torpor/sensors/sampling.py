"""One reading of every sensor. Law: a sensor that fails costs its own channels and nothing else.

Rail on, settle, read each under its deadline, rail off; absent values are record.ABSENT and flagged.
"""

from ..record import ABSENT, SENSOR_FAILED
from .quantities import QUANTITIES

_PLAIN = ("/", 0, 1)
VALUE_MAX = 2147483647
# sensors that have not been asked by then are left out: the cycle has a deadline of its own
SAMPLE_MS_MAX = 120000


def sample(ports, settings):
    """Read everything that the settings name; return (values, channel_flags, failed sensors).

    A rail that does not obey counts as one more failure.
    """
    values = []
    flags = []
    rails = _rails(settings)
    started_ms = ports.clock.ticks_ms()
    failed = 0
    try:
        failed = _switch(ports, rails, True)
        _settle(ports, settings)
        for sensor in settings["sensor"]:
            failed += _read_sensor(ports, sensor, started_ms, values, flags)
        for analog in settings["analog"]:
            failed += _read_analog(ports, analog, values, flags)
    finally:
        failed += _switch(ports, rails, False)
    return values, flags, failed


def _rails(settings):
    rails = []
    for group in (settings["sensor"], settings["analog"]):
        for entry in group:
            if entry["rail"] and entry["rail"] not in rails:
                rails.append(entry["rail"])
    return rails


def _switch(ports, rails, on):
    """Switch every rail, whatever one of them does; return how many did not obey."""
    failed = 0
    for rail in rails:
        try:
            ports.power.rail(rail, on)
        except Exception:
            failed += 1
    return failed


def _settle(ports, settings):
    settle_ms = 0
    for sensor in settings["sensor"]:
        settle_ms = max(settle_ms, sensor["warm_up_ms"])
    if settle_ms:
        ports.clock.wait_ms(settle_ms)


def _read_sensor(ports, sensor, started_ms, values, flags):
    clock = ports.clock
    limit_ms = sensor["deadline_ms"]
    failed = 0
    driver = None
    begun_ms = clock.ticks_ms()
    in_time = clock.elapsed_ms(started_ms) <= SAMPLE_MS_MAX
    for name in sensor["read"]:
        value = None
        try:
            if in_time:
                if driver is None:
                    driver = ports.drivers.load(sensor["driver"], sensor["bus"], sensor["address"])
                value = scaled(getattr(driver, name), QUANTITIES.get(name, _PLAIN)[2])
        except Exception:
            # a vendor driver may raise anything: ValueError, OSError, RuntimeError and worse have been seen
            value = None
        if in_time and (driver is None or clock.elapsed_ms(begun_ms) > limit_ms):
            # not fitted, or too slow: whatever came is not waited for again
            in_time = False
            value = None
        failed |= _keep(value, values, flags)
    return failed


def scaled(value, factor):
    """value x factor as the nearest integer; None when it does not fit a channel. Raises for what is not a number."""
    number = int(round(value * factor))
    return number if -VALUE_MAX <= number <= VALUE_MAX else None


def _keep(value, values, flags):
    """Take one channel's integer, None for absent; return 1 when it was absent."""
    values.append(ABSENT if value is None else value)
    flags.append(SENSOR_FAILED if value is None else 0)
    return 1 if value is None else 0


def _read_analog(ports, analog, values, flags):
    value = None
    try:
        value_mv = int(ports.analog.read_mv(analog["name"]))
        lower_ohm = analog["divider_lower_ohm"]
        if lower_ohm:
            value_mv = value_mv * (analog["divider_upper_ohm"] + lower_ohm) // lower_ohm
        value = scaled(value_mv, 1)
    except Exception:
        # analog inputs differ from port to port in what they raise
        value = None
    return _keep(value, values, flags)
