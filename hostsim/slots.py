"""Which slots were due, and what became of each. Law: a slot is one reading or one miss, and a miss has a reason.

While the node cannot know the time its slots are counted from where its clock began to count; from the moment at
which its clock was set they are the multiples of the interval in UTC. A reading belongs to the nearest multiple. The
first slot is the one in which the node begins to count: a wake in which nothing is taken leaves it behind.
"""

AMBIGUOUS_S = 5.0  # a reading this near to the middle between two slots may count for either
AMBIGUOUS_SHARE = 0.125  # the same for short intervals, as a share of the interval
GRACE_S = 60  # a slot this near to the end need not have been taken any more
LONG_WAKES_MAX = 64
COUNTER_MAX = 65535  # where the node's counter stops


class Slots:
    """Counts the slots of one node: `due`, `missed`, and what the node itself counted as missed."""

    def __init__(self, every_s: int, start_epoch_s: int):
        self.every_s = every_s
        self.due = 0
        self.missed = 0
        self._slack = min(AMBIGUOUS_S / every_s, AMBIGUOUS_SHARE)
        self._start_s = start_epoch_s
        self._base_s = 0.0  # seconds since the scenario's start from which slots are counted while time is unknown
        self._known = False
        self._last = None
        self._last_taken_ms = -1
        self._from_ms = 0  # from when on slots are due while none has been taken
        self._idle = 0  # wakes since then that ended without a reading and without an excuse
        self._gap_from = None  # the last slot before the clock was lost
        self._woke_ms = 0
        self._long_wakes = []  # (began, ended), since the last reading, of those that may have reached into a slot
        self._excuse = None
        self._counted = 0
        self._counter = 0

    def _origin_s(self) -> float:
        return self._start_s if self._known else -self._base_s

    def _position(self, t_ms: int) -> float:
        return (self._origin_s() + t_ms / 1000.0) / self.every_s

    def _slot(self, t_ms: int) -> int:
        position = self._position(t_ms)
        slot = int(position + 0.5)
        if self._last is not None and slot != self._last + 1:
            for candidate in (int(position + 0.5 + self._slack), int(position + 0.5 - self._slack)):
                if candidate == self._last + 1:
                    return candidate
        return slot

    def is_stored(self) -> bool:
        """True when the slot that this wake began in, or one that it cannot be told from, has been taken."""
        return self._last is not None and int(self._position(self._woke_ms) + 0.5 - self._slack) <= self._last

    def taken(self, t_ms: int) -> str | None:
        """A reading was taken; returns what is wrong with that, or None."""
        if t_ms == self._last_taken_ms:
            return None  # the same measurement, in a second place
        slot = self._slot(t_ms)
        last = self._last
        if last is None and self._idle:
            last = int(self._position(self._from_ms) + 0.5) - 1
        self._last_taken_ms = t_ms
        if last is not None and slot <= last:
            return "a slot was sampled twice"
        fact = None
        if last is not None and slot > last + 1:
            fact = self._gap(last + 1, slot, t_ms)
        self.due += 1
        self._last = slot
        self._long_wakes.clear()
        return fact

    def _gap(self, first: int, end: int, t_ms: int) -> str | None:
        self._miss(end - first)
        if self._excuse is None:
            # the slot that this wake began for is among them: its reading came so late that it is another slot's
            wakes = [*self._long_wakes, (self._woke_ms - self.every_s * 1000, t_ms)]
            for slot in range(first, end):
                if not self._was_awake(slot, wakes):
                    return f"{end - first} due slots went by while the board slept for no reason"
        return None

    def _was_awake(self, slot: int, wakes) -> bool:
        """True when the slot began in a wake that had begun in an earlier one: busy is a reason, asleep is none."""
        start_ms = (slot * self.every_s - self._origin_s()) * 1000
        return any(start_ms <= ended_ms and start_ms - woke_ms > self.every_s * 500 for woke_ms, ended_ms in wakes)

    def _miss(self, slots: int) -> None:
        self.due += slots
        self.missed += slots

    def wake_began(self, t_ms: int) -> None:
        self._woke_ms = t_ms

    def wake_ended(self, t_ms: int, excuse: str | None) -> None:
        """excuse: why the slots up to the next wake need not be taken, None when they must be."""
        if t_ms - self._woke_ms > self.every_s * 500:
            self._long_wakes.append((self._woke_ms, t_ms))
            del self._long_wakes[:-LONG_WAKES_MAX]
        self._excuse = excuse
        if self._last is None:
            if excuse is None:
                self._idle += 1
            else:
                self._from_ms, self._idle = t_ms, 0

    def clock_known(self, t_ms: int) -> None:
        """The clock has been set for the first time since it was lost."""
        began_ms = int(self._base_s * 1000)
        self._known = True
        if self._last is not None:
            self._last = int(self._position(self._last_taken_ms) + 0.5)
        self._close_gap(began_ms)

    def _close_gap(self, began_ms: int) -> None:
        if self._gap_from is not None:
            position = (self._start_s + began_ms / 1000.0) / self.every_s
            self._miss(max(0, int(position + 0.5) - self._gap_from - 1))
            self._gap_from = None

    def clock_lost(self, t_ms: int) -> None:
        if self._known:
            self._gap_from = self._last
        self._known = False
        self._base_s = t_ms / 1000.0
        self._last = None
        self._from_ms, self._idle = t_ms, 0

    def node_counts(self, counter: int) -> None:
        """What the node's own counter of missed slots shows."""
        self._counted += counter - self._counter if counter >= self._counter else counter
        self._counter = counter

    def finish(self, t_ms: int, excuse: str | None) -> str | None:
        """The rehearsal ends; returns what is wrong with the count, or None."""
        countable = self._gap_from is None  # while the time is unknown the node cannot count what came before
        counted_missed = self.missed
        self._close_gap(int(self._base_s * 1000))
        last = self._last
        if last is None:
            last = int(self._position(self._from_ms) + 0.5) - 1
        gap = max(0, int(self._position(t_ms - GRACE_S * 1000)) - last)
        self._miss(gap)
        if gap and excuse is None and self._excuse is None:
            return f"the last {gap} due slots were neither taken nor missed for a reason"
        if countable and counted_missed != self._counted and self._counter < COUNTER_MAX:
            return f"{counted_missed} slots went by and the node counted {self._counted} as missed"
        return None
