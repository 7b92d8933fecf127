"""Which slots were due, and what became of each. Law: a slot is one reading or one miss, and a miss has a reason.

While the node cannot know the time its slots are counted from where its clock began to count; from the moment at
which its clock was set they are the multiples of the interval in UTC. A reading belongs to the multiple nearest to
it, or to the one nearest to the beginning of its wake where that one comes next: a sensor may be slow. The first slot
is the one in which the node begins to count: a wake in which nothing is taken leaves it behind.

A node's clock may be off by its specified drift. As far as it may, a reading counts for either slot; and when the
clock is corrected, as many slots may have gone by.
"""

AMBIGUOUS_S = 5.0  # a reading this near to the middle between two slots may count for either
AMBIGUOUS_SHARE = 0.125  # the same for short intervals, as a share of the interval
GRACE_S = 60  # a slot this near to the end need not have been taken any more
LONG_WAKES_MAX = 64
COUNTER_MAX = 65535  # where the node's counter stops


class Slots:
    """Counts the slots of one node: `due`, `missed`, and what the node itself counted as missed."""

    def __init__(self, every_s: int, start_epoch_s: int, drift_s=lambda t_ms: 0.0):
        """drift_s(t_ms): how far the node's clock may have drifted by then, as its maker specifies it."""
        self.every_s = every_s
        self.due = 0
        self.missed = 0
        self._drift_s = drift_s
        self._near = min(AMBIGUOUS_S / every_s, AMBIGUOUS_SHARE)
        self._leap = 0.0  # slots by which the clock may have been corrected since the last reading
        self._doubt = 0  # slots that the node may have counted as missed, and did not have to
        self._lowest = 0  # slot that the last reading may count for
        self._start_s = start_epoch_s
        self._base_s = 0.0  # seconds since the scenario's start from which slots are counted while time is unknown
        self._known = False
        self._last = None
        self._last_taken_ms = self._before_ms = -1  # of the last reading and the one before it
        self._from_ms = 0  # from when on slots are due while none has been taken
        self._idle = 0  # wakes since then that ended without a reading and without an excuse
        self._gap_from = None  # the last slot before the clock was lost
        self._woke_ms = 0
        self._spare = 0  # slots after the last reading that it may have been for, the ones before it being excused
        self._rests = []  # (from, to) in which the node rested from resets
        self._blind = False  # nothing can tell the node what its gap began with
        self._missed_before = 0  # this wake
        self._long_wakes = []  # (began, ended), since the last reading, of those that may have reached into a slot
        self._excuse = None
        self._without = self._had_none = False
        self._jumped = False  # since it was corrected
        self._anew = False  # since the last reading: the node may count from the next one on
        self._counted = 0
        self._counter = 0

    def _origin_s(self) -> float:
        return self._start_s if self._known else -self._base_s

    def _position(self, t_ms: int) -> float:
        return (self._origin_s() + t_ms / 1000.0) / self.every_s

    def _slack(self, t_ms: int) -> float:
        return max(self._near, self._drift_s(t_ms) / self.every_s)

    def _slot(self, t_ms: int) -> int:
        """The slot that a reading counts for: the next one, wherever it may."""
        middle = self._position(t_ms) + 0.5
        if self._last is None:
            return int(middle)
        earliest = min(self._earliest(t_ms), self._began_in())
        return self._last + 1 if earliest <= self._last + 1 <= int(middle + self._slack(t_ms)) else int(middle)

    def _began_in(self) -> int:
        """The first slot that this wake may have begun in."""
        return int(self._position(self._woke_ms) + 0.5 - self._slack(self._woke_ms))

    def _earliest(self, t_ms: int) -> int:
        """The first slot that the time at which a reading was taken may lie in."""
        return int(self._position(t_ms) + 0.5 - self._slack(t_ms))

    def _lowest_for(self, slot: int, t_ms: int) -> int:
        """The first slot that a reading, which counts for `slot`, may have been for."""
        earliest = self._earliest(t_ms)
        if self._last is None:
            return earliest
        began_in = self._began_in()
        # what slow sensors take late was begun in time; near the middle between two slots it may be either's
        first = began_in if began_in < earliest else min(slot, int(self._position(t_ms) + 0.5 - self._near))
        return max(self._lowest + 1, first)

    def is_stored(self) -> bool:
        """True when the slot that this wake began in, or one that it cannot be told from, has been taken."""
        return self._last is not None and self._began_in() <= self._last

    def taken(self, t_ms: int) -> str | None:
        """A reading was taken; returns what is wrong with that, or None."""
        if t_ms == self._last_taken_ms:
            return None  # the same measurement, in a second place
        slot = self._slot(t_ms)
        last = self._last
        if last is None and self._idle:
            last = int(self._position(self._from_ms) + 0.5) - 1
        self._before_ms, self._last_taken_ms = self._last_taken_ms, t_ms
        if self._without:
            self.due += 1
            self._last, self._lowest, self._spare = slot, slot - 1, 0
            return None
        fact = None
        if last is not None and slot <= last:
            if slot <= self._lowest:
                return "a slot was sampled twice"
            # the one before it was for an earlier slot, and one less went by than was counted then
            self._doubt += last + 1 - slot
        elif last is not None and slot > last + 1:
            fact = self._gap(last + 1, slot, t_ms)
        if self._last is not None:
            self._spare = self._spare_behind(slot, t_ms)
        else:
            # near the middle between two slots the first reading may count for either
            self._spare = int(self._position(t_ms) + 0.5 + min(self._slack(t_ms), AMBIGUOUS_SHARE)) - slot
            self._doubt += self._spare
        self._lowest = self._lowest_for(slot, t_ms)
        self._leap = 0.0
        self._anew = False
        self.due += 1
        self._last = slot
        self._long_wakes.clear()
        if self._rests:
            # as far as the clock may be off, one of them may still explain a slot
            since_ms = t_ms - self.every_s * 1000 - self._drift_s(t_ms) * 1000
            self._rests = [rest for rest in self._rests if rest[1] >= since_ms]
        return fact

    def _spare_behind(self, slot: int, t_ms: int) -> int:
        """How many slots after `slot` a reading may have been for instead, what went by before it being excused."""
        slack = self._slack(t_ms)
        latest = int(self._position(t_ms) + 0.5 + slack)
        if latest <= slot:
            return 0
        is_late = latest > int(self._position(self._woke_ms) + 0.5 + slack)
        if self._excuse is not None or (is_late and self._are_excused(slot, latest, t_ms)):
            return latest - slot
        # if the one before it was for a later slot, so is this one; and what the node rested for may have gone by
        rested = _room([rest for rest in self._rests if rest[0] >= self._before_ms], self.every_s)
        return max(0, min(self._spare - (slot - self._last - 1) + rested, latest - slot))

    def _gap(self, first: int, end: int, t_ms: int) -> str | None:
        self._miss(end - first)
        if self._anew:
            self._doubt += end - first
        blamed = self._excuse is None and end - first > self._leap
        if blamed and not self._are_excused(first + self._spare, end, t_ms):
            return f"{end - first} due slots went by while the board slept for no reason"
        return None

    def _are_excused(self, first: int, end: int, t_ms: int) -> bool:
        # the slot that this wake began for is among them: its reading came so late that it is another slot's
        wakes = [*self._long_wakes, (self._woke_ms - self.every_s * 1000, t_ms)]
        # after a clock that was years off there are more slots than all of these times can hold
        every_ms = self.every_s * 1000
        if end - first > sum(2 + (to_ms - from_ms) // every_ms for from_ms, to_ms in wakes + self._rests):
            return False
        off_ms = self._drift_s(t_ms) * 1000
        asleep = [slot for slot in range(first, end) if not self._was_awake(slot, wakes, off_ms)]
        return not asleep or self._rested(asleep, t_ms)

    def _was_awake(self, slot: int, wakes, off_ms: float) -> bool:
        """True when the slot began in a wake that had begun in an earlier one: busy is a reason, asleep is none."""
        start_ms = (slot * self.every_s - self._origin_s()) * 1000
        return any(
            start_ms <= ended_ms + off_ms and start_ms - woke_ms > self.every_s * 500 for woke_ms, ended_ms in wakes
        )

    def _rested(self, slots, t_ms: int) -> bool:
        """True when each of these slots may have begun in a rest, and the rests were long enough for all of them."""
        off_ms = self._drift_s(t_ms) * 1000
        if len(slots) > _room(self._rests, self.every_s):
            return False
        starts_ms = [(slot * self.every_s - self._origin_s()) * 1000 for slot in slots]
        return all(
            any(from_ms - self.every_s * 500 - off_ms <= start_ms <= to_ms + off_ms for from_ms, to_ms in self._rests)
            for start_ms in starts_ms
        )

    def _miss(self, slots: int) -> None:
        self.due += slots
        self.missed += slots

    def wake_began(self, t_ms: int, without_settings: bool = False) -> None:
        """without_settings: the node cannot know its interval; when it samples, and what it counts, is its own."""
        self._woke_ms = t_ms
        self._missed_before = self.missed
        # the first wake with settings again gives the slots up to then for counted
        self._without, self._had_none = without_settings or self._had_none, without_settings
        if without_settings:
            self._doubt = COUNTER_MAX

    def wake_ended(self, t_ms: int, excuse: str | None, rest_ms: int = 0) -> None:
        """excuse: why the slots up to the next wake need not be taken, None when they must be.

        rest_ms: for how long the node may rest from resets, whatever is due.
        """
        if rest_ms:
            self._rests.append((t_ms, t_ms + rest_ms))
        if self._without:
            # one that was cut short, or too weak, leaves it to the next
            self._had_none = self._had_none or excuse is not None
            excuse = "no settings"
            if self._last is not None:
                # whoever takes the next reading, and in whichever wake, gives those up to now for counted
                up_to_now = int(self._position(t_ms) + self._slack(t_ms))
                self._spare = max(self._spare, up_to_now - self._last)
        if t_ms - self._woke_ms > self.every_s * 500:
            self._long_wakes.append((self._woke_ms, t_ms))
            del self._long_wakes[:-LONG_WAKES_MAX]
        self._excuse = excuse
        if self._last is None:
            if excuse is None:
                self._idle += 1
            else:
                self._from_ms, self._idle = t_ms, 0

    def clock_jumped(self, by_s: float) -> None:
        """The node may count as many slots as went by in the jump, and its next one anew."""
        self._doubt += int(by_s / self.every_s) + 2
        self._jumped = self._anew = True

    def clock_corrected(self, t_ms: int) -> None:
        """The clock is about to be set; what it had drifted by then is over."""
        slots = self._drift_s(t_ms) / self.every_s
        self._jumped = False
        self._doubt += int(slots + 0.5)
        if slots > self._near:
            self._leap += slots + 0.5 + self._near
        if self._last is not None:
            # from now on the node knows better which slot it was
            self._lowest = min(self._last, int(self._position(self._last_taken_ms) + 0.5 - self._near))

    def clock_known(self, t_ms: int) -> None:
        """The clock has been set for the first time since it was lost."""
        began_ms = int(self._base_s * 1000)
        self._known = True
        if self._last is not None:
            middle = self._position(self._last_taken_ms) + 0.5
            self._last = int(middle)
            self._lowest = int(middle - self._near)
            self._spare = int(middle + self._near) - self._last
            self._doubt += self._spare
        self._close_gap(began_ms)

    def _close_gap(self, began_ms: int) -> None:
        if self._gap_from is not None:
            position = (self._start_s + began_ms / 1000.0) / self.every_s
            slots = max(0, int(position + 0.5) - self._gap_from - 1)
            self._miss(slots)
            if self._blind:
                self._doubt += slots
            self._gap_from = None
        self._blind = False

    def cut_short(self) -> None:
        """The wake was ended from outside: what the node counted in it may be forgotten."""
        self._doubt += self.missed - self._missed_before

    def memory_lost(self, elsewhere: int, missed: int = 0) -> None:
        """The node has forgotten what it counted, and counts from its card's last slot on once more.

        elsewhere, missed: slots taken and missed since that one.
        """
        self._doubt += elsewhere + missed
        if elsewhere and self._last is not None:
            # that the newest slot was taken stood nowhere else
            self._lowest = self._last - 1
        self._counter = 0
        if self._gap_from is not None:
            self.blind()

    def blind(self) -> None:
        """Nothing tells the node any more what came before its present count."""
        self._blind = True

    def clock_lost(self, t_ms: int) -> None:
        if self._jumped:
            # the node gave the slots since the jump other numbers, which nothing connects with those before it
            self._doubt = COUNTER_MAX
            self._jumped = False
        if self._known:
            self._gap_from = self._last
        else:
            # twice in a row: which slot is the nearest in between depends on who counts
            self._doubt += 1
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
        gap = max(0, int(self._position(t_ms - GRACE_S * 1000) - self._drift_s(t_ms) / self.every_s) - last)
        self._miss(gap)
        if (
            gap > self._leap
            and excuse is None
            and self._excuse is None
            and not self._rested(range(last + 1, last + 1 + gap), t_ms)
        ):
            return f"the last {gap} due slots were neither taken nor missed for a reason"
        doubt = self._doubt + int(self._drift_s(t_ms) / self.every_s + 0.5)
        if countable and abs(counted_missed - self._counted) > doubt and self._counter < COUNTER_MAX:
            return f"{counted_missed} slots went by and the node counted {self._counted} as missed"
        return None


def _room(rests, every_s: int) -> int:
    """How many slots may begin in these times."""
    return sum(1 + (to_ms - from_ms) // (every_s * 1000) for from_ms, to_ms in rests)
