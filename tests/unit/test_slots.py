"""Slots. Law: a slot is one reading or one miss, and a miss has a reason."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hostsim.slots import LONG_WAKES_MAX, Slots

START_S = 1_800_000_000


def lived(every_s=600, known=True, start_s=START_S):
    slots = Slots(every_s, start_s)
    if known:
        slots.clock_known(0)
    return slots


def wake(slots, at_s, take=True, awake_s=1, excuse=None):
    """One wake at `at_s`; returns what is wrong with its reading."""
    slots.wake_began(int(at_s * 1000))
    fact = slots.taken(int(at_s * 1000) + 500) if take else None
    slots.wake_ended(int((at_s + awake_s) * 1000), excuse)
    return fact


def counted(slots):
    return slots.due, slots.missed


@pytest.mark.parametrize("every_s", [10, 60, 600, 86400])
def test_one_reading_a_slot(every_s):
    slots = lived(every_s)
    assert [wake(slots, n * every_s) for n in range(20)] == [None] * 20
    assert counted(slots) == (20, 0)
    assert slots.finish(19 * every_s * 1000 + 30_000, None) is None
    assert counted(slots) == (20, 0)


@pytest.mark.parametrize(("late_s", "twice"), [(299, True), (294, True), (296, False), (301, False)])
def test_a_reading_belongs_to_the_nearest_slot_and_near_the_middle_to_either(late_s, twice):
    slots = lived()
    wake(slots, 0)
    assert (wake(slots, late_s - 0.5) is not None) == (twice and late_s < 295)


def test_twice_within_a_short_interval_is_found_soon():
    slots = lived(10)
    assert [wake(slots, 5 * n) is None for n in range(8)].count(False) >= 3


def test_the_same_measurement_twice_is_one():
    slots = lived()
    wake(slots, 0)
    assert slots.taken(500) is None
    assert counted(slots) == (1, 0)


def test_asleep_through_a_slot_is_no_reason():
    slots = lived()
    wake(slots, 0)
    assert "2 due slots" in wake(slots, 1800)
    assert counted(slots) == (4, 2)


@pytest.mark.parametrize(("taken_s", "fine"), [(298, True), (280, False)])
def test_near_the_middle_between_two_slots_the_clock_that_becomes_known_may_say_either(taken_s, fine):
    slots = Slots(600, START_S, lambda t_ms: 0.0)
    slots.wake_began(taken_s * 1000)
    assert slots.taken(taken_s * 1000) is None
    slots.clock_known(taken_s * 1000 + 3000)
    slots.wake_ended(taken_s * 1000 + 5000, None)
    assert (wake(slots, 1200) is None) == fine
    assert "due slots" in wake(slots, 2400)


@pytest.mark.parametrize(("awake_s", "fine"), [(601, True), (599, False)])
def test_awake_across_the_beginning_of_a_slot_is_a_reason(awake_s, fine):
    slots = lived()
    wake(slots, 0, awake_s=awake_s)
    assert (wake(slots, 1200) is None) == fine
    assert counted(slots) == (3, 1)


def test_a_wake_for_the_slot_itself_is_no_reason():
    slots = lived()
    wake(slots, 0)
    wake(slots, 599, take=False, awake_s=5)
    assert wake(slots, 1200) is not None


def test_the_wake_in_which_the_reading_comes_late_is_a_reason_too():
    slots = lived(10)
    wake(slots, 0)
    slots.wake_began(10_000)
    assert slots.taken(70_000) is None
    assert wake(slots, 80) is None
    assert counted(slots) == (9, 6)


@pytest.mark.parametrize("late_s", [8.0, 20.0, 25.0])
def test_slow_sensors_take_no_other_slot(late_s):
    """Each of them late by most of an interval, after a gap whose end is unclear, then prompt again."""
    slots = lived(30)
    wake(slots, 0, excuse="a reset")
    for n in range(10, 20):
        slots.wake_began(n * 30_000)
        assert slots.taken(n * 30_000 + int(late_s * 1000)) is None
        slots.wake_ended(n * 30_000 + int(late_s * 1000) + 100, None)
    assert wake(slots, 600) is None
    assert "twice" in wake(slots, 603)
    assert slots.due - slots.missed == 12
    slots.node_counts(9)
    assert slots.finish(610_000, None) is None


def test_a_long_wake_counts_after_a_short_one():
    slots = lived()
    wake(slots, 0, awake_s=610)
    wake(slots, 620, take=False)
    assert wake(slots, 1200) is None


def test_long_wakes_are_not_remembered_without_limit():
    slots = lived(10)
    for n in range(10 * LONG_WAKES_MAX):
        wake(slots, 20 * n, take=False, awake_s=15)
    assert len(slots._long_wakes) == LONG_WAKES_MAX


def test_an_excuse_holds_until_the_next_wake_ends():
    slots = lived()
    wake(slots, 0, excuse="a reset")
    assert wake(slots, 1800) is None
    assert wake(slots, 3600) is not None


def test_a_first_wake_without_a_reading_leaves_its_slot_behind():
    slots = lived()
    wake(slots, 0, take=False)
    assert wake(slots, 600) is not None
    assert counted(slots) == (2, 1)


def test_a_weak_start_is_not_held_against_it():
    slots = lived()
    wake(slots, 0, take=False, excuse="the battery")
    wake(slots, 600, take=False, excuse="the battery")
    assert wake(slots, 1200) is None
    assert counted(slots) == (1, 0)


# --- while the time is not known ------------------------------------------------------------------------------------


def test_slots_count_from_where_the_clock_began_to_count():
    slots = lived(known=False, start_s=START_S + 250)
    assert [wake(slots, n * 600) for n in range(4)] == [None] * 4
    slots.clock_known(1_900_000)
    # UTC puts the slots 250 s earlier, so that the next one comes 350 s after the last
    assert wake(slots, 2150) is None
    assert counted(slots) == (5, 0)


def test_a_gap_across_a_lost_clock_is_counted_once_the_time_is_known():
    slots = lived()
    wake(slots, 0)
    slots.clock_lost(3_000_000)
    wake(slots, 3000)
    assert counted(slots) == (2, 0)
    slots.clock_known(3_100_000)
    assert counted(slots) == (6, 4)


def test_a_gap_across_a_lost_clock_is_counted_at_the_end_at_the_latest():
    slots = lived()
    wake(slots, 0)
    slots.clock_lost(3_000_000)
    wake(slots, 3000)
    assert slots.finish(3_030_000, None) is None
    assert counted(slots) == (6, 4)


def test_after_a_lost_clock_a_wake_must_sample_at_once():
    slots = lived()
    wake(slots, 0)
    slots.clock_lost(600_000)
    wake(slots, 600, take=False)
    assert wake(slots, 1200) is not None


# --- the end --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("end_s", "missing"), [(659, 0), (661, 1), (1261, 2)])
def test_the_last_slots_are_due_too(end_s, missing):
    slots = lived()
    wake(slots, 0)
    assert (slots.finish(end_s * 1000, None) is None) == (missing == 0)
    assert counted(slots) == (1 + missing, missing)


@pytest.mark.parametrize("excuse", ["the battery is empty", None])
def test_nothing_was_ever_taken(excuse):
    slots = lived()
    wake(slots, 0, take=False)
    assert (slots.finish(1_300_000, excuse) is None) == (excuse is not None)
    assert counted(slots) == (3, 3)


@pytest.mark.parametrize(
    ("counters", "fine"), [([1], True), ([0], False), ([2], False), ([1, 0], True), ([1, 0, 1], False)]
)
def test_the_nodes_count_is_compared_across_a_new_beginning(counters, fine):
    slots = lived()
    wake(slots, 0, excuse="a reset")
    wake(slots, 1200)
    for counter in counters:
        slots.node_counts(counter)
    assert (slots.finish(1_230_000, None) is None) == fine


@given(st.lists(st.tuples(st.integers(1, 4), st.booleans()), max_size=30))
def test_due_is_taken_and_missed(steps):
    slots = lived()
    n = taken = 0
    wake(slots, 0)
    for jump, excused in steps:
        n += jump
        fact = wake(slots, n * 600, excuse="a reset" if excused else None)
        taken += 1
        assert fact is None or jump > 1
    assert slots.due == n + 1
    assert slots.missed == n + 1 - (taken + 1)


# --- a clock that may be off ----------------------------------------------------------------------------------------


def drifting(drift_s, every_s=600):
    slots = Slots(every_s, START_S, lambda t_ms: drift_s)
    slots.clock_known(0)
    return slots


def test_as_far_as_the_clock_may_be_off_a_reading_counts_for_the_next_slot():
    slots = drifting(400)
    assert [wake(slots, n * 600 - 60 * min(n, 5)) for n in range(12)] == [None] * 12
    assert counted(slots) == (12, 0)
    slots = drifting(400)
    assert [wake(slots, n * 600 + 60 * min(n, 5)) for n in range(12)] == [None] * 12
    assert counted(slots) == (12, 0)


def test_but_no_further():
    slots = drifting(400)
    assert [wake(slots, n * 500) is None for n in range(12)].count(False) > 0
    slots = drifting(400)
    assert [wake(slots, n * 700) is None for n in range(12)].count(False) > 0


def test_once_the_clock_is_corrected_the_last_reading_may_have_been_the_slot_before():
    slots = drifting(700)
    assert [wake(slots, n * 540) for n in range(9)] == [None] * 9
    slots.clock_corrected(8 * 540_000)
    slots._drift_s = lambda t_ms: 0.0
    # the ninth was taken at 7.2 intervals: it counts for the seventh now, and the next one for the eighth
    assert wake(slots, 8 * 600) is None
    assert "twice" in wake(slots, 8 * 600 + 200)


def test_a_clock_that_was_slow_leaps_over_slots_and_the_node_may_count_them():
    slots = drifting(1300)
    assert [wake(slots, n * 650) for n in range(13)] == [None] * 13
    slots.clock_corrected(12 * 650_000)
    slots._drift_s = lambda t_ms: 0.0
    assert wake(slots, 14 * 600) is None
    slots.node_counts(3)
    assert slots.finish(14 * 600_000 + 30_000, None) is None
    assert "2 due slots" in wake(slots, 17 * 600)


@pytest.mark.parametrize(("drift_s", "fine"), [(20, True), (5, False)])
def test_as_far_as_the_clock_may_be_off_a_wake_may_have_reached_into_a_slot(drift_s, fine):
    slots = drifting(drift_s)
    wake(slots, 0)
    slots.wake_began(0)
    slots.wake_ended(1_190_000, None)  # 10 s before the second slot after it
    assert (wake(slots, 1800) is None) == fine


@pytest.mark.parametrize("drift_s", [0.0, 20.0])
def test_a_good_clock_excuses_nothing(drift_s):
    slots = drifting(drift_s)
    wake(slots, 0)
    slots.clock_corrected(500)
    assert "2 due slots" in wake(slots, 1800)
    slots = drifting(drift_s)
    wake(slots, 0)
    slots.clock_corrected(500)
    assert "twice" in wake(slots, 200)


def test_the_first_reading_near_the_middle_may_count_for_the_slot_below():
    slots = lived(120, known=False)
    assert wake(slots, 60.3) is None
    assert wake(slots, 121.5) is None
    assert "twice" in wake(slots, 130)
    assert counted(slots) == (2, 0)


@pytest.mark.parametrize(("end_s", "fine"), [(1260, True), (3060, False)])
def test_what_a_corrected_clock_leapt_over_is_no_gap_at_the_end_either(end_s, fine):
    slots = drifting(1300)
    wake(slots, 0)
    slots.clock_corrected(1000)
    slots._drift_s = lambda t_ms: 0.0
    slots.node_counts(1 if fine else 4)
    assert (slots.finish(end_s * 1000, None) is None) == fine


@pytest.mark.parametrize(("missed", "fine"), [(3, True), (0, False)])
def test_what_went_by_since_the_card_s_newest_reading_may_be_counted_twice(missed, fine):
    slots = lived()
    wake(slots, 0, excuse="a reset")
    wake(slots, 4 * 600, excuse="a reset")
    slots.node_counts(3)
    slots.memory_lost(0, missed)
    wake(slots, 5 * 600)
    slots.node_counts(3)  # once more, from the card's newest reading on
    assert (slots.finish(5 * 600_000 + 30_000, None) is None) == fine


@pytest.mark.parametrize(("rest_s", "fine"), [(1300, True), (0, False)])
def test_what_a_node_rested_for_may_have_gone_by_while_its_clock_was_far_off(rest_s, fine):
    """It rests over two slots after each third reading, which shows only when the clock cannot be so far off."""
    slots = drifting(6000)
    at_s, facts = 0, []
    for n in range(80):
        slots.wake_began(at_s * 1000)
        facts.append(slots.taken(at_s * 1000 + 500))
        slots.wake_ended(at_s * 1000 + 1000, None, rest_s * 1000 if n % 3 == 2 else 0)
        at_s += 1800 if n % 3 == 2 else 600
    assert (set(facts) == {None}) == fine


@pytest.mark.parametrize(("readings", "fine"), [(0, True), (1, False)])
def test_what_a_weak_battery_left_out_after_a_jump_the_node_may_not_count(readings, fine):
    """It began to count anew with the jump: nothing connects the first reading from then on with those before it."""
    slots = lived()
    wake(slots, 0)
    slots.clock_jumped(600)
    for n in range(readings):
        wake(slots, 600 * (n + 1))
    slots.wake_began(600_000 * (readings + 1))
    slots.wake_ended(600_000 * (readings + 1), "the battery")
    assert wake(slots, 20 * 600) is None
    slots.node_counts(0)
    assert (slots.finish(20 * 600_000 + 30_000, None) is None) == fine


def test_after_a_loss_of_memory_a_reading_near_the_middle_may_be_of_a_slot_that_was_taken():
    slots = lived(180)
    wake(slots, 0)
    wake(slots, 180)
    slots.memory_lost(1)
    assert wake(slots, 180 + 90.3) is None  # a service window later
    assert wake(slots, 360) is None
    assert "twice" in wake(slots, 370)


@pytest.mark.parametrize(("quiet", "fine"), [(0, True), (1, True), (5, False)])
def test_up_to_the_wake_that_has_settings_again_none_was_due(quiet, fine):
    """The reading may come in a later wake; what goes by in between is missed for no reason."""
    slots = lived(600)
    wake(slots, 0)
    slots.wake_began(600_000, True)
    slots.wake_ended(600_100, None)
    slots.wake_began(3_000_500)
    slots.wake_ended(3_001_000, None)
    for n in range(quiet):
        slots.wake_began(3_590_000 + n * 600_000)
        slots.wake_ended(3_590_100 + n * 600_000, None)
    assert (wake(slots, 3600 + 600 * max(0, quiet - 1)) is None) == fine


@pytest.mark.parametrize(("end", "fine"), [("a power cut", True), (None, False)])
def test_a_wake_that_was_cut_short_leaves_the_end_of_the_time_without_settings_to_the_next(end, fine):
    slots = lived(600)
    wake(slots, 0)
    slots.wake_began(600_000, True)
    slots.wake_ended(600_100, None)
    slots.wake_began(1_200_500)
    slots.wake_ended(1_200_600, end)
    slots.wake_began(4_800_500)  # an hour later, and none is due in it
    slots.wake_ended(4_800_600, None)
    assert (wake(slots, 5400) is None) == fine
