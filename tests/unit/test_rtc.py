"""Clock chip and sleep timer. Law: what the clock shows follows from its oscillator alone."""

import pytest

from hostsim.oscillator import Oscillator
from hostsim.rtc import Clock, sleep_ms

DAY_MS = 86_400_000


def clock(offset_ppm=0.0, **more):
    found = Clock(Oscillator(offset_ppm=offset_ppm, kind="compensated", **more))
    found.let_pass(0, 25.0)
    return found


def test_it_shows_nothing_until_it_is_set_and_nothing_after_it_stopped():
    chip = clock()
    chip.let_pass(DAY_MS, 25.0)
    assert chip.shows(DAY_MS) is None
    chip.set(DAY_MS, 1000)
    assert chip.shows(DAY_MS) == 1000
    chip.stop()
    assert chip.shows(DAY_MS + 5000) is None
    chip.let_pass(2 * DAY_MS, 25.0)
    assert chip.shows(2 * DAY_MS) is None


def test_it_shows_whole_seconds_from_the_moment_it_was_set():
    chip = clock()
    chip.set(300, 1000)
    assert [chip.shows(300 + ms) for ms in (0, 999, 1001, 2001)] == [1000, 1000, 1001, 1002]


@pytest.mark.parametrize("ppm", [-20, -3, 0, 3, 20])
def test_it_gains_what_its_oscillator_gains(ppm):
    chip = clock(ppm)
    chip.set(0, 0)
    for day in range(1, 101):
        chip.let_pass(day * DAY_MS, 25.0)
    # 1 ppm is 0.0864 s a day
    assert chip.shows(100 * DAY_MS) == pytest.approx(100 * 86400 + ppm * 8.64, abs=1)


def test_steps_of_any_length_give_the_same_time():
    one, many = clock(11), clock(11)
    for chip in (one, many):
        chip.set(0, 0)
    one.let_pass(30 * DAY_MS, 25.0)
    for hour in range(1, 721):
        many.let_pass(hour * 3_600_000, 25.0)
    assert one.shows(30 * DAY_MS + 500) == many.shows(30 * DAY_MS + 500)


def test_setting_it_does_not_mend_its_rate():
    chip = clock(100)
    chip.set(0, 0)
    chip.let_pass(DAY_MS, 25.0)
    chip.set(DAY_MS, 86400)
    chip.let_pass(2 * DAY_MS, 25.0)
    assert chip.shows(2 * DAY_MS) - 2 * 86400 == 8


@pytest.mark.parametrize(("ppm", "lasts_ms"), [(0, 600_000), (50_000, 571_428), (-50_000, 631_578)])
def test_a_fast_timer_wakes_early(ppm, lasts_ms):
    assert sleep_ms(Oscillator(offset_ppm=ppm, kind="rc"), 600, 0, 25.0) == lasts_ms
