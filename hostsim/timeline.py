"""What kind of weather a service is in at a given time.

Law: the answer depends on the time alone, never on what was asked before.
"""

from bisect import bisect_right
from collections.abc import Iterable


class Timeline:
    """Windows (from_s, to_s, kind), each holding for from_s <= now_s < to_s; where several hold, the one
    listed first wins. Raises ValueError for a kind that is not in `kinds` and for a window that is empty."""

    def __init__(self, windows: Iterable[tuple[int, int, str]], kinds: Iterable[str]):
        windows, known = list(windows), tuple(kinds)
        for from_s, to_s, kind in windows:
            if kind not in known:
                raise ValueError(f"unknown kind of window {kind!r}; known: {', '.join(known)}")
            if not from_s < to_s:
                raise ValueError(f"a window from {from_s} to {to_s} is empty")
        self._edges_s = sorted({edge_s for window in windows for edge_s in window[:2]})
        # between two neighbouring edges nothing changes, so each stretch is decided once, here
        self._kinds = [None, *(_first(windows, edge_s) for edge_s in self._edges_s)]

    def kind_at(self, now_s: int) -> str | None:
        """The kind that holds at `now_s`, or None outside every window. O(log n)."""
        return self._kinds[bisect_right(self._edges_s, now_s)]

    def is_clear(self, from_s: float, to_s: float) -> bool:
        """True when nothing holds from the one moment to the other."""
        first, last = bisect_right(self._edges_s, from_s), bisect_right(self._edges_s, to_s)
        return not any(self._kinds[first : last + 1])


def _first(windows: list[tuple[int, int, str]], now_s: int) -> str | None:
    for from_s, to_s, kind in windows:
        if from_s <= now_s < to_s:
            return kind
    return None
