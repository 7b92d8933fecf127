"""PMSA003I particle counter. Law: a frame of 32 bytes that begins with "BM" and ends with the sum of the others.

Plantower, PMSA003I data manual, appendix I (from memory): twelve words, high byte first, in ug/m3 and in particles in
0.1 l of air; then version, error code and checksum.
"""

from .part import Nack, Part

ADDRESS = 0x12
# six masses in ug/m3 (PM1.0, PM2.5, PM10 for a standard atmosphere, then in the air as it is), six counts
WORDS = 12
FRAME = 32
VERSION = 0x97
START_MS = 1000


class Pmsa003i(Part):
    """air: has particles, the twelve words."""

    POWER_UP_MS = START_MS

    def __init__(self, now_ms, air, told=None):
        self._air = air
        super().__init__(now_ms, told)

    def write(self, data):
        if data:
            raise Nack

    def read(self, count):
        frame = b"BM\x00\x1c"
        for word in self._air.particles:
            frame += bytes((word >> 8, word & 0xFF))
            self._tell(word)
        frame += bytes((VERSION, 0))
        total = sum(frame)
        return ((frame + bytes((total >> 8, total & 0xFF))) * 2)[:count]
