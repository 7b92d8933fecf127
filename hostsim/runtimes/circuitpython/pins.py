"""board, digitalio, analogio and busio of CircuitPython. Law: a pin has one user at a time, and a bus its pull-ups.

Rails, buses and analog supplies behind the pins are those of the settings: the board is wired as they say.
"""

import types

from hostsim.runtimes.circuitpython.clocks import module
from hostsim.runtimes.circuitpython.machine import I2C_HZ, Machine
from hostsim.voltages import at_pin

NAMES = [f"D{number}" for number in range(14)] + [f"A{number}" for number in range(6)]
NAMES += ["SCL", "SDA", "SCK", "MOSI", "MISO", "SD_CS"]
CHIP_NAMES = [f"GPIO{number}" for number in range(22)]
REFERENCE_V = 3.3
FULL_SCALE = 65535
# what a pin without a source shows, peak to peak
FLOATING_MV = 900


class Pin:
    def __init__(self, name: str):
        self.name = name

    def __repr__(self) -> str:
        return f"board.{self.name}"


# one object a pin for the life of the process, as on a board
BOARD = {name: Pin(name) for name in NAMES}
CHIP = {name: Pin(name) for name in CHIP_NAMES}


class _User:
    """Whoever has pins until deinit()."""

    def __init__(self, machine: Machine, *pins):
        self._machine = machine
        self._live = True
        self._pins: list[str] = []
        for pin in pins:
            if not isinstance(pin, Pin):
                raise TypeError(f"pin must be of type Pin, not {type(pin).__name__}")
        try:
            for pin in pins:
                machine.claim(pin.name)
                self._pins.append(pin.name)
        except ValueError:
            self._let_go()
            raise

    def deinit(self) -> None:
        if self._live:
            self._let_go()

    def _let_go(self) -> None:
        self._machine.in_use.difference_update(self._pins)
        self._live = False

    def _check(self) -> None:
        if not self._live:
            raise ValueError("Object has been deinitialized and can no longer be used. Create a new object.")

    def __enter__(self):
        return self

    def __exit__(self, *_) -> None:
        self.deinit()


class DigitalInOut(_User):
    def __init__(self, machine: Machine, pin):
        self._output = False
        self._high = False
        self._pull = None
        super().__init__(machine, pin)

    def switch_to_output(self, value=False, drive_mode="PUSH_PULL") -> None:
        self._check()
        self._output = True
        self.value = value

    def switch_to_input(self, pull=None) -> None:
        self._check()
        self._output, self._pull = False, pull

    @property
    def value(self) -> bool:
        self._check()
        if self._output:
            return self._high
        pressed = self._machine.chip.button and self._pins[0] == self._machine.chip.setting("status", "button", "")
        return self._pull == "UP" and not pressed

    @value.setter
    def value(self, high) -> None:
        self._check()
        if not self._output:
            raise AttributeError("Cannot set value when direction is input.")
        self._high = bool(high)
        self._machine.level(self._pins[0], self._high)

    def _let_go(self) -> None:
        if self._output:
            # a load switch is pulled to off
            self._machine.level(self._pins[0], False)
        super()._let_go()


class AnalogIn(_User):
    def __init__(self, machine: Machine, pin):
        if not isinstance(pin, Pin) or not pin.name.startswith("A"):
            raise ValueError("Pin does not have ADC capabilities")
        super().__init__(machine, pin)
        self.reference_voltage = REFERENCE_V

    @property
    def value(self) -> int:
        self._check()
        machine, node = self._machine, self._machine.node
        machine.spend("sensing", node.board.durations["analog_read"])
        try:
            pin_mv, supply_mv = at_pin(node, machine.rails, self._pins[0])
            machine.judge.sensed(node.now_ms, supply_mv / 1000.0)
        except OSError:
            # nothing is wired to it: it shows something all the same, and nobody knows what
            pin_mv = int(FLOATING_MV * node.noise.random())
            machine.judge.sensed(node.now_ms)
        return min(FULL_SCALE, round(pin_mv * FULL_SCALE / (REFERENCE_V * 1000)))


class I2C(_User):
    """A bus of the settings, found by its pins."""

    def __init__(self, machine: Machine, scl, sda, frequency=I2C_HZ):
        self._bus = None
        super().__init__(machine, scl, sda)
        self._frequency = frequency
        found = [name for name, wires in machine.wires().items() if wires == tuple(self._pins)]
        try:
            if not found:
                raise RuntimeError("No pull up found on SDA or SCL; check your wiring")
            machine.buses[found[0]].open()
            self._bus = machine.buses[found[0]]
        except RuntimeError:
            self.deinit()
            raise

    def try_lock(self) -> bool:
        self._check()
        return self._bus.try_lock()

    def unlock(self) -> None:
        self._check()
        self._bus.unlock()

    def scan(self) -> list[int]:
        return self._do(self._bus.scan)

    def writeto(self, address, buffer, **span) -> None:
        self._do(self._bus.writeto, address, buffer, **span)

    def readfrom_into(self, address, buffer, **span) -> None:
        self._do(self._bus.readfrom_into, address, buffer, **span)

    def writeto_then_readfrom(self, address, out_buffer, in_buffer, **span) -> None:
        self._do(self._bus.writeto_then_readfrom, address, out_buffer, in_buffer, **span)

    def _do(self, call, *arguments, **span):
        self._check()
        before = self._bus.bits
        try:
            return call(*arguments, **span)
        finally:
            us = (self._bus.bits - before) * 1_000_000 / self._frequency
            self._machine.spend_us(self._machine.waiting(), us)

    def _let_go(self) -> None:
        if self._bus is not None:
            # whoever held the lock does not any more
            self._bus.try_lock()
            self._bus.unlock()
        super()._let_go()


def modules(machine: Machine) -> tuple[dict[str, types.ModuleType], types.ModuleType]:
    """The modules, and microcontroller.pin."""
    pull = types.SimpleNamespace(UP="UP", DOWN="DOWN")
    drive_mode = types.SimpleNamespace(PUSH_PULL="PUSH_PULL", OPEN_DRAIN="OPEN_DRAIN")
    digital = module(
        "digitalio", DigitalInOut=lambda pin: DigitalInOut(machine, pin), Pull=pull, DriveMode=drive_mode
    )
    return {
        "board": module("board", board_id="simulated", **BOARD),
        "digitalio": digital,
        "analogio": module("analogio", AnalogIn=lambda pin: AnalogIn(machine, pin)),
        "busio": module(
            "busio",
            I2C=lambda scl, sda, *, frequency=I2C_HZ, timeout=255: I2C(machine, scl, sda, frequency),
            SPI=lambda clock, MOSI=None, MISO=None, half_duplex=False: _User(machine, clock, MOSI, MISO),  # noqa: N803
        ),
    }, module("microcontroller.pin", **CHIP)
