"""TMP117 temperature sensor. Law: the result is that of the last conversion that has ended.

Texas Instruments, TMP117 data sheet SNOSD82, sections 7.3 and 7.6 and tables 7-1 and 7-6 (from memory). It is -256
degC before the first conversion. Alerts, the offset and the EEPROM are not modelled.
"""

from .part import nearest
from .words import WordPart

ADDRESS = 0x48
RESULT, CONFIGURATION, DEVICE_ID = 0x00, 0x01, 0x0F
ID = 0x0117
STEP_DEGC = 0.0078125
BEFORE_FIRST = 0x8000
DEFAULT = 0x0220
DATA_READY = 0x2000
SOFT_RESET = 0x0002
RESET_MS = 2
CONVERSION_MS = 15.5
AVERAGED = (1, 8, 32, 64)
CYCLE_MS = (15.5, 125, 250, 500, 1000, 4000, 8000, 16000)
SHUT_DOWN, ONE_SHOT = 1, 3


class Tmp117(WordPart):
    """climate: has inside_degc."""

    POWER_UP_MS = 2

    def __init__(self, now_ms, climate, told=None):
        self._climate = climate
        super().__init__(now_ms, told)

    def reset(self):
        super().reset()
        self._configuration = DEFAULT
        self._result = BEFORE_FIRST
        self._ready = False
        self._begin(RESET_MS)

    def _begin(self, delay_ms=0):
        average_ms = CONVERSION_MS * AVERAGED[self._configuration >> 5 & 3]
        self._mode = self._configuration >> 10 & 3
        self._every_ms = max(average_ms, CYCLE_MS[self._configuration >> 7 & 7])
        self._ends_ms = None if self._mode == SHUT_DOWN else self._now_ms() + delay_ms + average_ms

    def _convert(self):
        if self._ends_ms is None or self._now_ms() < self._ends_ms:
            return
        self._result = nearest(self._climate.inside_degc / STEP_DEGC, -32768, 32767) & 0xFFFF
        self._ready = True
        if self._mode == ONE_SHOT:
            self._configuration = self._configuration & ~0x0C00 | SHUT_DOWN << 10
            self._ends_ms = None
        else:
            self._ends_ms += ((self._now_ms() - self._ends_ms) // self._every_ms + 1) * self._every_ms

    def _load(self, register):
        self._convert()
        if register == RESULT:
            self._ready = False
            word = self._result
            if word != BEFORE_FIRST:
                self._tell((word - 65536 if word & 0x8000 else word) * STEP_DEGC)
            return word
        if register == CONFIGURATION:
            word = self._configuration | (DATA_READY if self._ready else 0)
            self._ready = False
            return word
        return ID if register == DEVICE_ID else 0

    def _store(self, register, word):
        self._convert()
        if register != CONFIGURATION:
            return
        if word & SOFT_RESET:
            self.reset()
            return
        self._configuration = word & 0x0FFC
        self._begin()
