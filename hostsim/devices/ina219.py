"""INA219 current and power monitor. Law: current and power are what its calibration register makes of two voltages.

Texas Instruments, INA219 data sheet SBOS448, sections 8.5 and 8.6 (from memory): current = shunt x calibration /
4096, power = current x bus / 5000, in counts. Conversions are over at once: 532 us in the mode that its driver sets.
"""

from .part import nearest
from .words import WordPart

ADDRESS = 0x40
CONFIGURATION, SHUNT, BUS, POWER, CURRENT, CALIBRATION = range(6)
DEFAULT = 0x399F
RESET = 0x8000
SHUNT_STEP_V = 0.00001
BUS_STEP_V = 0.004
READY = 0x0002
SHUNT_MAX = (4000, 8000, 16000, 32000)  # by gain: 40, 80, 160, 320 mV


class Ina219(WordPart):
    """circuit: has bus_v and shunt_v, the voltages at the pins."""

    def __init__(self, now_ms, circuit, told=None):
        self._circuit = circuit
        super().__init__(now_ms, told)

    def reset(self):
        super().reset()
        self._configuration = DEFAULT
        self._calibration = 0

    def counts(self):
        """(shunt, bus, current, power) as the registers count them."""
        limit = SHUNT_MAX[self._configuration >> 11 & 3]
        shunt = nearest(self._circuit.shunt_v / SHUNT_STEP_V, -limit, limit)
        bus = nearest(self._circuit.bus_v / BUS_STEP_V, 0, 8000 if self._configuration & 0x2000 else 4000)
        current = nearest(shunt * self._calibration / 4096, -32768, 32767)
        return shunt, bus, current, nearest(abs(current) * bus / 5000, 0, 65535)

    def _load(self, register):
        shunt, bus, current, power = self.counts()
        if register == SHUNT:
            self._tell(shunt * SHUNT_STEP_V)
            return shunt & 0xFFFF
        if register == BUS:
            self._tell(bus * BUS_STEP_V)
            return bus << 3 | READY
        return {CONFIGURATION: self._configuration, CURRENT: current & 0xFFFF, POWER: power}.get(
            register, self._calibration
        )

    def _store(self, register, word):
        if register == CONFIGURATION:
            if word & RESET:
                self.reset()
            else:
                self._configuration = word
        elif register == CALIBRATION:
            # bit 0 is not used and always 0
            self._calibration = word & 0xFFFE
