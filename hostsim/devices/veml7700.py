"""VEML7700 ambient light sensor. Law: a count is that of an integration that has ended, 0 before the first.

Vishay, VEML7700 data sheet (document 84286), command codes 0 to 6, and application note 84323 (resolution 0.0042 lx
at gain 2 and 800 ms, doubled for each halving of either; wake-up time 2.5 ms). From memory, except that the layout of
code 0 was compared with the sister part's data sheet, VEML6030 (document 84366). The part is linear here: the note's
correction for light above about 1000 lx makes it read too much.
"""

from .part import Part, nearest

ADDRESS = 0x10
CONFIGURATION = 0
POWER_SAVING = 3
ALS = 4
WHITE = 5
SHUT_DOWN = 1
GAIN = (1.0, 2.0, 0.125, 0.25)
INTEGRATION_MS = {12: 25, 8: 50, 0: 100, 1: 200, 2: 400, 3: 800}
FINEST_LX = 0.0042
WAKE_UP_MS = 2.5


def step_lx(gain, integration_ms):
    """What one count stands for."""
    return FINEST_LX * (800 / integration_ms) * (2 / gain)


class Veml7700(Part):
    """climate: has illuminance_lx. The white channel shows the same light as the other."""

    POWER_UP_MS = 3

    def __init__(self, now_ms, climate, told=None):
        self._climate = climate
        super().__init__(now_ms, told)

    def reset(self):
        self._words = {CONFIGURATION: SHUT_DOWN}
        self._code = 0
        self._count = 0
        self._count_lx = 0.0
        self._ends_ms = None

    def write(self, data):
        if not data:
            return
        self._integrate()
        self._code = data[0]
        if len(data) >= 3 and self._code <= POWER_SAVING:
            self._words[self._code] = data[1] | data[2] << 8
            if self._code == CONFIGURATION:
                self._begin()

    def read(self, count):
        self._integrate()
        if self._code in (ALS, WHITE):
            word = self._count
            self._tell(self._count_lx)
        else:
            word = self._words.get(self._code, 0)
        return (bytes((word & 0xFF, word >> 8)) * count)[:count]

    def _begin(self):
        """Every change of the configuration begins a new integration; shut down, there is none."""
        configuration = self._words[CONFIGURATION]
        if configuration & SHUT_DOWN:
            self._ends_ms = None
        else:
            self._ends_ms = self._now_ms() + WAKE_UP_MS + self._integration_ms()

    def _integration_ms(self):
        return INTEGRATION_MS.get(self._words[CONFIGURATION] >> 6 & 15, 100)

    def _integrate(self):
        if self._ends_ms is None or self._now_ms() < self._ends_ms:
            return
        gain = GAIN[self._words[CONFIGURATION] >> 11 & 3]
        count_lx = step_lx(gain, self._integration_ms())
        self._count = nearest(self._climate.illuminance_lx / count_lx, 0, 65535)
        self._count_lx = self._count * count_lx
