"""An I2C bus with parts on it. Law: it is never kinder than wires are, and nobody waits on it for ever.

The calls are those of CircuitPython's busio.I2C, which unmodified drivers expect. Time is not spent here: `bits`
counts what went over the wires, and whoever keeps the time charges for it.
"""

import errno

from .part import Nack

# a driver that spins on try_lock() would hang the rehearsal: a real board has a watchdog for that
SPINS_MAX = 1000
# nine clocks walk any part out of the byte that it is stuck in (NXP UM10204 section 3.1.16)
CLOCKS_TO_FREE = 9


class Bus:
    """One bus. `needs_lock`: a call without the lock raises, as CircuitPython's does.

    absent: addresses that do not answer; corrupted: addresses whose last byte read arrives wrong; held_low: SCL
    pulses after which a stuck part lets SDA go, 0: it is free; pulled_up(): whether the pull-ups have their supply;
    spoilt: {address: what has addressed(fed_since_ms) and read(), see hostsim.runtimes.spoilt_part}.
    """

    def __init__(self, needs_lock=True, pulled_up=None):
        self._parts = {}
        self._needs_lock = needs_lock
        self._pulled_up = pulled_up
        self._locked = False
        self._spins = 0
        self.absent = set()
        self.corrupted = set()
        self.held_low = 0
        self.spoilt = {}
        self.bits = 0

    def attach(self, address, part, since_ms=None):
        """Put a part on the bus. since_ms(): since when its rail has been on, None: off; without it: always on."""
        if address in self._parts:
            raise ValueError(f"two parts at address {address:#x}")
        self._parts[address] = (part, since_ms)

    def open(self):
        """What making the bus object does on a board: RuntimeError when a line is not high."""
        if self.held_low or not self._high():
            raise RuntimeError("No pull up found on SDA or SCL; check your wiring")

    def clock_scl(self, pulses=CLOCKS_TO_FREE):
        """Pulse SCL by hand, which frees a part that is stuck in the middle of a byte."""
        self.held_low = max(0, self.held_low - pulses)

    # --- the calls that drivers use --------------------------------------------------------------------------------

    def try_lock(self):
        if self._locked:
            self._spins += 1
            if self._spins > SPINS_MAX:
                raise RuntimeError(f"a driver asked {SPINS_MAX} times for a bus that is locked")
            return False
        self._locked = True
        self._spins = 0
        return True

    def unlock(self):
        if not self._locked and self._needs_lock:
            raise ValueError("the bus was not locked")
        self._locked = False

    def scan(self):
        """The addresses that answer, in order. OSError ETIMEDOUT when a line is held low."""
        self._check()
        found = []
        for address in sorted(self._parts):
            try:
                self._part(address).write(b"")
                found.append(address)
            except (OSError, Nack):
                pass
        return found

    def writeto(self, address, buffer, *, start=0, end=None, stop=True):
        """OSError ENODEV when the address or a byte is not acknowledged, ETIMEDOUT when a line is held low."""
        self._check()
        self._write(address, bytes(buffer[start : len(buffer) if end is None else end]))

    def readfrom_into(self, address, buffer, *, start=0, end=None, stop=True):
        self._check()
        self._read(address, buffer, start, len(buffer) if end is None else end)

    def writeto_then_readfrom(
        self, address, out_buffer, in_buffer, *, out_start=0, out_end=None, in_start=0, in_end=None, stop=False
    ):
        self._check()
        self._write(address, bytes(out_buffer[out_start : len(out_buffer) if out_end is None else out_end]))
        self._read(address, in_buffer, in_start, len(in_buffer) if in_end is None else in_end)

    # --- the wires ------------------------------------------------------------------------------------------------

    def _high(self):
        return self._pulled_up is None or self._pulled_up()

    def _check(self):
        if self._needs_lock and not self._locked:
            raise RuntimeError("Function requires lock")
        if self.held_low or not self._high():
            raise OSError(errno.ETIMEDOUT, "a line is held low")

    def _part(self, address):
        """The part that answers at an address, powered up. OSError when there is none."""
        self.bits += 11  # start, seven bits, direction, acknowledge, stop
        part, since_ms = self._parts.get(address, (None, None))
        if part is None or address in self.absent:
            raise OSError(errno.ENODEV, "no acknowledge")
        if since_ms is not None:
            fed_since_ms = since_ms()
            if fed_since_ms is None:
                raise OSError(errno.ENODEV, "no acknowledge")
            if address in self.spoilt:
                self.spoilt[address].addressed(fed_since_ms)
            part.feed(fed_since_ms)
        if not part.awake():
            raise OSError(errno.ENODEV, "no acknowledge")
        return part

    def _write(self, address, data):
        self.bits += 9 * len(data)
        try:
            self._part(address).write(data)
        except Nack:
            raise OSError(errno.ENODEV, "no acknowledge")

    def _read(self, address, buffer, start, end):
        count = end - start
        self.bits += 9 * count
        part = self._part(address)
        spoilt = address in self.spoilt and self.spoilt[address].read()
        try:
            data = part.read(count)
        except Nack:
            raise OSError(errno.ENODEV, "no acknowledge")
        for index in range(count):
            buffer[start + index] = data[index]
        if (spoilt or address in self.corrupted) and count:
            buffer[end - 1] ^= 1
