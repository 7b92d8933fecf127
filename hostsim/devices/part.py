"""What all parts on an I2C bus have in common. Law: a part without its supply forgets, and is slow to come back."""

# the rail of a part that has none: on since before time began
ALWAYS_MS = 0
# an I2C bus that nobody drives reads as ones
IDLE = 0xFF


class Nack(Exception):
    """The part does not acknowledge."""


class Climate:
    """Surroundings that stay as they are: degC, %RH, lx, hPa."""

    def __init__(self, inside_degc=20.0, humidity_percent=50.0, illuminance_lx=0.0, pressure_hpa=1013.25):
        self.inside_degc = inside_degc
        self.humidity_percent = humidity_percent
        self.illuminance_lx = illuminance_lx
        self.pressure_hpa = pressure_hpa


class Part:
    """A part that has had its supply since before time began. now_ms(): virtual time in ms.

    told(value): called with each value that the part hands out, in the unit of SenML, as exactly as its bytes say it.
    """

    POWER_UP_MS = 0

    def __init__(self, now_ms, told=None):
        self._now_ms = now_ms
        self._told = told
        self._fed_since_ms = ALWAYS_MS
        self.reset()

    def reset(self):
        """Registers as they are after power-on."""

    def feed(self, since_ms):
        """The supply has been there since then: if that is news, it was gone in between."""
        if since_ms != self._fed_since_ms:
            self._fed_since_ms = since_ms
            self.lose_supply()

    def lose_supply(self):
        self.reset()

    def awake(self):
        return self._fed_since_ms == ALWAYS_MS or self._now_ms() - self._fed_since_ms >= self.POWER_UP_MS

    def write(self, data):
        """Bytes after the address, `b""` for a mere probe. Raises Nack."""
        raise Nack

    def read(self, count):
        """`count` bytes. Raises Nack."""
        raise Nack

    def _tell(self, value):
        if self._told is not None:
            self._told(value)


def nearest(value, low, high):
    """The nearest whole number within bounds: what a converter makes of a value."""
    return min(high, max(low, int(value + 0.5) if value >= 0 else -int(0.5 - value)))
