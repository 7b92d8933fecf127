"""MCP9808 temperature sensor. Law: what it shows is a whole number of steps of its resolution.

Microchip, MCP9808 data sheet DS25095, section 5.1 and tables 5-1 and 5-2 (from memory). Alerts are not modelled.
"""

from .part import nearest
from .words import WordPart

ADDRESS = 0x18
CONFIGURATION, TEMPERATURE, MANUFACTURER, DEVICE, RESOLUTION = 1, 5, 6, 7, 8
FINEST_PER_DEGC = 16
SHUT_DOWN = 0x0100
# by resolution 0.5, 0.25, 0.125, 0.0625 degC
CONVERSION_MS = (30, 65, 130, 250)


class Mcp9808(WordPart):
    """climate: has inside_degc."""

    def __init__(self, now_ms, climate, told=None):
        self._climate = climate
        super().__init__(now_ms, told)

    def reset(self):
        super().reset()
        self._resolution = 3
        self._configuration = 0
        self._count = 0
        self._ends_ms = self._now_ms() + CONVERSION_MS[3]

    def write(self, data):
        if len(data) == 2 and data[0] == RESOLUTION:
            # the only register of 8 bits
            self._pointer = RESOLUTION
            self._resolution = data[1] & 3
            self._ends_ms = self._now_ms() + CONVERSION_MS[self._resolution]
            return
        super().write(data)

    def read(self, count):
        if self._pointer == RESOLUTION:
            return bytes([self._resolution]) * count
        return super().read(count)

    def _convert(self):
        if self._configuration & SHUT_DOWN or self._now_ms() < self._ends_ms:
            return
        step = 8 >> self._resolution
        self._count = nearest(self._climate.inside_degc * FINEST_PER_DEGC / step, -640 // step, 2000 // step) * step

    def _load(self, register):
        if register == TEMPERATURE:
            self._convert()
            self._tell(self._count / FINEST_PER_DEGC)
            return self._count & 0x1FFF
        return {CONFIGURATION: self._configuration, MANUFACTURER: 0x0054, DEVICE: 0x0400}.get(register, 0)

    def _store(self, register, word):
        if register == CONFIGURATION:
            self._convert()
            self._configuration = word & 0x07FF
