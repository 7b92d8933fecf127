"""Law: what a node states as the time lies within what it states as the uncertainty, whatever the oscillator does."""

import math
import subprocess
import sys
from pathlib import Path
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from torpor import retained, runs, timekeeping

from hostsim.oscillator import Oscillator

SPEC_PPM = 100
DAY_S = 86400
FIRMWARE = Path(__file__).parents[2] / "firmware"


def diary():
    return retained.Retained(bytearray(256))


class Truth:
    """A true clock beside an RTC of whole seconds. `rate(t_s)` is the RTC's rate in ppm at true second t_s."""

    STEP_S = 3600.0

    def __init__(self, rate, seed=0):
        self.t_s = 1798761600.0
        self._began_s = self.t_s
        self._rate = rate
        self.rtc = 946684800 + Random(seed).random()
        self.draw = Random(seed)

    def let_pass(self, dt_s):
        while dt_s > 0:
            step_s = min(dt_s, self.STEP_S)
            self.rtc += step_s * (1 + self._rate(self.t_s - self._began_s) * 1e-6)
            self.t_s += step_s
            dt_s -= step_s

    def shows(self):
        return math.floor(self.rtc)

    def synchronise(self, r, spec_ppm=SPEC_PPM, delay_ms=400):
        """As timesync does it: at the next edge, by an answer whose ways take unequal parts of delay_ms."""
        until_edge_s = math.floor(self.rtc) + 1 - self.rtc
        self.let_pass(until_edge_s + self.draw.random() * 0.012)
        wrong_ms = (self.draw.random() - 0.5) * delay_ms
        told_ms = round(self.t_s * 1000 + wrong_ms)
        rtc_s = math.floor(self.rtc + 1e-6)
        rest_s = (1500 - told_ms % 1000) % 1000 / 1000
        self.let_pass(rest_s)
        new_rtc_s = (told_ms + round(rest_s * 1000)) // 1000 + 1
        found = timekeeping.synchronise(r, rtc_s, divmod(told_ms, 1000), new_rtc_s, spec_ppm)
        self.rtc = float(new_rtc_s)
        return found

    def check(self, r, spec_ppm=SPEC_PPM, set_at_s=None):
        """The stated time covers the true one, and states no more than is allowed."""
        time_s, uncertainty_s = timekeeping.now(r, self.shows(), spec_ppm)
        assert isinstance(time_s, int)
        assert isinstance(uncertainty_s, int)
        assert abs(time_s - self.t_s) <= uncertainty_s, f"{time_s - self.t_s:.2f} s off, {uncertainty_s} s stated"
        if set_at_s is not None:
            assert uncertainty_s <= 2 + spec_ppm * 1e-6 * (self.t_s - set_at_s) + 0.001
        return uncertainty_s


def synchronised(truth, spec_ppm=SPEC_PPM):
    r = diary()
    timekeeping.begin_run(r, truth.shows(), 1)
    truth.synchronise(r, spec_ppm)
    return r


YARD = [
    pytest.param(lambda t_s: 0.0, id="a perfect clock"),
    pytest.param(lambda t_s: 100.0, id="at the limit, fast"),
    pytest.param(lambda t_s: -100.0, id="at the limit, slow"),
    pytest.param(lambda t_s: 40 * math.sin(t_s / DAY_S * 2 * math.pi), id="day and night"),
    pytest.param(lambda t_s: -20 + 5 * t_s / (365 * DAY_S), id="ageing"),
    pytest.param(lambda t_s: -5 - min(70, max(0, t_s / DAY_S - 150)), id="a summer, and then a hard winter"),
    pytest.param(lambda t_s: 30 + 45 * math.sin(t_s / (365 * DAY_S) * 2 * math.pi), id="summer and winter"),
]


def fork(degc_mean, degc_swing, offset_ppm):
    """A tuning fork in a yard: the year's wave, the day's wave, and its own error."""
    crystal = Oscillator(offset_ppm, 3.0, "crystal")

    def rate(t_s):
        year = math.sin(t_s / (365 * DAY_S) * 2 * math.pi)
        day = math.sin(t_s / DAY_S * 2 * math.pi)
        return crystal.rate_ppm(degc_mean + degc_swing * year + 8 * day, t_s)

    return rate


YARD.append(pytest.param(fork(10, 15, 10.0), id="a tuning fork in the open"))


@pytest.mark.parametrize("rate", YARD)
def test_a_year_of_days(rate):
    truth = Truth(rate)
    r = synchronised(truth)
    for _ in range(365):
        set_at_s = truth.t_s
        for _ in range(12):
            truth.let_pass(DAY_S / 12)
            truth.check(r, set_at_s=set_at_s)
        _, plausible = truth.synchronise(r)
        assert plausible
        r.save()


@pytest.mark.parametrize("rate", YARD)
@pytest.mark.parametrize("learned_days", [0, 1, 2, 3, 30, 150, 250, 300])
def test_sixty_days_without_network_time(rate, learned_days):
    truth = Truth(rate, learned_days)
    r = synchronised(truth)
    for _ in range(learned_days):
        truth.let_pass(DAY_S)
        truth.synchronise(r)
    set_at_s = truth.t_s
    for _ in range(120):
        truth.let_pass(DAY_S / 2)
        truth.check(r, set_at_s=set_at_s)
    _, plausible = truth.synchronise(r)
    assert plausible
    truth.check(r, set_at_s=truth.t_s)


@settings(max_examples=150, deadline=None)
@given(
    st.integers(0, 2**32),
    st.sampled_from([1, 2, 5, 20, 100]),
    st.floats(-1, 1),
    st.lists(st.integers(60, 3 * DAY_S), min_size=1, max_size=12),
    st.integers(0, 400),
)
def test_any_clock_within_its_specification(seed, spec_ppm, share, spans_s, delay_ms):
    truth = Truth(lambda t_s: spec_ppm * share, seed)
    r = synchronised(truth, spec_ppm)
    for span_s in spans_s:
        set_at_s = truth.t_s
        truth.let_pass(span_s / 2)
        truth.check(r, spec_ppm, set_at_s)
        truth.let_pass(span_s / 2)
        truth.check(r, spec_ppm, set_at_s)
        _, plausible = truth.synchronise(r, spec_ppm, delay_ms)
        assert plausible
        r.save()


@pytest.mark.parametrize("seed", range(8))
def test_an_hourly_synchronisation_is_not_mistaken_for_a_measurement_of_the_drift(seed):
    # 0.4 s of unequal ways in an hour look like 110 ppm; 60 days of them would be 570 s
    truth = Truth(lambda t_s: 0.0, seed)
    r = synchronised(truth, 5)
    for _ in range(50):
        truth.let_pass(3600)
        truth.synchronise(r, 5)
    set_at_s = truth.t_s
    truth.let_pass(60 * DAY_S)
    truth.check(r, 5, set_at_s)


def test_a_drift_is_used_only_after_it_was_measured_twice():
    truth = Truth(lambda t_s: 60.0)
    r = synchronised(truth)
    stated = []
    for _ in range(4):
        truth.let_pass(10 * DAY_S)
        stated.append(truth.check(r))
        truth.synchronise(r)
    assert stated[0] == stated[1] == 2 + 86
    assert stated[3] < stated[1] * 2 // 3


def test_the_learned_drift_converges_and_then_stays():
    truth = Truth(lambda t_s: -37.0, 5)
    r = synchronised(truth)
    found = []
    for _ in range(40):
        truth.let_pass(DAY_S)
        truth.synchronise(r)
        found.append(r.drift_ppb)
    # one day's measurement is good to 450 ms, which is 5.2 ppm; a slow clock has a positive drift
    assert all(abs(ppb - 37000) <= 5300 for ppb in found)
    assert abs(sum(found[-10:]) / 10 - 37000) < 1500


def test_the_learned_drift_makes_the_stated_time_better():
    truth = Truth(lambda t_s: 80.0, 6)
    r = synchronised(truth)
    for _ in range(10):
        truth.let_pass(DAY_S)
        truth.synchronise(r)
    truth.let_pass(5 * DAY_S)
    time_s, uncertainty_s = timekeeping.now(r, truth.shows(), SPEC_PPM)
    assert abs(truth.shows() - truth.t_s) > 30
    assert abs(time_s - truth.t_s) < 5
    assert uncertainty_s < 2 + 0.45 * SPEC_PPM * 5 * 0.0864


@settings(max_examples=300, deadline=None)
@given(
    st.integers(0, 2**32),
    st.floats(-0.75, 0.75),
    st.integers(0, 60 * DAY_S),
    st.lists(st.integers(0, 1000), min_size=1, max_size=5),
)
def test_readings_from_before_the_first_synchronisation(seed, share, span_s, marks):
    """Uncertainty in whole seconds below 2 s + the maker's part cannot hold at the last quarter of that part; there
    a reading may be off by 0.22 s more than stated, when all roundings add up. So: three quarters of it."""
    truth = Truth(lambda t_s: SPEC_PPM * share, seed)
    r = diary()
    timekeeping.begin_run(r, truth.shows(), 7)
    began_s = truth.t_s
    readings = []
    at = 0
    for mark in sorted(marks):
        target = span_s * mark // 1000
        truth.let_pass(target - at)
        at = target
        time_s, uncertainty_s = timekeeping.now(r, truth.shows(), SPEC_PPM)
        assert uncertainty_s is None
        readings.append((time_s, truth.t_s))
    truth.let_pass(span_s - at)
    truth.synchronise(r)
    for run_s, true_s in readings:
        time_s, uncertainty_s = timekeeping.resolve(run_s, 7, timekeeping.anchor(r))
        assert abs(time_s - true_s) <= uncertainty_s
        assert uncertainty_s <= 2 + SPEC_PPM * 1e-6 * (truth.t_s - began_s) + 0.001
    first = timekeeping.anchor(r)[1:3]
    truth.let_pass(DAY_S)
    truth.synchronise(r)
    # what was resolved once is never restated
    assert timekeeping.anchor(r)[1:3] == first
    assert timekeeping.resolve(5, 8, timekeeping.anchor(r)) is None


@pytest.mark.parametrize("spec_ppm", [1, 2, 5, 20, 100])
@pytest.mark.parametrize("syncs", [0, 1, 2, 3, 255])
def test_the_uncertainty_never_passes_the_makers_part_and_never_shrinks_with_time(spec_ppm, syncs):
    r = diary()
    timekeeping.begin_run(r, 1000, 1)
    r.syncs, r.drift_ppb, r.residual_10ppb = syncs, spec_ppm * 700, 300
    before = 0
    for since_s in range(0, 200 * DAY_S, 7200):
        stated_s = timekeeping.uncertainty_s(r, since_s, spec_ppm)
        assert before <= stated_s <= 2 + spec_ppm * since_s / 1e6
        before = stated_s
    assert timekeeping.uncertainty_s(r, 2**32, 100) == 65534


def test_time_never_runs_backwards_between_two_synchronisations():
    truth = Truth(lambda t_s: -90.0)
    r = synchronised(truth)
    for _ in range(5):
        truth.let_pass(DAY_S)
        truth.synchronise(r)
    before_s = 0
    for rtc_s in range(truth.shows(), truth.shows() + 200 * DAY_S, 997):
        time_s = timekeeping.now(r, rtc_s, SPEC_PPM)[0]
        assert time_s > before_s
        before_s = time_s


@pytest.mark.parametrize("seconds", [-400 * DAY_S, -DAY_S, -60, 60, DAY_S, 400 * DAY_S])
def test_a_clock_that_was_set_elsewhere_is_reported_and_comes_right(seconds):
    truth = Truth(lambda t_s: 20.0)
    r = synchronised(truth)
    for _ in range(5):
        truth.let_pass(DAY_S)
        truth.synchronise(r)
    drift_ppb = r.drift_ppb
    truth.let_pass(DAY_S)
    truth.rtc += seconds
    step_s, plausible = truth.synchronise(r)
    assert not plausible
    assert abs(step_s + seconds) <= 4
    assert r.drift_ppb == drift_ppb  # nothing was learned from a jump
    r.save()
    set_at_s = truth.t_s
    truth.let_pass(10 * DAY_S)
    truth.check(r, set_at_s=set_at_s)


JUMPS = [
    (600, 0, False),
    (600, 300, False),  # woken early
    (600, 810, False),
    (600, 811, True),
    (600, -1, True),
    (600, 10**9, True),
    (86400, 90000, False),
    (1, 61, False),
]


@pytest.mark.parametrize(("asked_s", "slept_s", "expected"), JUMPS)
def test_jumps(asked_s, slept_s, expected):
    r = diary()
    r.asleep_for_s, r.asleep_rtc_s = asked_s, 10**9
    assert timekeeping.jumped(r, 10**9 + slept_s) is expected
    # a board that was reset may have lain still for long; a clock that went back, or years ahead, is wrong anyway
    assert timekeeping.jumped(r, 10**9 + slept_s, False) is (slept_s < 0 or slept_s > 366 * 86400)


@pytest.mark.parametrize(
    ("asked_s", "slept_s", "stands"), [(600, 0, True), (600, 1, False), (5, 0, True), (4, 0, False)]
)
def test_a_clock_that_did_not_move_while_the_timer_ran_stands_still(asked_s, slept_s, stands):
    r = diary()
    r.asleep_for_s, r.asleep_rtc_s = asked_s, 10**9
    assert timekeeping.jumped(r, 10**9 + slept_s, True, True) is stands
    # a button comes at any time, and a reset
    assert not timekeeping.jumped(r, 10**9 + slept_s, True, False)
    assert not timekeeping.jumped(r, 10**9 + slept_s, False, False)


def test_no_sleep_explains_nothing():
    assert not timekeeping.jumped(diary(), 5)


@pytest.mark.parametrize("asked_s", [0, 600])
@pytest.mark.parametrize("rtc_s", [1, 946684900, 1800000000, timekeeping.RTC_S_MAX])
def test_no_rtc_goes_on_from_where_it_could_not_be_reached(asked_s, rtc_s):
    r = diary()
    r.asleep_for_s, r.asleep_rtc_s = asked_s, runs.NOWHERE_S
    assert timekeeping.jumped(r, rtc_s)
    assert timekeeping.jumped(r, rtc_s, False)


def test_a_time_is_used_up_when_a_record_could_not_say_how_unsure_it_is():
    r = diary()
    timekeeping.begin_run(r, 1800000000, 1)
    assert not timekeeping.is_used_up(r, 1900000000, 65000)
    r.bits |= retained.TIME_KNOWN
    r.synced_s = 1800000000
    last_s = next(s for s in range(1800000000, 1900000000, 600) if timekeeping.is_used_up(r, s, 65000)) - 600
    # 65534 s of doubt at 6.5 %
    assert 11.5 * 86400 < last_s - r.synced_s < 12.5 * 86400
    assert timekeeping.now(r, last_s, 65000)[1] < 65534 == timekeeping.now(r, last_s + 600, 65000)[1]
    assert not timekeeping.is_used_up(r, r.synced_s + 20 * 366 * 86400, 100)


SYNCED_S, NEWEST_S = 1800000000, 1800050000


@pytest.mark.parametrize(
    ("rtc_s", "synced_s", "newest_uncertainty_s", "trusted"),
    [
        (NEWEST_S + 10, SYNCED_S, 7, True),
        (NEWEST_S - 7, SYNCED_S, 7, True),
        (NEWEST_S - 8, SYNCED_S, 7, False),
        (NEWEST_S + 10, 0, 7, False),
        (SYNCED_S - 1, SYNCED_S, 65000, False),
        (946684800, SYNCED_S, 7, False),
        (NEWEST_S + 367 * 86400, SYNCED_S, 7, False),
        (4000000000, SYNCED_S, 7, False),  # 70 years: the uncertainty has no room
    ],
)
def test_which_rtc_is_trusted_after_a_loss_of_retained_memory(rtc_s, synced_s, newest_uncertainty_s, trusted):
    r = diary()
    timekeeping.begin_run(r, rtc_s, 3)
    assert timekeeping.trust_rtc(r, rtc_s, synced_s, NEWEST_S, newest_uncertainty_s, SPEC_PPM) is trusted
    assert timekeeping.known(r) is trusted
    r.save()
    if trusted:
        time_s, uncertainty_s = timekeeping.now(r, rtc_s, SPEC_PPM)
        assert (time_s, uncertainty_s) == (rtc_s, 2 + SPEC_PPM * (rtc_s - SYNCED_S) // 10**6)


def test_the_first_synchronisation_after_a_trusted_start_teaches_nothing():
    # the RTC may have been set after the newest reading was stored
    r = diary()
    timekeeping.begin_run(r, NEWEST_S, 3)
    timekeeping.trust_rtc(r, NEWEST_S, SYNCED_S, NEWEST_S, 7, SPEC_PPM)
    timekeeping.synchronise(r, NEWEST_S + 100000, (NEWEST_S + 100005, 0), NEWEST_S + 100006, SPEC_PPM)
    assert (r.syncs, r.drift_ppb) == (1, 0)


@pytest.mark.parametrize("rtc_s", [None, -1, 0, -(2**40), 0xF0000001, 2**32, 2**62])
def test_rubbish_is_nothing_to_count_on(rtc_s):
    assert not timekeeping.countable(rtc_s)


@pytest.mark.parametrize("rtc_s", [1, 946684800, 2**31, 0xF0000000])
def test_every_countable_clock_fits_into_the_diary(rtc_s):
    assert timekeeping.countable(rtc_s)
    r = diary()
    timekeeping.begin_run(r, rtc_s, 65535)
    r.save()
    for true_s in (1793491200, 2424000000):
        timekeeping.synchronise(r, rtc_s + 3, (true_s, 999), true_s + 1, SPEC_PPM)
        r.save()
        timekeeping.synchronise(r, true_s, (true_s, 0), true_s + 1, SPEC_PPM)
        r.save()
        timekeeping.begin_run(r, rtc_s, r.run + 1)
        assert r.run > 0


def test_runs_count_past_the_end_without_a_zero():
    r = diary()
    timekeeping.begin_run(r, 5, 65536)
    assert r.run == 1


VM = """
from torpor import retained, timekeeping, schedule, backoff
r = retained.Retained(bytearray(256))
timekeeping.begin_run(r, 946684800, 1)
out = []
rtc, true = 946684800, 1798761600000
for day in range(40):
    rtc += 86400 - 3
    true += 86400000 + 11
    step, plausible = timekeeping.synchronise(r, rtc, (true // 1000, true % 1000), true // 1000 + 1, 100)
    rtc = true // 1000 + 1
    r.save()
    for later in (600, 86400, 60 * 86400):
        out.append(timekeeping.now(r, rtc + later, 100))
    out.append((step, plausible, r.drift_ppb, r.residual_10ppb, r.syncs))
ppm = 0
for slept in (630, 631, 629, 600, 570, 630):
    ppm = schedule.learn_timer_ppm(ppm, 600, slept)
    out.append((ppm, schedule.ask_timer_s(86400, ppm), backoff.wait_s(9, 600, 21600, 0xFFFFFFFF - slept)))
print(out)
"""


def test_the_real_micropython_computes_the_same():
    vm = Path(sys.executable).parent / "micropython"
    if not vm.exists():
        pytest.skip("no micropython here")
    found = subprocess.run(
        [vm, "-X", "heapsize=512k", "-c", VM],
        env={"MICROPYPATH": str(FIRMWARE)},
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert found.stderr == ""
    here = subprocess.run(
        [sys.executable, "-c", VM], env={"PYTHONPATH": str(FIRMWARE)}, capture_output=True, text=True, timeout=60
    )
    assert found.stdout == here.stdout
    assert len(found.stdout) > 1000
