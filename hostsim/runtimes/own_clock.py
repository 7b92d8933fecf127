"""The microcontroller's own clock, beside a clock chip. Law: through a sleep it is as wrong as the sleep timer.

Awake it runs on the crystal, which is exact enough for a wake.
"""

from hostsim.node import Node


class OwnClock:
    """It counts on through resets and sleep, and begins anew when its supply was gone."""

    def __init__(self):
        self._shown_s = 0.0
        self._at_ms: int | None = None

    def shows(self, now_ms: int) -> float | None:
        """What it shows, s since 1970; None: it has not been set since it got its supply."""
        if self._at_ms is None:
            return None
        return self._shown_s + (now_ms - self._at_ms) / 1000.0

    def set(self, now_ms: int, epoch_s: float) -> None:
        self._shown_s, self._at_ms = float(epoch_s), now_ms

    def stop(self) -> None:
        """It has lost its supply."""
        self._at_ms = None

    def asleep(self, node: Node, sleep) -> None:
        """Let the node sleep, which sleep() does."""
        from_ms = node.now_ms
        rate_ppm = node.sleep_timer.rate_ppm(node.climate.inside_degc, from_ms / 1000.0)
        sleep()
        self._shown_s += (node.now_ms - from_ms) * rate_ppm * 1e-9
