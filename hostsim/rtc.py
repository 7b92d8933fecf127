"""A real-time clock chip and a sleep timer that are wrong in the ways of real ones.

Law: what the clock shows follows from its oscillator alone; nobody but `set` corrects it.
"""

from hostsim.oscillator import Oscillator


class Clock:
    """Counts seconds at its oscillator's rate. `value` is None after a power loss until it is set."""

    def __init__(self, oscillator: Oscillator):
        self._oscillator = oscillator
        self._at_ms = 0
        self._value = None
        self._per_ms = 0.001

    def let_pass(self, now_ms: int, t_degc: float) -> None:
        """Go on to `now_ms` at this temperature, and keep its rate until the next call."""
        rate_ppm = self._oscillator.rate_ppm(t_degc, now_ms / 1000.0)
        self._per_ms = (1.0 + rate_ppm * 1e-6) * 0.001
        if self._value is not None:
            self._value += (now_ms - self._at_ms) * self._per_ms
        self._at_ms = now_ms

    def shows(self, now_ms: int) -> int | None:
        """The whole seconds that it shows at `now_ms`."""
        if self._value is None:
            return None
        return int(self._value + (now_ms - self._at_ms) * self._per_ms)

    def set(self, now_ms: int, epoch_s: int) -> None:
        """Set to the beginning of a second: writing the seconds restarts the divider of the usual chips."""
        self._value = float(epoch_s)
        self._at_ms = now_ms

    def stop(self) -> None:
        self._value = None


def sleep_ms(oscillator: Oscillator, asked_s: int, now_ms: int, t_degc: float) -> int:
    """How long a sleep of `asked_s` by this oscillator really lasts."""
    rate_ppm = oscillator.rate_ppm(t_degc, now_ms / 1000.0)
    return int(asked_s * 1000 / (1.0 + rate_ppm * 1e-6))
