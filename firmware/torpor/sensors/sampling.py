"""One reading of every sensor. Law: a sensor that fails costs its own channels and nothing else.

Rail on, warm up, read each under its deadline, rail off; absent values are record.ABSENT and flagged. A sensor that
warms up gets its driver first: many measure only after their driver has switched them on.
"""

from ..record import ABSENT, SENSOR_FAILED
from .loader import value as asked
from .quantities import quantity

VALUE_MAX = 2147483647
# sensors that have not been asked by then are left out: the cycle has a deadline of its own
SAMPLE_MS_MAX = 120000
# a part does not answer at once when its rail goes on: 1 to 5 ms are usual (data sheets)
POWER_UP_MS = 10
# a part that needs longer is asked so often
TRY_AGAIN_MS = 250


def sample(ports, settings):
    """Read everything that the settings name; return (values, channel_flags, failed sensors).

    A rail that does not obey counts as one more failure.
    """
    values = []
    flags = []
    # settings of last resort have neither
    own, sounds = settings.get("quantity", ()), settings.get("sound", ())
    rails = _rails(settings["sensor"], settings["analog"], sounds)
    started_ms = ports.clock.ticks_ms()
    failed = 0
    try:
        failed = _switch(ports, rails, True)
        made = _warm_up(ports, settings["sensor"], sounds, started_ms)
        for index, sensor in enumerate(settings["sensor"]):
            failed += _read_sensor(ports, sensor, made.get(index), started_ms, own, values, flags)
        for analog in settings["analog"]:
            failed += _read_analog(ports, analog, values, flags)
        if sounds:
            failed += _hear(ports, sounds, started_ms, values, flags)
    finally:
        failed += _switch(ports, rails, False)
    return values, flags, failed


def _rails(*groups):
    rails = []
    for group in groups:
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


def _warm_up(ports, sensors, sounds, started_ms):
    """Make the drivers of all sensors that warm up, and wait until each has had its time since then.

    Some parts do not answer at all for a second after their rail went on, and measure only once their driver was
    made: so a driver is tried again and again while its sensor's time lasts. Returns {index: (driver, ms that making
    it took)}; one that could not be made is tried a last time when it is read.
    """
    clock = ports.clock
    made = {}
    waits = [(clock.ticks_ms(), sound["warm_up_ms"]) for sound in sounds]
    pending = [(index, sensor) for index, sensor in enumerate(sensors) if sensor["warm_up_ms"]]
    begun_ms = clock.ticks_ms()
    wait_ms = POWER_UP_MS
    while pending:
        clock.wait_ms(wait_ms)
        wait_ms = TRY_AGAIN_MS
        left = []
        for index, sensor in pending:
            if clock.elapsed_ms(started_ms) > SAMPLE_MS_MAX:
                return made
            making_ms = clock.ticks_ms()
            try:
                driver = _load(ports, sensor)
                made[index] = (driver, clock.elapsed_ms(making_ms))
                waits.append((clock.ticks_ms(), sensor["warm_up_ms"]))
            except Exception:
                if clock.elapsed_ms(begun_ms) < sensor["warm_up_ms"]:
                    left.append((index, sensor))
        pending = left
    for since_ms, warm_up_ms in waits:
        left_ms = warm_up_ms - clock.elapsed_ms(since_ms)
        if left_ms > 0:
            clock.wait_ms(left_ms)
    return made


def _load(ports, sensor):
    return ports.drivers.load(sensor["driver"], sensor["bus"], sensor["address"])


def _read_sensor(ports, sensor, made, started_ms, own, values, flags):
    clock = ports.clock
    driver, making_ms = made or (None, 0)
    limit_ms = sensor["deadline_ms"] - making_ms
    failed = 0
    begun_ms = clock.ticks_ms()
    in_time = limit_ms >= 0 and clock.elapsed_ms(started_ms) <= SAMPLE_MS_MAX
    for name in sensor["read"]:
        value = None
        try:
            if in_time:
                if driver is None:
                    driver = _load(ports, sensor)
                value = scaled(asked(driver, name), quantity(name, own)[2])
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


def _hear(ports, sounds, started_ms, values, flags):
    """Read the microphones. Imported only where there is one; many interpreters have no way to read it."""
    from .sound import measure

    failed = 0
    for sound in sounds:
        value = None
        try:
            if ports.clock.elapsed_ms(started_ms) <= SAMPLE_MS_MAX:
                value = measure(ports, sound)
        except Exception as error:
            # no port for sound, no such pins, a driver that gives up: the channel is absent, and the log says why
            if not failed:
                _say(ports, error)
        failed += _keep(value, values, flags)
    return failed


def _say(ports, error):
    try:
        ports.log.event("sound-absent")
        ports.log.trace(error)
    except Exception:
        # a log that fails must not cost a reading
        pass
