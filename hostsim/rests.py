"""For how long a node may rest after resets. Law: only as long as docs/cycle.md says, and only for what befell it."""

CUTS = ("power cut", "brown-out", "a reset from outside")  # ends of a wake that are not the node's doing
_FAILURES = ("reset", "brown-out", "a reset from outside")
BACK_OFF_S = 600  # times the failures in a row
BACK_OFF_SLACK = 1.25  # of the worst sleep timers
UNRESTED_MAX = 3  # watchdog resets in a row after which it does not have to


class Rests:
    """Counts the failures in a row of one node: with no wake between them that slept before and afterwards."""

    def __init__(self):
        self._failures = 0
        self._browned_out = False
        self._slept = True  # before this wake

    def after_ms(self, end: str) -> int:
        """How long the rest after a wake with this end may be; an end that brings it back at once gives none."""
        if end in _FAILURES:
            self._failures += 1
            self._browned_out = end == "brown-out"
            self._slept = False
            return 0
        if self._slept:
            self._failures = 0
        rests = self._failures > UNRESTED_MAX or self._browned_out
        self._slept, self._browned_out = True, False
        return int(BACK_OFF_S * BACK_OFF_SLACK * 1000) * self._failures if rests else 0
