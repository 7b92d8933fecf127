"""Figures over time. Law: their size depends on the number of bins, never on that of readings."""

import pytest

from hostsim.tally import BINS_MAX, DELAY_EDGES_S, Tally, bin_s_for

DAY_MS = 86_400_000


@pytest.mark.parametrize(
    ("days", "bin_s"),
    [(0.01, 3600), (16, 3600), (16.1, 86400), (365, 86400), (400, 86400), (401, 172800), (3660, 864000)],
)
def test_bins_are_whole_days_and_not_too_many(days, bin_s):
    assert bin_s_for(days) == bin_s
    assert -(-int(days * 86400) // bin_s) <= BINS_MAX


def test_waiting_is_what_is_neither_delivered_nor_gone():
    tally = Tally(4, 86400)
    for _ in range(5):
        tally.stored(0)
    tally.delivered(DAY_MS, DAY_MS)
    tally.gone(2 * DAY_MS, 3)
    assert tally.waiting() == [5, 4, 1, 1]


def test_what_comes_after_the_end_falls_into_the_last_bin():
    tally = Tally(2, 86400)
    tally.stored(2 * DAY_MS + 1)
    tally.missed(9 * DAY_MS, 2)
    assert tally.stored_by_bin == [0, 1]
    assert tally.missed_by_bin == [0, 2]


@pytest.mark.parametrize(("delay_s", "place"), [(0, 0), (59.9, 0), (60, 1), (3600, 5), (10**8, 13)])
def test_a_delay_has_its_bin(delay_s, place):
    tally = Tally(1, 86400)
    tally.delivered(0, int(delay_s * 1000))
    assert tally.delays.index(1) == place
    assert len(tally.delays) == len(DELAY_EDGES_S) - 1


def test_extremes_and_means_of_a_bin():
    tally = Tally(2, 86400)
    for degc in (3.0, -2.0, 8.0):
        tally.wake(0, degc, 50.0, 0.9, 3900)
    assert (tally.degc_min[0], tally.degc_max[0], tally.degc_mean()[0]) == (-2.0, 8.0, 3.0)
    assert tally.degc_mean()[1] is None
    assert tally.humidity_mean() == [50.0, None]


def test_quantiles_are_reached_by_their_share():
    tally = Tally(1, 86400)
    assert tally.stated_s(0.5) is None
    for stated_s in range(1, 101):
        tally.time(stated_s, stated_s / 10)
    assert (tally.stated_s(0.5), tally.stated_s(0.95), tally.stated_s(1.0)) == (50, 95, 100)
    assert tally.off_s(0.5) == pytest.approx(5.0, abs=0.11)


def test_a_time_that_is_wildly_off_is_not_hidden():
    tally = Tally(1, 86400)
    tally.time(2, 10**6)
    assert tally.off_s(0.5) > 600


def test_size_does_not_grow_with_readings():
    tally = Tally(3, 86400)

    def size():
        return sum(len(value) for value in vars(tally).values() if hasattr(value, "__len__"))

    tally.time(2, 0.1)
    before = size()
    for n in range(1000):
        tally.stored(n)
        tally.delivered(n, n)
        tally.time(2, n)
        tally.wake(n, 1.0, 2.0, 0.5, 3800)
    assert size() == before
