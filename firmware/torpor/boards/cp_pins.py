"""Pins, rails, buses and analog inputs of CircuitPython. Law: a pin is looked up by its name when it is first needed.

So a name that the board does not have costs what hangs on it, and nothing else.
"""

from errno import ENODEV

import board
import busio
import digitalio
import microcontroller
from analogio import AnalogIn

from ..sensors import loader

# nine clocks walk any part out of the byte that it is stuck in (NXP UM10204 section 3.1.16)
CLOCKS_TO_FREE = 9
HALF_CLOCK_US = 10
FULL_SCALE = 65535
BUS_HZ = 100000


def pin(name):
    """The pin that board or chip calls so. ValueError for a name that neither knows."""
    found = getattr(board, name, None) or getattr(getattr(microcontroller, "pin", None), name, None)
    if found is None:
        raise ValueError(f"this board has no pin {name}")
    return found


class Rails:
    """The switched supplies, off until they are switched on: load switches are pulled to off."""

    def __init__(self, pins):
        self._pins = pins
        self._outputs = {}

    def switch(self, name, on):
        """ValueError for a rail that the settings do not name, or whose pin cannot be used."""
        output = self._outputs.get(name)
        if output is None:
            if name not in self._pins:
                raise ValueError(f"no rail {name}")
            output = self._outputs[name] = digitalio.DigitalInOut(pin(self._pins[name]))
        output.switch_to_output(value=on)

    def on(self):
        """The names of those that have been switched and are on."""
        return [name for name in self._outputs if self._outputs[name].value]


class Buses:
    """The I2C buses of the settings, opened when a device on them is asked for."""

    def __init__(self, entries):
        self._wires = {}
        self._open = {}
        for entry in entries:
            self._wires[entry["name"]] = (entry["scl"], entry["sda"], entry["frequency_hz"], entry["rail"])
        if not entries:
            self._wires["i2c"] = ("SCL", "SDA", BUS_HZ, "")

    def get(self, name):
        """The bus. ValueError: no such bus or pin; RuntimeError: a line is held low, or nothing pulls it up."""
        bus = self._open.get(name)
        if bus is None:
            if name not in self._wires:
                raise ValueError(f"no bus {name}")
            scl, sda, frequency_hz, _ = self._wires[name]
            try:
                bus = busio.I2C(pin(scl), pin(sda), frequency=frequency_hz)
            except RuntimeError:
                _clock(pin(scl))
                bus = busio.I2C(pin(scl), pin(sda), frequency=frequency_hz)
            self._open[name] = bus
        return bus

    def release(self, rail):
        """Let go of the buses that are pulled up by this rail: their pins would feed it while it is off."""
        for name in list(self._open):
            if self._wires[name][3] == rail:
                self._open.pop(name).deinit()


def _clock(scl):
    """Pulse SCL by hand: a part that was stopped in the middle of a byte holds SDA low."""
    line = digitalio.DigitalInOut(scl)
    try:
        line.switch_to_output(value=True, drive_mode=digitalio.DriveMode.OPEN_DRAIN)
        for _ in range(CLOCKS_TO_FREE):
            line.value = False
            microcontroller.delay_us(HALF_CLOCK_US)
            line.value = True
            microcontroller.delay_us(HALF_CLOCK_US)
    finally:
        line.deinit()


class Drivers:
    def __init__(self, buses):
        self._buses = buses

    def load(self, driver, bus, address):
        """Any driver by name on a named bus; raises whatever it raises."""
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
            raise OSError(ENODEV, "no pin")
        try:
            return pin_mv(self._pins[name])
        except (ValueError, RuntimeError) as error:
            raise OSError(ENODEV, str(error))


def pin_mv(name):
    """Millivolts at a pin. ValueError: no such pin, or it has no converter; RuntimeError: it is in use."""
    converter = AnalogIn(pin(name))
    try:
        reference_mv = int(converter.reference_voltage * 1000 + 0.5)
        return (converter.value * reference_mv + FULL_SCALE // 2) // FULL_SCALE
    finally:
        converter.deinit()
