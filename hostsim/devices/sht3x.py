"""SHT3x humidity and temperature sensor. Law: a single shot is answered once, when it is over.

Sensirion, Data Sheet SHT3x-DIS, tables 4, 8, 13 to 17 and sections 4.3 and 4.13 (from memory). Its periodic mode is
not modelled: those commands are not acknowledged.
"""

from .part import Nack, nearest
from .sensirion import CommandPart

ADDRESS = 0x44
# single shot without clock stretching, high, medium and low repeatability: longest duration in ms
MEASURE_MS = {0x2400: 15.5, 0x240B: 6.5, 0x2416: 4.5}
BREAK = 0x3093
SOFT_RESET = 0x30A2
SOFT_RESET_MS = 1.5
STATUS = 0xF32D
CLEAR_STATUS = 0x3041
SERIAL = 0x3780
RESET_SEEN = 0x0010


def celsius_word(degc):
    return nearest((degc + 45) / 175 * 65535, 0, 65535)


def celsius(word):
    return word * 175 / 65535 - 45


def humidity_word(percent):
    return nearest(percent / 100 * 65535, 0, 65535)


def humidity(word):
    return word * 100 / 65535


class Sht3x(CommandPart):
    """climate: has inside_degc and humidity_percent."""

    POWER_UP_MS = 1

    def __init__(self, now_ms, climate, told=None, serial=0x0A1B2C3D):
        self._climate = climate
        self._serial = serial
        super().__init__(now_ms, told)

    def reset(self):
        super().reset()
        self._status = RESET_SEEN

    def _obey(self, command):
        if command == SOFT_RESET:
            self.reset()
            self._busy(SOFT_RESET_MS)
        elif command == STATUS:
            self._words = (self._status,)
        elif command == CLEAR_STATUS:
            self._status = 0
        elif command == SERIAL:
            self._words = (self._serial >> 16, self._serial & 0xFFFF)
        elif command in MEASURE_MS:
            self._words = (celsius_word(self._climate.inside_degc), humidity_word(self._climate.humidity_percent))
            self._values = (celsius(self._words[0]), humidity(self._words[1]))
            self._busy(MEASURE_MS[command])
        elif command != BREAK:
            raise Nack
