"""Pins, rails, buses and analog inputs of MicroPython. Law: a pin is looked up when it is first needed.

So a name that the board does not have costs what hangs on it, and nothing else.
"""

import sys
from errno import ENODEV

from machine import ADC, I2C, Pin, SoftI2C

# from where a driver that has not been bundled with the board finds the names that MicroPython lacks
SHIMS = __file__.rsplit("/", 1)[0] + "/shims"
# nine clocks walk any part out of the byte that it is stuck in (NXP UM10204 section 3.1.16)
CLOCKS_TO_FREE = 9
HALF_CLOCK_US = 10
BUS_HZ = 100000
# the converter is noisy: the middle one of so many is taken
ADC_READS = 5


def pin(name, *arguments, **more):
    """The pin with a number ("21") or with a name that the board gives it ("D5"). ValueError for neither."""
    return Pin(int(name) if name.isdigit() else name, *arguments, **more)


class Rails:
    """The switched supplies, off until they are switched on: load switches are pulled to off."""

    def __init__(self, pins):
        self._pins = pins
        self._outputs = {}

    def switch(self, name, on):
        """KeyError for a rail that the settings do not name, ValueError for a pin that the board does not have."""
        output = self._outputs.get(name)
        if output is None:
            self._outputs[name] = pin(self._pins[name], Pin.OUT, value=int(on))
        else:
            output.value(int(on))

    def on(self):
        """The names of those that have been switched and are on."""
        return [name for name in self._outputs if self._outputs[name].value()]


class Bus:
    """A machine.I2C with CircuitPython's calls (docs/porting.md), which is what drivers expect."""

    def __init__(self, i2c):
        self._i2c = i2c
        self._locked = False

    def try_lock(self):
        free = not self._locked
        self._locked = True
        return free

    def unlock(self):
        self._locked = False

    def scan(self):
        return self._i2c.scan()

    def writeto(self, address, buffer, *, start=0, end=None, stop=True):
        self._i2c.writeto(address, _part(buffer, start, end), stop)

    def readfrom_into(self, address, buffer, *, start=0, end=None, stop=True):
        self._i2c.readfrom_into(address, _part(buffer, start, end), stop)

    def writeto_then_readfrom(
        self, address, out_buffer, in_buffer, *, out_start=0, out_end=None, in_start=0, in_end=None, stop=False
    ):
        self._i2c.writeto(address, _part(out_buffer, out_start, out_end), stop)
        self._i2c.readfrom_into(address, _part(in_buffer, in_start, in_end))


def _part(buffer, start, end):
    return buffer if start == 0 and end is None else memoryview(buffer)[start : len(buffer) if end is None else end]


class Buses:
    """The I2C buses of the settings, opened when a device on them is asked for."""

    def __init__(self, entries):
        self._wires = {}
        self._open = {}
        for index, entry in enumerate(entries):
            self._wires[entry["name"]] = (index, entry["scl"], entry["sda"], entry["frequency_hz"], entry["rail"])
        if not entries:
            self._wires["i2c"] = (0, "", "", BUS_HZ, "")

    def get(self, name):
        """The bus. ValueError: no such bus or pin; RuntimeError: a line is held low, or nothing pulls it up."""
        bus = self._open.get(name)
        if bus is None:
            if name not in self._wires:
                raise ValueError(f"no bus {name}")
            bus = self._open[name] = Bus(_opened(*self._wires[name][:4]))
        return bus

    def release(self, rail):
        """Let go of the buses that are pulled up by this rail: their pins would feed it while it is off."""
        for name in list(self._open):
            _, scl, sda, _, its_rail = self._wires[name]
            if its_rail == rail and scl:
                self._open.pop(name)
                pin(scl, Pin.IN)
                pin(sda, Pin.IN)


def _opened(index, scl, sda, frequency_hz):
    if not scl:
        # the board's own pins, which it names to nobody
        return I2C(index, freq=frequency_hz)
    if not _idle(scl, sda):
        _clock(scl)
        if not _idle(scl, sda):
            raise RuntimeError("a line of the bus is low")
    try:
        return I2C(index, scl=pin(scl), sda=pin(sda), freq=frequency_hz)
    except ValueError:
        # more buses than the chip has controllers for
        return SoftI2C(scl=pin(scl), sda=pin(sda), freq=frequency_hz)


def _idle(scl, sda):
    """True when both lines are high: nobody holds one, and there are pull-ups with a supply."""
    return pin(scl, Pin.IN).value() and pin(sda, Pin.IN).value()


def _clock(scl):
    """Pulse SCL by hand: a part that was stopped in the middle of a byte holds SDA low."""
    from time import sleep_us

    line = pin(scl, Pin.OPEN_DRAIN, value=1)
    for _ in range(CLOCKS_TO_FREE):
        line.value(0)
        sleep_us(HALF_CLOCK_US)
        line.value(1)
        sleep_us(HALF_CLOCK_US)


class Drivers:
    def __init__(self, buses):
        self._buses = buses

    def load(self, driver, bus, address):
        """Any driver by name on a named bus; raises whatever it raises."""
        from ..sensors import loader

        if SHIMS not in sys.path:
            # before the built-in modules, one of which it stands in for
            sys.path.insert(0, SHIMS)
        return loader.load(driver, self._buses.get(bus), address)


class Analog:
    """The settings' analog inputs by name."""

    def __init__(self, entries):
        self._pins = {}
        for entry in entries:
            self._pins[entry["name"]] = entry["pin"]

    def read_mv(self, name):
        """OSError where no pin reads it."""
        if not self._pins.get(name):
            raise OSError(ENODEV)
        try:
            return pin_mv(self._pins[name])
        except ValueError:
            raise OSError(ENODEV)


def pin_mv(name):
    """Millivolts at a pin, by the chip's own calibration. ValueError: no such pin, or it has no converter."""
    converter = ADC(pin(name), atten=ADC.ATTN_11DB)
    read = sorted([converter.read_uv() for _ in range(ADC_READS)])
    return (read[ADC_READS // 2] + 500) // 1000
