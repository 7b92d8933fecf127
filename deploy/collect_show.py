"""What a person sees of the collector. Law: showing costs no reading: it happens once in a while."""

import sys
import time
from collections import deque

from rich.console import Console
from rich.live import Live
from rich.text import Text

from deploy import printing

WINDOW_S = 10.0
LOG_EVERY_S = 30.0


class Show:
    """One updating line in a terminal, a line of the log now and then elsewhere."""

    def __init__(self):
        self.stored = self.repeats = self.refused = 0
        self._recent: deque[tuple[float, int]] = deque()
        self._newest_s: int | None = None
        self._took_s = 0.0
        self._began_s = self._logged_s = time.monotonic()
        self._logged = (0, 0, 0)
        self._live: Live | None = None
        if sys.stderr is not None and sys.stderr.isatty():
            self._live = Live(Text(), console=Console(stderr=True), refresh_per_second=4)
            self._live.start()

    def batch(self, kept, took_s: float) -> None:
        """took_s: from the arrival of a batch's first message to its commit."""
        self.stored += kept.stored
        self.repeats += kept.repeats
        self.refused += kept.refused
        self._took_s = took_s
        if kept.newest_s is not None:
            self._newest_s = max(self._newest_s or 0, kept.newest_s)
        self._recent.append((time.monotonic(), kept.stored))

    def batches(self, kept: list) -> None:
        """Batches of a session that broke off before it could acknowledge them."""
        for one in kept:
            self.batch(one, self._took_s)

    def tick(self) -> None:
        """Bring the line up to date; to be called often."""
        now_s = time.monotonic()
        while self._recent and now_s - self._recent[0][0] > WINDOW_S:
            self._recent.popleft()
        if self._live is not None:
            self._live.update(Text(self.line()))
        elif now_s - self._logged_s >= LOG_EVERY_S and (self.stored, self.repeats, self.refused) != self._logged:
            self._logged_s, self._logged = now_s, (self.stored, self.repeats, self.refused)
            printing.say(self.line())

    def line(self) -> str:
        rate = sum(count for _, count in self._recent) / min(WINDOW_S, max(1.0, time.monotonic() - self._began_s))
        parts = [f"{self.stored:,} stored, {rate:,.0f}/s", f"{self._took_s * 1000:,.0f} ms to commit"]
        if self._newest_s is not None:
            parts.append(f"newest taken {_age(time.time() - self._newest_s)}")
        if self.repeats:
            parts.append(f"{self.repeats:,} had come before")
        if self.refused:
            parts.append(f"{self.refused:,} set aside")
        return ", ".join(parts)

    def say(self, line: str) -> None:
        if self._live is not None:
            self._live.console.print(Text(line))
        else:
            printing.say(line)

    def close(self) -> None:
        if self._live is not None:
            self._live.update(Text(self.line()))
            self._live.stop()


def _age(age_s: float) -> str:
    """A lag in words; a clock that is ahead of ours says so."""
    if age_s < -60:
        return "in the future: look at the clocks"
    for unit_s, unit in ((86400, "d"), (3600, "h"), (60, "min")):
        if age_s >= 2 * unit_s:
            return f"{age_s / unit_s:,.0f} {unit} ago"
    return f"{max(0.0, age_s):,.0f} s ago"
