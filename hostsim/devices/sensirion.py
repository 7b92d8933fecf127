"""What Sensirion's parts with two-byte commands have in common. Law: each word goes out with its checksum behind it.

Sensirion, data sheets SHT3x-DIS (section 4.12) and SCD4x (section 3.12), from memory: CRC-8 of polynomial 0x31 that
begins with 0xFF.
"""

from .part import IDLE, Nack, Part
from .sht4x import crc8


def with_checksums(words):
    """The bytes of 16-bit words, each followed by its CRC-8."""
    answer = b""
    for word in words:
        pair = bytes((word >> 8 & 0xFF, word & 0xFF))
        answer += pair + bytes((crc8(pair),))
    return answer


class CommandPart(Part):
    """A part that takes 16-bit commands, is busy for a while, and then gives words once."""

    def reset(self):
        self._words = None
        self._values = ()
        self._busy_until_ms = self._now_ms()

    def write(self, data):
        self._not_busy()
        if not data:
            return
        if len(data) < 2:
            raise Nack
        self._obey(data[0] << 8 | data[1])

    def read(self, count):
        self._not_busy()
        if self._words is None:
            raise Nack
        answer = with_checksums(self._words)
        for value in self._values:
            self._tell(value)
        self._words = None
        self._values = ()
        return (answer + bytes([IDLE]) * count)[:count]

    def _obey(self, command):
        """Do what a command says. Raises Nack for one that the part does not know now."""
        raise Nack

    def _busy(self, ms):
        self._busy_until_ms = self._now_ms() + ms

    def _not_busy(self):
        if self._now_ms() < self._busy_until_ms:
            raise Nack
