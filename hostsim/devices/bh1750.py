"""BH1750FVI ambient light sensor. Law: the result is that of the last measurement that has ended, 0 before the first.

ROHM, BH1750FVI Technical Note 2009.04 Rev. B, "Instruction Set Architecture" and "Write/Read Format": one opcode a
write, two bytes a read, counts / 1.2 = lx, half of that in H-resolution mode 2; 120 ms typical and 180 ms at most.
"""

from .part import Part, nearest

ADDRESS = 0x23
POWER_DOWN, POWER_ON, RESET = 0x00, 0x01, 0x07
CONTINUOUS, ONE_SHOT = 0x10, 0x20
H_MS, L_MS = 180, 24  # the longest, so that a driver that waits for the typical time is found out
COUNTS_PER_LX = 1.2
MTREG = 69
L_STEP_COUNTS = 4  # L-resolution mode counts in steps of 4 lx


class Bh1750(Part):
    """climate: has illuminance_lx."""

    def __init__(self, now_ms, climate, told=None):
        self._climate = climate
        super().__init__(now_ms, told)

    def reset(self):
        self._on = False
        self._mode = 0
        self._mtreg = MTREG
        self._count = 0
        self._ends_ms = None

    def write(self, data):
        if not data:
            return
        self._measure()
        # more than one opcode without a stop is not accepted: the first counts
        self._obey(data[0])

    def read(self, count):
        self._measure()
        self._tell(self._count / self._counts_per_lx() if self._mode else 0.0)
        answer = bytes((self._count >> 8, self._count & 0xFF))
        return (answer * count)[:count]

    def _obey(self, opcode):
        if opcode == POWER_DOWN:
            self._on = False
            self._ends_ms = None
        elif opcode == POWER_ON:
            self._on = True
        elif opcode == RESET:
            if self._on:
                self._count = 0
        elif opcode & 0xF8 == 0x40:
            self._mtreg = self._mtreg & 0x1F | (opcode & 7) << 5
        elif opcode & 0xE0 == 0x60:
            self._mtreg = self._mtreg & 0xE0 | opcode & 0x1F
        elif opcode & 0xF0 in (CONTINUOUS, ONE_SHOT) and opcode & 0x0F in (0, 1, 3):
            self._on = True
            self._mode = opcode
            self._ends_ms = self._now_ms() + (L_MS if opcode & 2 else H_MS * self._mtreg / MTREG)

    def _counts_per_lx(self):
        return COUNTS_PER_LX * (2 if self._mode & 3 == 1 else 1) * self._mtreg / MTREG

    def _measure(self):
        if self._ends_ms is None or self._now_ms() < self._ends_ms:
            return
        count = nearest(self._climate.illuminance_lx * self._counts_per_lx(), 0, 65535)
        self._count = count - count % L_STEP_COUNTS if self._mode & 3 == 3 else count
        if self._mode & 0xF0 == ONE_SHOT:
            self._on = False
            self._ends_ms = None
