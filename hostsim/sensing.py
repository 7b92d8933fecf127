"""What a sensor part is exposed to, its own error included. Law: the same part in the same minute feels the same.

However often and in whatever order the parts are asked, so that one world gives the same readings on every runtime.
"""

from random import Random

# Standard deviations of a part's own offset. Data sheets of common parts give +-0.2 K and +-1.8 %RH typical accuracy
# (from memory); light by ratio.
OFFSET = {"inside_degc": 0.1, "humidity_percent": 0.8, "illuminance_lx": 0.03, "pressure_hpa": 0.3}
NOISE = {"inside_degc": 0.02, "humidity_percent": 0.05, "illuminance_lx": 0.01, "pressure_hpa": 0.02}
MINUTE_MS = 60_000
# noise repeats after so many minutes: 997 is a prime, so that no sampling interval meets a few of them only
DRAWS = 997


def minute(now_ms: int) -> int:
    """The minute whose weather counts: the nearest, since a wake comes a little before or after its slot."""
    return (now_ms + MINUTE_MS // 2) // MINUTE_MS


class Surroundings:
    """What one part is exposed to now: inside_degc, humidity_percent, illuminance_lx, pressure_hpa.

    climate: has the same names and no error; minute_now(): see `minute`; draw: the part's own generator.
    """

    def __init__(self, climate, minute_now, draw: Random):
        self._climate = climate
        self._minute_now = minute_now
        self._offsets = {name: draw.gauss(0.0, spread) for name, spread in OFFSET.items()}
        self._noise = [draw.gauss(0.0, 1.0) for _ in range(DRAWS)]
        self._starts = {name: draw.randrange(DRAWS) for name in NOISE}

    def _error(self, name: str) -> float:
        noise = self._noise[(self._minute_now() + self._starts[name]) % DRAWS]
        return self._offsets[name] + NOISE[name] * noise

    @property
    def inside_degc(self) -> float:
        return self._climate.inside_degc + self._error("inside_degc")

    @property
    def humidity_percent(self) -> float:
        return min(100.0, max(0.0, self._climate.humidity_percent + self._error("humidity_percent")))

    @property
    def illuminance_lx(self) -> float:
        return max(0.0, self._climate.illuminance_lx * (1.0 + self._error("illuminance_lx")))

    @property
    def pressure_hpa(self) -> float:
        return self._climate.pressure_hpa + self._error("pressure_hpa")
