"""Law: a slot is sampled at most once, whatever the time base does, and sleep lasts 1 s to 24 h."""

import pytest
from fake_ports import Board, settings_file
from hypothesis import given, settings
from hypothesis import strategies as st
from torpor import messages, retained, schedule
from torpor.settings import within

INTERVALS = st.sampled_from([10, 60, 599, 600, 3600, 86400])


@given(st.integers(0, 2**32), INTERVALS)
def test_a_slot_is_the_nearest_multiple(time_s, every_s):
    slot = schedule.slot_of(time_s, every_s)
    assert abs(time_s - slot * every_s) <= every_s / 2
    assert schedule.slot_of(slot * every_s, every_s) == slot


@given(st.integers(0, 2**32 - 1), st.integers(-3, 3), INTERVALS)
def test_the_next_slot_is_neither_stored_nor_past(time_s, ahead, every_s):
    last_slot = max(0, schedule.slot_of(time_s, every_s) + ahead)
    wait_s = schedule.until_next_slot_s(time_s, last_slot, every_s)
    assert wait_s >= 1
    due = schedule.slot_of(time_s + wait_s, every_s)
    assert due > last_slot
    assert (time_s + wait_s) % every_s == 0
    assert not schedule.is_early(time_s + wait_s, every_s)
    # no slot lies between
    assert due == max(last_slot + 1, time_s // every_s + 1)


@given(st.integers(-(2**40), 2**40), st.integers(-200000, 200000))
def test_sleep_lasts_between_a_second_and_a_day(want_s, timer_ppm):
    asked_s = schedule.ask_timer_s(want_s, timer_ppm)
    assert 1 <= asked_s <= 86400
    if 10 < want_s < 60000:
        assert abs(asked_s * (1 + timer_ppm / 1e6) - want_s) <= 0.7


def test_early_is_more_than_three_seconds_ahead():
    assert schedule.is_early(6000 - 4, 600)
    assert not schedule.is_early(6000 - 3, 600)
    assert not schedule.is_early(6000, 600)
    assert not schedule.is_early(6299, 600)
    assert schedule.is_early(6300, 600)


def test_misses():
    assert schedule.missed_between(retained.NO_SLOT, 5) == 0
    assert schedule.missed_between(4, 5) == 0
    assert schedule.missed_between(4, 8) == 3
    assert schedule.missed_between(9, 8) == 0


@given(st.integers(2000, 2**31), INTERVALS, INTERVALS, st.integers(-3, 5000))
def test_a_new_interval_samples_no_slot_twice_and_misses_none_that_was_not_due(
    taken_s, every_s, new_every_s, later_s
):
    last_slot = schedule.slot_of(taken_s, every_s)
    now_s = last_slot * every_s + later_s
    number = schedule.renumber(last_slot, every_s, new_every_s, now_s)
    if every_s == new_every_s:
        assert number == last_slot
        return
    assert number >= schedule.slot_of(last_slot * every_s, new_every_s)
    following_s = now_s + schedule.until_next_slot_s(now_s, number, new_every_s)
    assert schedule.missed_between(number, schedule.slot_of(following_s, new_every_s)) == 0
    assert following_s - now_s <= 2 * new_every_s + 3


@pytest.mark.parametrize(("since_s", "wait_s"), [(0, 1), (2, 1), (3, 597), (599, 1)])
def test_a_slot_that_has_just_begun_may_be_late_rather_than_missed(since_s, wait_s):
    now_s = 10 * 600 + since_s
    assert schedule.until_next_slot_s(now_s, 9, 600, schedule.LATE_S) == wait_s
    assert schedule.until_next_slot_s(now_s, 10, 600, schedule.LATE_S) == 600 - since_s
    assert schedule.until_next_slot_s(now_s, retained.NO_SLOT, 600) == 600 - since_s


def test_no_slot_stays_none():
    assert schedule.renumber(retained.NO_SLOT, 600, 60, 10**9) == retained.NO_SLOT


def seconds_off(timer_ppm, error_ppm, want_s, phase):
    asked_s = schedule.ask_timer_s(want_s, timer_ppm)
    slept = asked_s * (1 + error_ppm / 1e6) + phase
    return asked_s, int(slept), slept - want_s


@pytest.mark.parametrize("error_ppm", [-50000, -20000, -300, 0, 300, 20000, 50000])
@pytest.mark.parametrize("want_s", [64, 600, 3600, 80000])
def test_the_sleep_timer_is_learned_and_does_not_swing(error_ppm, want_s):
    timer_ppm = 0
    phase = 0.0
    late_s = []
    for sleep in range(200):
        # whole seconds of an RTC: the begin of the sleep lies anywhere in one
        phase = (phase + 0.377) % 1.0
        asked_s, slept_s, off_s = seconds_off(timer_ppm, error_ppm, want_s, phase)
        timer_ppm = schedule.learn_timer_ppm(timer_ppm, asked_s, slept_s)
        late_s.append(off_s)
        # whole seconds can show this much of an error that is not there
        slack_ppm = 2100000 // want_s + 10
        if sleep >= 12:
            assert abs(timer_ppm - error_ppm) <= slack_ppm
    # a wake counts as early beyond 3 s
    assert all(abs(off_s) <= 3.0 for off_s in late_s[30:])


def test_it_takes_a_handful_of_sleeps_to_learn_a_bad_timer():
    timer_ppm = 0
    sleeps = 0
    while abs(seconds_off(timer_ppm, -50000, 600, 0)[2]) > 3:
        asked_s, slept_s, _ = seconds_off(timer_ppm, -50000, 600, 0)
        timer_ppm = schedule.learn_timer_ppm(timer_ppm, asked_s, slept_s)
        sleeps += 1
    assert sleeps <= 6


@pytest.mark.parametrize("slept_s", [0, -5, 100, 479, 721, 10**6])
def test_what_no_timer_does_is_not_learned_from(slept_s):
    assert schedule.learn_timer_ppm(1234, 600, slept_s) == 1234


def test_short_sleeps_teach_nothing():
    assert schedule.learn_timer_ppm(7, 59, 62) == 7


# --- whole wakes ---------------------------------------------------------------------------------------------------


class Watch:
    """Sees each reading at its true time, and counts slots and misses by itself."""

    def __init__(self, board, every_s):
        self.board = board
        self.every_s = every_s
        self.last = None
        self.missed = 0
        self.taken = 0

    def wake(self):
        asked_s = self.board.wake()
        assert self.board.traces == []
        if any(event[0] in ("stored", "held") for event in self.board.events):
            self.reading(self.board.read_s)
        return asked_s

    def reading(self, true_s):
        slot = int(true_s / self.every_s + 0.5)
        if self.last is not None:
            assert slot > self.last, "a slot was sampled twice"
            self.missed += slot - self.last - 1
        self.last = slot
        self.taken += 1

    def change(self, new_every_s):
        true_s = self.board.true_s()
        self.last = max(int(self.last * self.every_s / new_every_s + 0.5), int(true_s // new_every_s))
        self.every_s = new_every_s


def synchronised_board(rate_ppm=0.0, timer_ppm=0.0, sample_s=600):
    board = Board(settings_file(sample_s=sample_s), rate_ppm=rate_ppm)
    board.timer_ppm = timer_ppm
    board.behaviours = {"one.example": "good"}
    board.join = lambda network: None
    return board


def counted(board):
    return retained.Retained(board.retained)


steps = st.lists(
    st.one_of(
        st.just(("sleep", 1.0)),
        st.tuples(st.just("early"), st.floats(0.01, 0.99)),
        st.tuples(st.just("overslept"), st.integers(1, 20)),
        st.tuples(st.just("rc"), st.integers(-50000, 50000)),
        st.tuples(st.just("interval"), st.sampled_from([60, 300, 600, 900, 3600])),
        st.just(("no network", 0)),
        st.just(("network", 0)),
    ),
    min_size=5,
    max_size=60,
)


@settings(max_examples=60, deadline=None)
@given(steps, st.integers(-100, 100))
def test_every_slot_is_one_reading_or_one_counted_miss(steps, rate_ppm):
    board = synchronised_board(rate_ppm)
    watch = Watch(board, 600)
    asked_s = watch.wake()
    remote_id = 0
    for kind, value in steps:
        share = 1.0
        if kind == "early":
            share = value
        elif kind == "overslept":
            # the board lay in its reset: so many slots go by
            board.now_ms += value * watch.every_s * 1000 + 7000
        elif kind == "rc":
            board.timer_ppm = value
        elif kind == "network":
            board.join = lambda network: None
        elif kind == "no network":
            board.join = None
        elif kind == "interval" and value != watch.every_s and 15 < board.true_s() % value < value - 15:
            remote_id += 1
            old_every_s = watch.every_s
            watch.change(value)
            asked_s = schedule.until_next_slot_s(int(board.true_s()), watch.last, value)
            change_interval(board, remote_id, old_every_s, value, asked_s)
        board.sleep(asked_s, share, reason="timer")
        if kind == "overslept":
            board.cause = "pin"
        asked_s = watch.wake()
    assert counted(board).missed == watch.missed
    assert watch.taken > 0


def change_interval(board, remote_id, old_every_s, every_s, asked_s):
    """What a settings message does at the end of a session, the sleep that is planned then included."""
    r = counted(board)
    payload = b'{"id":%d,"set":{"sample_every_s":%d}}' % (remote_id, every_s)
    assert messages.remote_settings(payload, r, within)
    r.last_slot = schedule.renumber(r.last_slot, old_every_s, every_s, int(board.true_s()))
    r.asleep_for_s = asked_s
    r.save()


def test_a_first_week_with_a_bad_timer_and_a_bad_clock():
    board = synchronised_board(rate_ppm=-100, timer_ppm=-50000)
    watch = Watch(board, 600)
    asked_s = watch.wake()
    wakes = 0
    while board.now_ms < 7 * 86400 * 1000:
        board.sleep(asked_s)
        asked_s = watch.wake()
        wakes += 1
    assert watch.missed == counted(board).missed == 0
    assert watch.taken >= 7 * 144
    # a wake too early sleeps once more; that must stay rare once the timer is learned
    assert wakes < watch.taken * 1.02 + 10


def test_slots_before_the_first_network_time_are_renumbered_and_not_repeated():
    board = synchronised_board()
    board.join = None
    board.now_ms = 137000
    watch = Watch(board, 600)
    readings = []
    asked_s = board.wake()
    readings.append(board.true_s())
    for _ in range(50):
        board.sleep(asked_s)
        if len(readings) == 30:
            board.join = lambda network: None
        asked_s = board.wake()
        if any(event[0] == "stored" for event in board.events):
            readings.append(board.true_s())
    assert retained.Retained(board.retained).bits & retained.TIME_KNOWN
    for true_s in readings:
        watch.reading(true_s)
    assert counted(board).missed == watch.missed == 0


def test_a_gap_across_a_loss_of_power_and_clock_is_counted_once_the_time_is_known():
    board = synchronised_board()
    watch = Watch(board, 600)
    asked_s = watch.wake()
    for _ in range(3):
        board.sleep(asked_s)
        asked_s = watch.wake()
    assert counted(board).missed == 0
    board.power_cut(rtc_lost=True)
    board.now_ms += 100 * 600 * 1000
    watch.wake()
    assert counted(board).missed == watch.missed == 99


def test_a_gap_across_a_loss_of_power_alone_is_counted_at_once():
    board = synchronised_board()
    watch = Watch(board, 600)
    asked_s = watch.wake()
    for _ in range(3):
        board.sleep(asked_s)
        asked_s = watch.wake()
    board.power_cut()
    board.join = None
    board.now_ms += 100 * 600 * 1000
    watch.wake()
    r = counted(board)
    assert r.bits & retained.TIME_KNOWN
    assert r.missed == watch.missed == 99


@pytest.mark.parametrize("jump_s", [-86400, -700, 900, 100000])
def test_a_clock_that_jumps_samples_no_slot_twice(jump_s):
    board = synchronised_board()
    watch = Watch(board, 600)
    asked_s = watch.wake()
    for wake in range(40):
        if wake == 10:
            board.rtc.jump(jump_s)
        board.sleep(asked_s)
        asked_s = watch.wake()
        assert 1 <= asked_s <= 86400
    # noticed at the next wake, and set right in it
    assert abs(board.rtc.shows() - board.true_s()) < 2
    assert watch.taken == 41
