"""SCD4x carbon dioxide sensor. Law: it measures only once it was told to, and each measurement is handed out once.

Sensirion, Data Sheet SCD4x, tables 9 to 16 (from memory). Modelled: the periodic measurements, the serial number
and the commands that end a measurement.
"""

from .part import Nack, nearest
from .sensirion import CommandPart
from .sht3x import celsius, celsius_word, humidity, humidity_word

ADDRESS = 0x62
# command that starts it: ms from one measurement to the next
PERIODIC_MS = {0x21B1: 5000, 0x21AC: 30000}
STOP = 0x3F86
STOP_MS = 500
DATA_READY = 0xE4B8
READ = 0xEC05
SERIAL = 0x3682
COMMAND_MS = 1
READY = 0x8006
NOT_READY = 0x8000
PPM = 1e-6


class Scd4x(CommandPart):
    """climate: has inside_degc and humidity_percent; air: has co2_ppm."""

    POWER_UP_MS = 1000

    def __init__(self, now_ms, climate, air, told=None):
        self._climate = climate
        self._air = air
        super().__init__(now_ms, told)

    def reset(self):
        super().reset()
        self._every_ms = None
        self._next_ms = 0

    def _obey(self, command):
        measuring = self._every_ms is not None
        if command == STOP:
            self._every_ms = None
            self._busy(STOP_MS)
        elif command in PERIODIC_MS and not measuring:
            self._every_ms = PERIODIC_MS[command]
            self._next_ms = self._now_ms() + self._every_ms
        elif command == DATA_READY:
            self._words = (READY if self._ready() else NOT_READY,)
            self._busy(COMMAND_MS)
        elif command == READ and self._ready():
            self._measure()
            self._busy(COMMAND_MS)
        elif command == SERIAL and not measuring:
            self._words = (0x0A1B, 0x2C3D, 0x4E5F)
            self._busy(COMMAND_MS)
        else:
            # reading where there is nothing to read is not acknowledged, nor is any other command while it measures
            raise Nack

    def _ready(self):
        return self._every_ms is not None and self._now_ms() >= self._next_ms

    def _measure(self):
        self._words = (
            nearest(self._air.co2_ppm, 0, 40000),
            celsius_word(self._climate.inside_degc),
            humidity_word(self._climate.humidity_percent),
        )
        self._values = (self._words[0] * PPM, celsius(self._words[1]), humidity(self._words[2]))
        missed = (self._now_ms() - self._next_ms) // self._every_ms
        self._next_ms += (missed + 1) * self._every_ms
