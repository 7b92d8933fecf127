"""SHT4x humidity and temperature sensor. Law: two words and their checksums, once, when a measurement is over.

Sensirion, Data Sheet SHT4x, tables 5, 7 and 8 and section 4 (commands, durations and conversions; from memory).
"""

from .part import IDLE, Nack, Part, nearest

ADDRESS = 0x44
# command: longest duration in ms; 0x39 .. 0x15 heat first
MEASURE_MS = {
    0xFD: 8.3,
    0xF6: 4.5,
    0xE0: 1.6,
    0x39: 1100,
    0x32: 110,
    0x2F: 1100,
    0x24: 110,
    0x1E: 1100,
    0x15: 110,
}
SERIAL = 0x89
SOFT_RESET = 0x94
SOFT_RESET_MS = 1


def crc8(data):
    """CRC-8 of polynomial 0x31 beginning with 0xFF, most significant bit first; 0xBEEF gives 0x92."""
    crc = 0xFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ 0x31) & 0xFF if crc & 0x80 else crc << 1
    return crc


def celsius_word(degc):
    return nearest((degc + 45) / 175 * 65535, 0, 65535)


def celsius(word):
    return word * 175 / 65535 - 45


def humidity_word(percent):
    return nearest((percent + 6) / 125 * 65535, 0, 65535)


def humidity(word):
    """Percent; the formula reaches below 0 and above 100, and whoever reads it cuts that off."""
    return min(100, max(0, word * 125 / 65535 - 6))


class Sht4x(Part):
    """climate: has inside_degc and humidity_percent. Raises Nack while it measures."""

    POWER_UP_MS = 1

    def __init__(self, now_ms, climate, told=None, serial=0x0A1B2C3D):
        self._climate = climate
        self._serial = serial
        super().__init__(now_ms, told)

    def reset(self):
        self._words = None
        self._measured = ()
        self._busy_until_ms = self._now_ms()

    def write(self, data):
        self._not_busy()
        if not data:
            return
        command = data[0]
        if command == SOFT_RESET:
            self.reset()
            self._busy_until_ms += SOFT_RESET_MS
        elif command == SERIAL:
            self._words = (self._serial >> 16, self._serial & 0xFFFF)
        elif command in MEASURE_MS:
            self._measure()
            self._busy_until_ms = self._now_ms() + MEASURE_MS[command]
        else:
            raise Nack

    def read(self, count):
        self._not_busy()
        if self._words is None:
            raise Nack
        answer = b""
        for word in self._words:
            pair = bytes((word >> 8, word & 0xFF))
            answer += pair + bytes((crc8(pair),))
        for value in self._measured:
            self._tell(value)
        self._words = None
        self._measured = ()
        return (answer + bytes([IDLE]) * count)[:count]

    def _not_busy(self):
        if self._now_ms() < self._busy_until_ms:
            raise Nack

    def _measure(self):
        self._words = (celsius_word(self._climate.inside_degc), humidity_word(self._climate.humidity_percent))
        self._measured = (celsius(self._words[0]), humidity(self._words[1]))
