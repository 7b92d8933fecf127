"""When to wake, what is due, how long to sleep. Law: a slot is sampled at most once, and sleep lasts 1 s to 24 h.

A slot is numbered by the multiple of the interval that lies nearest to its time. That keeps one numbering through a
change of the time base: a reading taken half-way between two multiples before the clock was set still belongs to
exactly one slot afterwards.
"""

from .retained import NO_SLOT

SLEEP_S_MIN = 1
SLEEP_S_MAX = 86400
# A timer wake this much ahead of its slot just samples; an earlier one sleeps on.
EARLY_S = 3
# A wake may end just as the next slot begins: one that began less than this ago is sampled late rather than missed.
LATE_S = 3
# The sleep timer is learned from sleeps of at least this length: the RTC shows whole seconds.
LEARN_TIMER_S_MIN = 60
TIMER_PPM_MAX = 200000
# two readings of a clock that shows whole seconds are off by less than this together, a boot's jitter included
ROUGH_S = 2


def slot_of(time_s, every_s):
    """The slot that `time_s` belongs to."""
    return (time_s + every_s // 2) // every_s


def is_stored(last_slot, slot):
    return last_slot != NO_SLOT and slot <= last_slot


def missed_between(last_slot, slot):
    """How many slots went by between the last stored one and this one."""
    if last_slot == NO_SLOT:
        return 0
    return max(0, slot - last_slot - 1)


def is_early(time_s, every_s):
    """True when the slot nearest to `time_s` still lies further ahead than EARLY_S."""
    return slot_of(time_s, every_s) * every_s - time_s > EARLY_S


def until_next_slot_s(time_s, last_slot, every_s, late_s=0):
    """Seconds until the next slot that is neither stored nor past; it is past `late_s` after it began."""
    start_s = ((time_s - late_s) // every_s + 1) * every_s
    if last_slot != NO_SLOT:
        start_s = max(start_s, (last_slot + 1) * every_s)
    return max(SLEEP_S_MIN, start_s - time_s)


def renumber(last_slot, every_s, new_every_s, time_s=0):
    """The last stored slot's number after a change of the interval at `time_s`.

    The new slots before `time_s` were never due, so none of them is missed.
    """
    if last_slot == NO_SLOT or every_s == new_every_s:
        return last_slot
    return max(slot_of(last_slot * every_s, new_every_s), time_s // new_every_s)


def is_transmit_due(time_s, next_transmit_s):
    """True from a wake on that is at most EARLY_S ahead of the time to transmit."""
    return time_s + EARLY_S >= next_transmit_s


def next_transmit_s(time_s, every_s):
    """The next multiple of the transmit interval."""
    return ((time_s + EARLY_S) // every_s + 1) * every_s


def ask_timer_s(want_s, timer_ppm):
    """What to ask of the sleep timer in order to sleep `want_s`, clamped to what every board can do."""
    asked_s = (want_s * 1000000 + 500000) // (1000000 + timer_ppm)
    return max(SLEEP_S_MIN, min(SLEEP_S_MAX, asked_s))


def learn_timer_ppm(timer_ppm, asked_s, slept_s):
    """The sleep timer's learned error after one more sleep; the time to boot counts as part of the sleep.

    A difference that whole seconds cannot explain is taken over by half at once: until it is learned, each sleep
    may cost a second wake. A smaller one is averaged.
    """
    if asked_s < LEARN_TIMER_S_MIN:
        return timer_ppm
    measured_ppm = (slept_s - asked_s) * 1000000 // asked_s
    if not -TIMER_PPM_MAX <= measured_ppm <= TIMER_PPM_MAX:
        return timer_ppm
    difference_ppm = measured_ppm - timer_ppm
    return timer_ppm + difference_ppm // (2 if abs(difference_ppm) * asked_s > ROUGH_S * 1000000 else 8)
