"""The chip, its time and its pins, as the VM asks for them. Law: what the platform would answer.

A part's methods take (a, b, data) of a question and give a number, bytes, or None for 0; OSError goes back as it is.
"""

import errno

from hostsim.runtimes.micropython.machine import Machine, Reset, Slept
from hostsim.voltages import at_pin

CAUSES = {"power-on": 1, "brown-out": 1, "pin": 2, "watchdog": 3, "deep-sleep": 4, "software": 5, "panic": 5}
TIMER_WAKE = 4
UV_LOW_MV, UV_HIGH_MV = 100, 2450  # where the converter is linear at 11 dB; below it shows nothing
FULL_MV = (750, 1050, 1300, UV_HIGH_MV)  # by attenuation (maker's table for the ESP32-S3; from memory)
FLOATING_MV = 300


class Time:
    def __init__(self, machine: Machine):
        self._machine = machine

    def wait(self, a, b, data):
        self._machine.spend(self._machine.waiting(), a)

    def wait_us(self, a, b, data):
        self._machine.spend_us(self._machine.waiting(), a)

    def sleep_us(self, a, b, data):
        # only drivers wait in seconds
        self._machine.spend_us(self._machine.node.radio_state or "sensing", a)


class Cpu:
    """machine's functions and os.urandom()."""

    def __init__(self, machine: Machine):
        self._machine = machine

    def boot(self, a, b, data):
        pass

    def random(self, a, b, data):
        return self._machine.node.firmware_random.randbytes(a)

    def reset_cause(self, a, b, data):
        return CAUSES[self._machine.node.reset_cause]

    def wake_reason(self, a, b, data):
        return self._machine.chip.wake_reason

    def unique_id(self, a, b, data):
        return self._machine.node.eui

    def deepsleep(self, a, b, data):
        raise Slept(int(data) if a else None)

    def reset(self, a, b, data):
        raise Reset


class Pins:
    def __init__(self, machine: Machine):
        self._machine = machine
        self._levels: dict[str, int] = {}
        self.modes: dict[str, int] = {}  # as last set
        settings = machine.chip.settings
        rails = settings.get("rails")
        self._rails = {pin: rail for rail, pin in rails.items()} if isinstance(rails, dict) else {}
        self._lines = {}
        for entry in settings.get("bus", []):
            self._lines[entry["scl"]] = (entry["name"], True)
            self._lines[entry["sda"]] = (entry["name"], False)
        self._button = machine.chip.setting("status", "button", "")

    def claim(self, a, b, data):
        if not data:
            raise OSError(errno.EINVAL)
        self.modes[data.decode()] = a

    def read(self, a, b, data):
        name = data.decode()
        if name in self._lines:
            return self._line(*self._lines[name])
        if name == self._button:
            return int(not self._machine.chip.button)
        return self._levels.get(name, 0)

    def _line(self, bus_name: str, is_clock: bool) -> int:
        bus = self._machine.buses[bus_name]
        try:
            bus.open()
        except RuntimeError:
            # a part that is stuck holds the data line alone
            return int(is_clock and bus.held_low > 0)
        return 1

    def write(self, a, b, data):
        name, machine = data.decode(), self._machine
        if name in self._rails:
            machine.rails.switch(self._rails[name], bool(a), machine.node.now_ms)
        elif name in self._lines and self._lines[name][1] and a and not self._levels.get(name, 1):
            machine.buses[self._lines[name][0]].clock_scl(1)
        self._levels[name] = a


class Adc:
    def __init__(self, machine: Machine):
        self._machine = machine

    def claim(self, a, b, data):
        """1 for a pin without a converter."""
        return int(data.decode() not in self._machine.node.wiring.analog_pins and data[:1] != b"A")

    def read(self, a, b, data):
        machine, node = self._machine, self._machine.node
        machine.spend("sensing", node.board.durations["analog_read"])
        try:
            mv, supply_mv = at_pin(node, machine.rails, data.decode())
            machine.judge.sensed(node.now_ms, supply_mv / 1000.0)
        except OSError:
            # nothing is wired to it: it shows something all the same, and nobody knows what
            mv = int(FLOATING_MV * node.noise.random())
            machine.judge.sensed(node.now_ms)
        return 1000 * (0 if mv < UV_LOW_MV else min(mv, FULL_MV[a]))


class I2c:
    def __init__(self, machine: Machine):
        self._machine = machine
        self._open: list[tuple] = []
        entries = machine.chip.settings.get("bus", [])
        self._by_pins = {f"{entry['scl']} {entry['sda']}".encode(): entry["name"] for entry in entries}

    def open(self, a, b, data):
        name = self._by_pins.get(data) if data else "i2c"
        if name not in self._machine.buses:
            raise OSError(errno.ENODEV)
        self._open.append((self._machine.buses[name], b))
        return len(self._open) - 1

    def _do(self, index: int, call):
        bus, frequency_hz = self._open[index]
        before = bus.bits
        try:
            return call(bus)
        finally:
            self._machine.spend_us("sensing", (bus.bits - before) * 1_000_000 // frequency_hz)

    def scan(self, a, b, data):
        return self._do(a, lambda bus: bytes(bus.scan()))

    def write(self, a, b, data):
        self._do(a, lambda bus: bus.writeto(b, data))

    def read(self, a, b, data):
        buffer = bytearray(b >> 8)
        self._do(a, lambda bus: bus.readfrom_into(b & 0xFF, buffer))
        return bytes(buffer)


class Wake:
    """What besides the timer ends the next sleep: the pin of each, "" for none."""

    def __init__(self, machine: Machine):
        self.pins = {"ext0": "", "ext1": ""}

    def ext0(self, a, b, data):
        self.pins["ext0"] = data.decode()

    def ext1(self, a, b, data):
        self.pins["ext1"] = data.decode()
