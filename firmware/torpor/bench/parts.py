"""Each sensor: is it there, is what it says believable, how much does it scatter. Law: one line a channel.

The driver is the node's own, made and asked as a wake does it; errors are told apart by what drivers raise.
"""

from .. import senml
from ..sensors import loader
from ..sensors.quantities import channel_name, quantity
from ..sensors.sampling import scaled
from . import limits
from .report import said

READINGS = 8
PAUSE_MS = 250
TRY_AGAIN_MS = 250


def check(report, ports, settings, buses):
    """buses: what buses.check() returned."""
    for sensor in settings["sensor"]:
        ports.power.feed_watchdog()
        _sensor(report, ports, settings, sensor, buses)
    if not settings["sensor"]:
        report.not_fitted("sensors")


def _sensor(report, ports, settings, sensor, buses):
    names = [channel_name(sensor["label"], name) for name in sensor["read"]]
    answers = buses.get(sensor["bus"])
    if answers is None:
        for name in names:
            report.fail("sensor " + name, "bus", "not asked", "", f"mend bus {sensor['bus']} first")
        return
    address = sensor["address"] or ports.bench().address_of(sensor["driver"])
    if address and address not in answers:
        for name in names:
            report.fail("sensor " + name, "part-absent", "not asked", "", f"see part {sensor['driver']} above")
        return
    try:
        driver = made(ports, sensor)
    except Exception as error:
        fault, do = _why(error, sensor)
        for name in names:
            report.fail("sensor " + name, fault, said(error), "", do)
        return
    own = settings["quantity"]
    for name, channel in zip(sensor["read"], names):
        _channel(report, ports, sensor, driver, name, channel, own)


def made(ports, sensor):
    """The driver, tried until the sensor's warm-up is over, and then warmed up. Raises what the driver raises."""
    clock = ports.clock
    begun_ms = clock.ticks_ms()
    while True:
        try:
            driver = ports.drivers.load(sensor["driver"], sensor["bus"], sensor["address"])
            break
        except Exception:
            if clock.elapsed_ms(begun_ms) >= sensor["warm_up_ms"]:
                raise
            clock.wait_ms(TRY_AGAIN_MS)
    clock.wait_ms(sensor["warm_up_ms"])
    return driver


def _why(error, sensor):
    """(fault, what to do) of a driver that could not be made."""
    module = sensor["driver"].rpartition(".")[0]
    if isinstance(error, ImportError) or str(error).startswith(module):
        return "driver-missing", f"put {module} and what it imports into lib/: docs/boards.md"
    if isinstance(error, ValueError):
        return "sensor-absent", "nobody at its address: its solder, its address strap, its rail in the settings"
    if isinstance(error, RuntimeError):
        return "sensor-garbled", "it answers, and not as this part does: another part, or a bad joint at SDA"
    return "sensor-lost", "it answered and does not any more: a loose joint, or its supply gives way"


def _channel(report, ports, sensor, driver, name, channel, own):
    clock = ports.clock
    item = "sensor " + channel
    unit, exponent, factor = quantity(name, own)
    values = []
    slowest_ms = 0
    for reading in range(READINGS):
        if reading:
            clock.wait_ms(PAUSE_MS)
        begun_ms = clock.ticks_ms()
        try:
            value = scaled(loader.value(driver, name), factor)
        except Exception as error:
            _unread(report, item, error, len(values))
            return
        slowest_ms = max(slowest_ms, clock.elapsed_ms(begun_ms))
        if value is None:
            report.fail(item, "sensor-implausible", "beyond any channel", "", "another part than the driver's?")
            return
        values.append(value)
    mean, spread = sum(values) // len(values), max(values) - min(values)
    report.numbers[channel] = {"mean": mean, "spread": spread, "exponent": exponent, "unit": unit}
    _judge(report, item, sensor, (mean, spread, slowest_ms), limits.limits(name, own), (unit, exponent))


def _unread(report, item, error, before):
    value = f"{said(error)} (after {before} good ones)" if before else said(error)
    if isinstance(error, AttributeError):
        report.fail(
            item, "driver-property", value, "", "the driver has no such property: read = [...] of its section"
        )
    elif isinstance(error, RuntimeError):
        report.fail(
            item, "sensor-garbled", value, "", "checksums are wrong: a bad joint, long wires, or too fast a bus"
        )
    else:
        report.fail(item, "sensor-lost", value, "", "it does not answer any more: a loose joint, or its supply")


def _judge(report, item, sensor, found, bounds, shown):
    mean, spread, slowest_ms = found
    least, most, spread_max = bounds
    unit, exponent = shown
    value = f"{senml.decimal(mean, exponent)} {unit}, spread {senml.decimal(spread, exponent)}"
    limit = ""
    if least is not None:
        limit = f"{senml.decimal(least, exponent)} to {senml.decimal(most, exponent)}"
        if spread_max is not None:
            limit += f", spread {senml.decimal(spread_max, exponent)}"
    if least is not None and not least <= mean <= most:
        do = "no bench is like that: another part than the driver's, or a broken one"
        report.fail(item, "sensor-implausible", value, limit, do)
    elif spread_max is not None and spread > spread_max:
        report.fail(item, "sensor-noisy", value, limit, "a bad joint, a supply that ripples, or somebody's breath")
    elif slowest_ms > sensor["deadline_ms"]:
        do = "raise deadline_ms of its section, or choose a faster mode"
        report.fail(item, "sensor-slow", f"{slowest_ms} ms a reading", f"{sensor['deadline_ms']} ms", do)
    else:
        report.passed(item, value, limit)
