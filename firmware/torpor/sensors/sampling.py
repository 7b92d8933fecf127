"""One reading of every sensor. Law: a sensor that fails costs its own channels and nothing else.

Rail on, settle, read each under its deadline, rail off; absent values are record.ABSENT and flagged.
"""

from ..record import ABSENT, SENSOR_FAILED
from .quantities import QUANTITIES

_PLAIN = ("/", 0, 1)
VALUE_MAX = 2147483647


def sample(ports, settings):
    """Read everything that the settings name; return (values, channel_flags, failed sensors)."""
    clock = ports.clock
    rails = _rails(settings)
    values = []
    flags = []
    failed = 0
    try:
        _switch_on(ports, settings, rails)
        for sensor in settings["sensor"]:
            failed += _read_sensor(ports, clock, sensor, values, flags)
        for analog in settings["analog"]:
            failed += _read_analog(ports, analog, values, flags)
    finally:
        for rail in rails:
            ports.power.rail(rail, False)
    return values, flags, failed


def _rails(settings):
    rails = []
    for group in (settings["sensor"], settings["analog"]):
        for entry in group:
            if entry["rail"] and entry["rail"] not in rails:
                rails.append(entry["rail"])
    return rails


def _switch_on(ports, settings, rails):
    for rail in rails:
        ports.power.rail(rail, True)
    settle_ms = 0
    for sensor in settings["sensor"]:
        settle_ms = max(settle_ms, sensor["warm_up_ms"])
    if settle_ms:
        ports.clock.wait_ms(settle_ms)


def _read_sensor(ports, clock, sensor, values, flags):
    started = clock.ticks_ms()
    names = sensor["read"]
    done = 0
    try:
        driver = ports.drivers.load(sensor["driver"], sensor["bus"], sensor["address"])
        for name in names:
            value = getattr(driver, name)
            if clock.elapsed_ms(started) > sensor["deadline_ms"]:
                break
            scaled = int(round(value * QUANTITIES.get(name, _PLAIN)[2]))
            if not -VALUE_MAX <= scaled <= VALUE_MAX:
                break
            values.append(scaled)
            flags.append(0)
            done += 1
    except Exception:
        # a vendor driver may raise anything: ValueError, OSError, RuntimeError and worse have been seen
        pass
    for _ in range(len(names) - done):
        values.append(ABSENT)
        flags.append(SENSOR_FAILED)
    return 1 if done < len(names) else 0


def _read_analog(ports, analog, values, flags):
    try:
        value_mv = ports.analog.read_mv(analog["name"])
    except OSError:
        values.append(ABSENT)
        flags.append(SENSOR_FAILED)
        return 1
    lower_ohm = analog["divider_lower_ohm"]
    if lower_ohm:
        value_mv = value_mv * (analog["divider_upper_ohm"] + lower_ohm) // lower_ohm
    values.append(value_mv)
    flags.append(0)
    return 0
