"""The RTC with retained memory, non-volatile storage and the watchdog, as the VM asks for them.

Law: a zeroed memory is empty, and what was not committed never was. Methods as in parts.py.
"""

import calendar
import errno
import time

from hostsim.runtimes.micropython.machine import Y2K_S, Machine

NOT_FOUND, NO_SPACE = 0x1102, 0x1105  # ESP_ERR_NVS_NOT_FOUND and _NOT_ENOUGH_SPACE, as errno
CLOCK_S = range(946684800, 4102444800)  # what the RTC can hold: 2000 to 2099


class Rtc:
    """The chip's own clock, and retained memory."""

    def __init__(self, machine: Machine):
        self._machine = machine

    def seconds(self, a, b, data):
        return int(self._machine.clock_s() - Y2K_S)

    def read(self, a, b, data):
        t = time.gmtime(self._machine.clock_s())
        fields = (t.tm_year, t.tm_mon, t.tm_mday, t.tm_wday, t.tm_hour, t.tm_min, t.tm_sec, 0)
        return " ".join(str(field) for field in fields).encode()

    def set(self, a, b, data):
        machine, node = self._machine, self._machine.node
        year, month, day, _, hour, minute, second, _ = (int(field) for field in data.split())
        epoch_s = calendar.timegm((year, month, day, hour, minute, second))
        if epoch_s not in CLOCK_S:
            raise OSError(errno.EINVAL)
        if node.wiring.clock == "internal":
            machine.clock.set(node.now_ms, epoch_s)
        else:
            machine.chip.own_clock.set(node.now_ms, epoch_s)
            machine.reach.own_clock_set(node.now_ms, epoch_s, machine.true_s())

    def memory(self, a, b, data):
        retained = self._machine.node.retained
        # its magic word is gone with the rest when a reset has zeroed it
        return bytes(retained[: self._machine.chip.memory_bytes]) if any(retained) else b""

    def memory_size(self, a, b, data):
        return len(self._machine.node.retained)

    def remember(self, a, b, data):
        self._machine.node.retained[: len(data)] = data
        self._machine.chip.memory_bytes = len(data)


class Watchdog:
    """It cannot be stopped."""

    def __init__(self, machine: Machine):
        self._machine = machine

    def arm(self, a, b, data):
        self._machine.watchdog_ms = a
        self.feed(a, b, data)

    def feed(self, a, b, data):
        self._machine.bites_ms = self._machine.node.now_ms + self._machine.watchdog_ms


class Nvs:
    """Blobs and integers by key; what was not committed is lost with the wake."""

    def __init__(self, machine: Machine):
        self._chip = machine.chip
        self._blob_bytes_max = machine.node.board.nvm_slot_bytes
        self._now = dict(machine.chip.nvs)
        self._name = ""

    def get(self, a, b, data):
        value = self._now.get(data.decode())
        if value is None or a and len(value) > b:
            raise OSError(NOT_FOUND)
        return value

    def name(self, a, b, data):
        self._name = data.decode()

    def set(self, a, b, data):
        if len(data) > self._blob_bytes_max:
            raise OSError(NO_SPACE)
        self._now[self._name] = data

    def commit(self, a, b, data):
        self._chip.nvs = dict(self._now)
