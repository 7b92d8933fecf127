"""Where a run begins, and where it learns the time. Law: slots are numbered once, whatever the time base does.

Imported by the few wakes that lose or set the clock, or find other settings.
"""

from . import record, retained, schedule, storing, timekeeping
from .errors import CardError, RingError

# no wake lasts longer
AWAKE_S_MAX = 300
# no RTC goes on from here: what the diary takes for its last value when a wake could not reach it
NOWHERE_S = 0xFFFFFFFF
# where runs are numbered from that begin without a look at the card, and how many of them there are
UNSEEN_RUNS = 0x4000


def begin(cycle, rtc_s):
    """Begin a run: retained memory was lost, or the RTC (rtc_s None), or the RTC jumped or is not sure any more.

    After a loss of retained memory the card says what run came before, when the clock had last been set and up to
    when slots are accounted for. Otherwise the diary knows, and the card is left alone: the battery may be too weak.
    """
    r = cycle.r
    newest = None
    if r.cold:
        newest = _newest(cycle)
    else:
        r.count("time")
    lost_clock = rtc_s is None or not r.cold
    if rtc_s is None:
        rtc_s = timekeeping.COUNT_START_S
        _start_counting(cycle, rtc_s)
    last_slot = r.last_slot if timekeeping.known(r) else retained.NO_SLOT
    before = max(r.run, newest[2] if newest else 0)
    if r.cold and newest is None and (cycle.ring is None or cycle.ring.head):
        # readings that cannot be seen have numbers of runs, and two of one number would give each other's their times
        before = UNSEEN_RUNS | cycle.ports.random.u32() % UNSEEN_RUNS
    timekeeping.begin_run(r, rtc_s, before + 1)
    # what a reset in this wake compares the clock with
    r.asleep_rtc_s = NOWHERE_S if cycle.rtc_away else rtc_s
    r.bits |= retained.FIRST_READING
    if newest is not None and newest[1] != record.TIME_UNKNOWN:
        last_slot = schedule.slot_of(newest[0], cycle.sample_s)
        if not lost_clock and timekeeping.trust_rtc(r, rtc_s, newest[3], newest[0], newest[1], cycle.drift_ppm_max):
            r.last_slot = last_slot
            last_slot = retained.NO_SLOT
    if last_slot != retained.NO_SLOT:
        r.gap_slot = last_slot
    # a reset in this wake, behind its reading, must not begin another run of this number
    r.save()
    cycle.ports.log.event("run-began", run=r.run, time_known=int(timekeeping.known(r)))


def _start_counting(cycle, rtc_s):
    """Let the RTC count from `rtc_s`; where nothing reaches it, this wake counts alone, and the next anew."""
    try:
        cycle.ports.clock.set_rtc(rtc_s)
    except Exception:
        # what a bus raises differs from platform to platform
        cycle.r.count("time")
        cycle.count_from(rtc_s)


def _newest(cycle):
    """(time_s, uncertainty_s, run, synced_s) of the newest stored reading, resolved where it can be, or None."""
    try:
        storing.open_ring(cycle)
    except (CardError, RingError):
        cycle.r.count("card")
        return None
    ring = cycle.ring
    seq = ring.passed_from or ring.head
    data = ring.read(seq) if seq else None
    if data is None:
        return None
    time_s, uncertainty_s, run = record.decode(data, 0, 0)[:3]
    anchor = ring.anchor_in(seq, bytearray(512)) or (run, 0, 0, 0)
    if uncertainty_s == record.TIME_UNKNOWN:
        time_s, uncertainty_s = timekeeping.resolve(time_s, run, anchor) or (time_s, uncertainty_s)
    return time_s, uncertainty_s, run, anchor[3]


def is_stored(cycle):
    """True when a reading of which the diary knows nothing is this slot's: the board was reset right after it."""
    r = cycle.r
    known = r.ring_id, r.head
    newest_s = _newest_in_base(cycle)
    ring = cycle.ring
    if ring is None or ring.ring_id != known[0] or ring.head <= known[1]:
        return False
    if ring.head - ring.capacity > ring.acked_to:
        r.overwritten += 1
    if schedule.slot_of(newest_s, cycle.sample_s) < cycle.slot:
        return False
    r.add_missed(schedule.missed_between(r.last_slot, cycle.slot))
    r.last_slot = cycle.slot
    return True


def renumber(cycle):
    """The settings were edited: give the last slot its number under their interval.

    The diary does not keep the interval that it counted by, but the last wake and the newest reading's time show
    whether it still counts by the same. Without either the slots up to now count as accounted for: none comes twice.
    """
    r = cycle.r
    every_s = cycle.sample_s
    if r.last_slot == retained.NO_SLOT or _fits(cycle, every_s):
        return
    slot = schedule.slot_of(_newest_in_base(cycle), every_s)
    if slot != r.last_slot:
        r.last_slot = max(slot, cycle.time_s() // every_s)
        r.gap_slot = 0


def _fits(cycle, every_s):
    """True when the last slot, counted by this interval, lies where the last wake was.

    A reading may have been held, and then no sector tells of it.
    """
    r = cycle.r
    if not r.asleep_for_s:
        return False
    asleep_s = timekeeping.time_s(r, r.asleep_rtc_s, cycle.drift_ppm_max)
    if not timekeeping.known(r):
        # small numbers are near each other by chance
        return schedule.slot_of(asleep_s, every_s) == r.last_slot
    return asleep_s - every_s - AWAKE_S_MAX <= r.last_slot * every_s <= cycle.time_s() + every_s


def _newest_in_base(cycle):
    """The newest stored reading's time in the diary's present time base; 0 when it cannot be told."""
    r = cycle.r
    newest = _newest(cycle)
    if newest is None:
        return 0
    time_s, uncertainty_s, run = newest[:3]
    if uncertainty_s != record.TIME_UNKNOWN:
        return time_s if timekeeping.known(r) else 0
    if run != r.run:
        return 0
    resolved = timekeeping.resolve(time_s, run, timekeeping.anchor(r))
    return resolved[0] if resolved else time_s


def time_set(cycle, rtc_s, true_time, new_rtc_s):
    """The RTC has just been set from network time: carry over what stood in the old time base.

    Arguments as in timekeeping.synchronise.
    """
    r = cycle.r
    was_known = timekeeping.known(r)
    step_s, plausible = timekeeping.synchronise(r, rtc_s, true_time, new_rtc_s, cycle.drift_ppm_max)
    if not plausible:
        r.count("time")
    r.asleep_rtc_s = max(0, r.asleep_rtc_s + step_s)
    every_s = cycle.sample_s
    # when the last slot's reading was taken, in the new time base
    taken_s = r.last_slot * every_s + (step_s if was_known else r.run_epoch_s)
    if cycle.taken_rtc_s is not None:
        cycle.taken_rtc_s += step_s
        taken_s = cycle.taken_rtc_s
    if not was_known:
        r.next_transmit_s = 0
        if r.gap_slot:
            r.add_missed(schedule.missed_between(r.gap_slot, schedule.slot_of(r.run_epoch_s, every_s)))
            r.gap_slot = 0
    if r.last_slot != retained.NO_SLOT:
        slot = max(0, schedule.slot_of(taken_s, every_s))
        if was_known:
            r.add_missed(max(0, slot - r.last_slot))
        r.last_slot = slot
    r.save()
