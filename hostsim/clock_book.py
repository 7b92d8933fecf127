"""What a node could have known of the time of each reading. Law: no node is asked for more than its clock allowed.

From a synchronisation on a time may be off by 2 s and by the specified drift since then. Readings taken before the
first synchronisation since the clock began to count resolve by it, and share the bound of the whole span.
"""

from hostsim.ledger import JUMPED, LANDED, NOT_SURE, Ledger

BASE_UNCERTAINTY_S = 2
STATED_S_MAX = 65534  # the most that a record can say
# the node counts whole seconds, and may find itself up to this much further from a synchronisation than it was
ROUNDING_MS = 1500


class ClockBook:
    """The clock of one node; times are ms since the scenario's start."""

    def __init__(self, drift_ppm_max: float):
        self._drift_ppm_max = drift_ppm_max
        self._stretch = 1.0 + drift_ppm_max * 1e-6
        self._counting_from_ms = 0
        self._counted_from_ms = None  # the same, before the node lost sight of a clock that had not been set
        self.synced_ms = None
        self._kept_ms = None  # when the clock was set that the node has lost sight of, and that counts on
        self._jumped_s = 0.0  # since it was set
        # by ring id: the ledger, and its first seq since it jumped, or is less sure than a record can say: the node
        # may count in a run of its own
        self._anew: dict[int, tuple[Ledger, int]] = {}
        # by ring id: the ledger, and its first seq since the clock began to count
        self._waiting: dict[int, tuple[Ledger, int]] = {}
        # by ring id: the ledger, first and last seq that resolve by what no sector says yet
        self._by_memory: dict[int, tuple[Ledger, int, int]] = {}

    def drift_s(self, t_ms: int) -> float:
        """How far the clock may be off by then: since it was set, or since it began to count."""
        since_ms = self._counting_from_ms if self.synced_ms is None else self.synced_ms
        return self._bound_s(t_ms - since_ms) - BASE_UNCERTAINTY_S + self._jumped_s

    def jumped(self, by_s: float) -> None:
        """It jumped. Until it is set the next time nobody can ask the node for what it says of the time."""
        self._forget()  # what resolves by the run that may be over
        self._jumped_s += by_s

    def _bound_s(self, span_ms: int) -> float:
        return BASE_UNCERTAINTY_S + self._drift_ppm_max * (span_ms * self._stretch + ROUNDING_MS) / 1e9

    def landed(self, ledger: Ledger, seq: int, taken_ms: int) -> float:
        """The most that the reading's time may be stated unsure by, NOT_SURE while the node cannot know the time."""
        if self.synced_ms is None:
            self._waiting.setdefault(ledger.ring_id, (ledger, seq))
            return JUMPED if self._jumped_s else NOT_SURE
        if self._jumped_s:
            self._anew.setdefault(ledger.ring_id, (ledger, seq))
            return JUMPED
        if self._by_memory and not ledger.volatile:
            # its sector says how the clock was set, for all of the run
            self._by_memory.pop(ledger.ring_id, None)
        bound_s = self._bound_s(taken_ms - self.synced_ms)
        if bound_s < STATED_S_MAX:
            return bound_s
        self._anew.setdefault(ledger.ring_id, (ledger, seq))
        return NOT_SURE

    def waits(self, ledger: Ledger, seq: int) -> bool:
        """True for a reading taken since the clock began to count, while it has not been set."""
        return ledger.ring_id in self._waiting and seq >= self._waiting[ledger.ring_id][1]

    def set(self, t_ms: int) -> bool:
        """The clock was set to the time; True: for the first time since it was lost."""
        first = self.synced_ms is None
        if first:
            # in the middle of what resolves by this moment, the count was wrong
            bound_s = JUMPED if self._jumped_s else self._bound_s(t_ms - self._counting_from_ms)
            for ring_id, (ledger, seq) in self._waiting.items():
                self._by_memory[ring_id] = (ledger, seq, ledger.newest)
                _bound(ledger, seq, ledger.newest, bound_s)
            self._waiting.clear()
        for ring_id, (ledger, seq) in self._anew.items():
            self._by_memory[ring_id] = (ledger, seq, ledger.newest)
        self._anew.clear()
        self.synced_ms = t_ms
        self._kept_ms = self._counted_from_ms = None
        self._jumped_s = 0.0
        return first

    def is_out_of_sight(self) -> bool:
        """True while the node may not know of a clock that counts on."""
        return self.synced_ms is None and self._kept_ms is not None

    def seen_again(self) -> None:
        """The node goes by it again: by what it kept, or by what its card states."""
        self._waiting.clear()
        self.synced_ms, self._kept_ms = self._kept_ms, None

    def is_count_in_doubt(self) -> bool:
        """True while the node may have begun to count anew, or not, on a clock that has not been set."""
        return self._counted_from_ms is not None

    def settle_count(self, goes_on: bool) -> None:
        """The next reading shows it. goes_on: its count began where the one before did."""
        if goes_on:
            self._counting_from_ms = self._counted_from_ms
        self._counted_from_ms = None

    def memory_lost(self, stated_ms) -> None:
        """The node knows of its clock what its card states: that it was set at `stated_ms`, None: nothing."""
        self._forget()
        if self.synced_ms is not None and stated_ms is not None:
            self.synced_ms = min(self.synced_ms, stated_ms)
        if self._kept_ms is not None:
            self._kept_ms = None if stated_ms is None else min(self._kept_ms, stated_ms)

    def lost(self, t_ms: int, reset: bool = True) -> None:
        """The clock counts from an arbitrary value; what only retained memory could have resolved stays unknown.

        reset: False when it counts on as it was, and the node alone does not know from what.
        """
        self._forget()
        self._waiting.clear()
        self._anew.clear()
        if reset:
            self._jumped_s = 0.0
            self._kept_ms = self._counted_from_ms = None
        elif self.synced_ms is not None:
            self._kept_ms = self.synced_ms
        elif self._counted_from_ms is None:
            self._counted_from_ms = self._counting_from_ms
        self._counting_from_ms = t_ms
        self.synced_ms = None

    def anchors_gone(self, ledger: Ledger, run: int, kept: bool) -> None:
        """The card has lost every sector that said when this run began. kept: retained memory still says it."""
        undated = ledger.undated(run)
        if undated and kept and self.synced_ms is not None and not self._jumped_s:
            self._by_memory[ledger.ring_id] = (ledger, undated[0], undated[-1])
            return
        for seq in undated:
            _bound(ledger, seq, seq, NOT_SURE)
            ledger.forget_times(seq, seq)

    def _forget(self) -> None:
        """What only retained memory resolved stays unknown from now on."""
        for ledger, first, last in self._by_memory.values():
            _bound(ledger, first, last, NOT_SURE)
            ledger.forget_times(first, last)
        self._by_memory.clear()


def _bound(ledger: Ledger, first: int, last: int, bound_s: float) -> None:
    for seq in range(max(first, ledger.newest - ledger.capacity + 1), last + 1):
        place = seq % ledger.capacity
        if ledger.state[place] & LANDED and ledger.bound_s[place] != JUMPED:
            ledger.bound_s[place] = bound_s
