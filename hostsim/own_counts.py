"""What a node itself counts, against what went. Law: it may have forgotten only what was taken from it.

Its counters live in retained memory: what it counted in a wake that was cut short, and held readings that went with
that memory, it may lack.
"""

COUNTER_MAX = 65535  # where the node's counters stop


class OwnCounts:
    """The node's counters of (missed slots, unstored readings, overwritten readings)."""

    def __init__(self):
        self._shown = (0, 0, 0)
        self._counted = [0, 0, 0]
        self._at_waking = (0, 0)
        self._cut_off = [0, 0]  # in wakes cut short: dropped, overwritten
        self._erased = 0  # held readings that went with the memory

    def wake_began(self, gone: tuple[int, int]) -> None:
        """gone: (held readings dropped, readings overwritten) so far."""
        self._at_waking = gone

    def cut_short(self, gone: tuple[int, int]) -> None:
        """The wake was ended from outside."""
        for index, count in enumerate(gone):
            self._cut_off[index] += count - self._at_waking[index]

    def memory_lost(self, erased: int) -> None:
        """erased: held readings that went with it."""
        self._erased += erased
        self._shown = (0, 0, 0)

    def show(self, counters: tuple[int, int, int]) -> bool:
        """What they show at the end of a wake; True when that is something else than before."""
        if counters == self._shown:
            return False
        for index, (before, counter) in enumerate(zip(self._shown, counters, strict=True)):
            # a smaller one has begun anew: retained memory was lost
            self._counted[index] += counter - before if counter >= before else counter
        self._shown = counters
        return True

    def wrong_unstored(self, unstored: int, held_arrived: int) -> str | None:
        """What is wrong with the count of readings dropped, None: nothing.

        held_arrived: those that arrived, and whose PUBACK may have been lost: for all that the node knows they were
        dropped too.
        """
        node = self._counted[1]
        least = unstored - self._erased - self._cut_off[0]
        if least <= node <= unstored + held_arrived or self._shown[1] >= COUNTER_MAX:
            return None
        return f"{unstored} held readings were dropped and the node counted {node}"

    def wrong_overwritten(self, overwritten: int) -> str | None:
        node = self._counted[2]
        if overwritten - self._cut_off[1] <= node <= overwritten:
            return None
        return f"{overwritten} readings were overwritten and the node counted {node}"
