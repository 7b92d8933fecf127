"""Figures over time for the report. Law: their size depends on the number of bins, never on that of readings."""

from bisect import bisect_right

BINS_MAX = 400
DELAY_EDGES_S = (0, 60, 300, 600, 1800, 3600, 7200, 14400, 43200, 86400, 172800, 345600, 691200, 1382400, 10**9)
OFF_STEP_S = 0.1
OFF_STEPS = 6000


def bin_s_for(days: float) -> int:
    """Whole days a bin, so many that there are at most BINS_MAX; hours for a rehearsal of a few days."""
    if days <= 16:
        return 3600
    return 86400 * max(1, -(-int(days + 0.999) // BINS_MAX))


class Tally:
    """Counts of one node, by bins of `bin_s` seconds."""

    def __init__(self, bins: int, bin_s: int):
        self._bin_ms = bin_s * 1000
        self.bins = bins
        self.stored_by_bin = [0] * bins
        self.delivered_by_bin = [0] * bins
        self.missed_by_bin = [0] * bins
        self._gone_by_bin = [0] * bins
        self.degc_min = [None] * bins
        self.degc_max = [None] * bins
        self._degc_sum = [0.0] * bins
        self._humidity_sum = [0.0] * bins
        self._wakes = [0] * bins
        self.charge_left = [None] * bins
        self.battery_mv = [None] * bins
        self.delays = [0] * (len(DELAY_EDGES_S) - 1)
        self.delay_ms_total = 0
        self.stated: dict[int, int] = {}
        self._off = [0] * (OFF_STEPS + 1)
        self.tried = self.accepted = 0

    def _bin(self, t_ms: int) -> int:
        place = t_ms // self._bin_ms
        return place if place < self.bins else self.bins - 1

    def stored(self, t_ms: int) -> None:
        self.stored_by_bin[self._bin(t_ms)] += 1

    def delivered(self, t_ms: int, delay_ms: int) -> None:
        self.delivered_by_bin[self._bin(t_ms)] += 1
        self.delays[bisect_right(DELAY_EDGES_S, delay_ms / 1000) - 1] += 1
        self.delay_ms_total += delay_ms

    def gone(self, t_ms: int, readings: int) -> None:
        """Readings that were never delivered are in no ring and no memory any more."""
        self._gone_by_bin[self._bin(t_ms)] += readings

    def missed(self, t_ms: int, slots: int) -> None:
        self.missed_by_bin[self._bin(t_ms)] += slots

    def time(self, stated_s: int, off_s: float) -> None:
        self.stated[stated_s] = self.stated.get(stated_s, 0) + 1
        self._off[min(OFF_STEPS, int(off_s / OFF_STEP_S))] += 1

    def wake(self, t_ms: int, degc: float, humidity: float, charge_left: float, battery_mv: int) -> None:
        place = self._bin(t_ms)
        low = self.degc_min[place]
        if low is None:
            self.degc_min[place] = self.degc_max[place] = degc
        elif degc < low:
            self.degc_min[place] = degc
        elif degc > self.degc_max[place]:
            self.degc_max[place] = degc
        self._degc_sum[place] += degc
        self._humidity_sum[place] += humidity
        self._wakes[place] += 1
        self.charge_left[place] = charge_left
        self.battery_mv[place] = battery_mv

    def _mean(self, sums) -> list[float | None]:
        return [total / count if count else None for total, count in zip(sums, self._wakes, strict=True)]

    def degc_mean(self) -> list[float | None]:
        return self._mean(self._degc_sum)

    def humidity_mean(self) -> list[float | None]:
        return self._mean(self._humidity_sum)

    def waiting(self) -> list[int]:
        """Stored, not delivered and not gone at the end of each bin."""
        found = []
        waiting = 0
        for stored, delivered, gone in zip(self.stored_by_bin, self.delivered_by_bin, self._gone_by_bin, strict=True):
            waiting += stored - delivered - gone
            found.append(waiting)
        return found

    def stated_s(self, share: float) -> float | None:
        """The stated uncertainty that this share of the delivered readings does not exceed."""
        return _quantile(sorted(self.stated.items()), share)

    def off_s(self, share: float) -> float | None:
        """The same for how far off the stated time really was."""
        return _quantile([((i + 1) * OFF_STEP_S, n) for i, n in enumerate(self._off) if n], share)


def _quantile(counted, share: float) -> float | None:
    total = sum(count for _, count in counted)
    so_far = 0
    for value, count in counted:
        so_far += count
        if so_far >= share * total:
            return round(float(value), 3)
    return None
