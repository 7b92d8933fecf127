"""One vendor driver, tried as a node would use it. Law: it says what happened here, on this interpreter, and no more.

Runs in CPython and in MicroPython: python driver_probe.py DRIVER [FAULT], with the folders of torpor, hostsim and the
drivers on the path. Prints one line of JSON: "import": the error, null when there was none; "heap": bytes that the
import left, on MicroPython; "offers": the properties that torpor.sensors.quantities knows; "read": {property:
text}, null without a model; "waits_ms": what the driver waited in all for that; "error": what it raised when it was
made or read.
"""

import gc
import json
import sys
import time

# a driver that waits longer in all has hung
WAITS_MS_MAX = 60000
# as [[quantity]] in the settings
OWN = ({"property": "pm25_env", "unit": "kg/m3", "decimals": 0, "power_of_ten": -9},)


class Hung(BaseException):
    """The driver waits without an end."""


class Clock:
    """Virtual time: what a driver waits passes at once."""

    def __init__(self):
        self.now_ms = 1000.0

    def sleep(self, seconds):
        self.now_ms += seconds * 1000
        if self.now_ms > WAITS_MS_MAX:
            raise Hung(f"still waiting after {WAITS_MS_MAX // 1000} s")

    def monotonic(self):
        # each look takes a little, so that a loop on the clock alone ends
        self.sleep(0.0001)
        return self.now_ms / 1000

    def monotonic_ns(self):
        return int(self.monotonic() * 1000000000)

    def install(self):
        """Before the driver is imported: it may take the names with it."""
        time.sleep = self.sleep
        time.monotonic = self.monotonic
        time.monotonic_ns = self.monotonic_ns


def said(error):
    return f"{type(error).__name__}: {error}"


def imported(driver):
    """(class or None, error or None, bytes of heap that it left or None)."""
    name, _, class_name = driver.rpartition(".")
    before = allocated()
    try:
        module = __import__(name, None, None, (class_name,))
        made = getattr(module, class_name)
    except Exception as error:
        return None, said(error), None
    return made, None, None if before is None else allocated() - before


def allocated():
    if not hasattr(gc, "mem_alloc"):
        return None
    gc.collect()
    gc.collect()
    return gc.mem_alloc()


def offered(made):
    """The properties of a class that have a unit here; what can be called is no property."""
    from torpor.sensors.quantities import QUANTITIES

    return sorted([name for name in dir(made) if name in QUANTITIES and not callable(getattr(made, name, None))])


def read(driver, clock, spoil=None):
    """({property: what a pack would say}, ms waited, error or None) of a driver on its model.

    spoil(bus, address): called before the driver is made, to put a fault on the bus.
    """
    from torpor.sensors import loader

    from hostsim.devices import catalogue
    from hostsim.devices.bus import Bus

    fitted = catalogue.FITTED[driver]
    bus = Bus()
    bus.attach(fitted.address, fitted.make(lambda: clock.now_ms))
    if spoil:
        spoil(bus, fitted.address)
    begun_ms = clock.now_ms
    settled_ms = 0
    texts = {}
    error = None
    try:
        sensor = loader.load(driver, bus, 0)
        clock.sleep(fitted.settle_ms / 1000)
        settled_ms = fitted.settle_ms
        for name in fitted.reads:
            texts[name] = shown(name, loader.value(sensor, name))
    except (Exception, Hung) as raised:
        error = said(raised)
    return texts, int(clock.now_ms - begun_ms - settled_ms + 0.5), error


def shown(name, value):
    """What a pack would say of a value; of a clock's, the date and the time."""
    from torpor.senml import decimal
    from torpor.sensors import quantities, sampling

    if name == "datetime":
        year, month, day, hour, minute, second = value[:6]
        return f"{year}-{month:02}-{day:02} {hour:02}:{minute:02}:{second:02}"
    unit, exponent, factor = quantities.quantity(name, OWN)
    return decimal(sampling.scaled(value, factor), exponent) + " " + unit


def absent(bus, address):
    bus.absent.add(address)


def corrupted(bus, address):
    bus.corrupted.add(address)


def held_low(bus, address):
    bus.held_low = 9


def probe(driver, spoil=None):
    clock = Clock()
    clock.install()
    made, error, heap = imported(driver)
    result = {"import": error, "heap": heap, "offers": [], "read": None, "waits_ms": None, "error": None}
    if made:
        from hostsim.devices.catalogue import FITTED

        result["offers"] = offered(made)
        if driver in FITTED:
            result["read"], result["waits_ms"], result["error"] = read(driver, clock, spoil)
    return result


FAULTS = {"absent": absent, "corrupted": corrupted, "held-low": held_low}

if __name__ == "__main__":
    print(json.dumps(probe(sys.argv[1], FAULTS[sys.argv[2]] if len(sys.argv) > 2 else None)))
