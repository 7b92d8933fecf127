"""What time it is, how sure that is, and how fast the oscillator runs.

Law: a time is stated with an uncertainty that covers it, or as unknown; a stated time is never rewritten.

The real-time clock (RTC) is one counter of seconds. While the time is unknown it merely counts (from
COUNT_START_S); a synchronisation sets it to UTC. It is set half a second ahead, so that the whole second that it
shows is the nearest one and not the last one. All functions work on the diary (retained.Retained); all are integers.
"""

from .retained import NO_SLOT, TIME_KNOWN

# Where an RTC that was stopped starts to count: 2000-01-01, the first date that the usual RTC chips can hold.
COUNT_START_S = 946684800
# an RTC that shows less than 0 or more than this (2097) shows rubbish: times have to fit into 32 bits
RTC_S_MAX = 0xF0000000
# shown time against true time just after a synchronisation: rounding twice (1 s), the answer's way (0.2 s), the edge
BASE_UNCERTAINTY_S = 2
UNCERTAINTY_MAX_S = 65534
YEAR_S = 366 * 86400
# an RTC that shows the same second after so long a sleep stands still
MOVES_S = 4
# two synchronisations measure the drift between them with this error: twice the answer's way, and twice the edge
LEARN_ERROR_MS = 450
# synchronisations before the learned drift is used: one sets, two measure
LEARNED_SYNCS = 3
# The learned drift comes from the weather of the last days. Its doubt grows from a quarter of the specification by
# half of it a month: a tuning fork (-0.034 ppm per square degC) moves 40 ppm from autumn to midwinter.
SEASON_S = 30 * 86400


def known(r):
    return r.bits & TIME_KNOWN != 0


def countable(rtc_s):
    """True when `rtc_s` is something that a clock can count on from; None and rubbish are not."""
    return rtc_s is not None and 0 < rtc_s <= RTC_S_MAX


def run_s(r, rtc_s):
    """Seconds of the run's counter at RTC reading `rtc_s`."""
    return max(0, rtc_s - r.run_base_s)


def now(r, rtc_s, drift_ppm_max):
    """(time_s, uncertainty_s) at RTC reading `rtc_s`; uncertainty_s is None and time_s the run's when unknown."""
    if not known(r):
        return run_s(r, rtc_s), None
    since_s = max(0, rtc_s - r.synced_s)
    low_ppb, high_ppb = _drift_between(r, since_s, drift_ppm_max)
    uncertainty = _uncertainty_s(high_ppb - low_ppb, since_s, drift_ppm_max)
    return rtc_s + _correction_s(low_ppb + high_ppb, since_s), uncertainty


def time_s(r, rtc_s, drift_ppm_max):
    """The first item of now(), where nobody asks how sure it is."""
    if not r.bits & TIME_KNOWN:
        return run_s(r, rtc_s)
    since_s = max(0, rtc_s - r.synced_s)
    if r.syncs < LEARNED_SYNCS:
        # as much to either side is possible
        return rtc_s
    low_ppb, high_ppb = _drift_between(r, since_s, drift_ppm_max)
    return rtc_s + _correction_s(low_ppb + high_ppb, since_s)


def _correction_s(double_ppb, since_s):
    # the middle of what is possible; integer division rounds down for either sign, so half is added first
    return (double_ppb * since_s + 1000000000) // 2000000000


def uncertainty_s(r, since_s, drift_ppm_max):
    """How far a time stated `since_s` after the synchronisation may be off: at most 2 s and the maker's part."""
    low_ppb, high_ppb = _drift_between(r, since_s, drift_ppm_max)
    return _uncertainty_s(high_ppb - low_ppb, since_s, drift_ppm_max)


def _drift_between(r, since_s, drift_ppm_max):
    """(lowest, highest) mean drift that is possible since the synchronisation, in ppb.

    The clock's maker sets the outer limits. Once learned, the drift is not believed to have moved by more than a
    quarter of them or four times its largest recent change, whichever is more, and the season's part.
    """
    limit_ppb = drift_ppm_max * 1000
    if r.syncs < LEARNED_SYNCS:
        return -limit_ppb, limit_ppb
    doubt_ppb = max(limit_ppb // 4, r.residual_10ppb * 40) + limit_ppb // 2 * since_s // SEASON_S
    return max(-limit_ppb, r.drift_ppb - doubt_ppb), min(limit_ppb, r.drift_ppb + doubt_ppb)


def _uncertainty_s(width_ppb, since_s, drift_ppm_max):
    """Half of `width_ppb` over `since_s`, rounded up, but not beyond the maker's part."""
    half_s = (width_ppb * since_s + 1999999999) // 2000000000
    # a fast clock overstates the time gone by, and its whole seconds do so by up to one
    maker_s = drift_ppm_max * max(0, since_s - 1) // (1000000 + drift_ppm_max)
    return min(UNCERTAINTY_MAX_S, BASE_UNCERTAINTY_S + min(half_s, maker_s))


def is_used_up(r, rtc_s, drift_ppm_max):
    """True when a time that was known has become less sure than a record can state."""
    since_s = rtc_s - r.synced_s
    # most clocks never come near it
    if not known(r) or drift_ppm_max * since_s < (UNCERTAINTY_MAX_S - BASE_UNCERTAINTY_S) * 1000000:
        return False
    return uncertainty_s(r, since_s, drift_ppm_max) == UNCERTAINTY_MAX_S


def begin_run(r, rtc_s, run):
    """Start run number `run` at RTC reading `rtc_s`, with the time unknown. Runs count from 1 and wrap past 65535."""
    r.run = run & 0xFFFF or 1
    r.run_base_s = rtc_s
    r.run_epoch_s = r.run_uncertainty_s = 0
    r.bits &= ~TIME_KNOWN
    r.synced_s = r.drift_ppb = r.syncs = r.residual_10ppb = 0
    r.last_slot = NO_SLOT
    r.next_transmit_s = 0


def trust_rtc(r, rtc_s, synced_s, newest_s, newest_uncertainty_s, drift_ppm_max):
    """Take the RTC's date over at the start of a run that lost retained memory but not the RTC.

    The evidence comes from the newest stored reading: when the RTC had last been set (synced_s) and the time that
    the reading states. An RTC that shows an earlier time than the reading, or one that is more than a year later, has
    been somewhere else: False.
    """
    if synced_s == 0 or rtc_s < synced_s or not -newest_uncertainty_s <= rtc_s - newest_s <= YEAR_S:
        return False
    uncertainty = uncertainty_s(r, rtc_s - synced_s, drift_ppm_max)
    if uncertainty == UNCERTAINTY_MAX_S:
        return False
    r.synced_s = synced_s
    r.run_epoch_s = rtc_s
    r.run_uncertainty_s = uncertainty
    r.bits |= TIME_KNOWN
    return True


def jumped(r, rtc_s, slept=True, by_timer=False):
    """True when the RTC went back, stood still, or went ahead by more than the sleep can explain: the run is over.

    slept: the board has slept and done nothing else; by_timer: until its timer woke it. After any other reset nobody
    knows how long it lay still, but what kept retained memory through a year has not been met yet.
    """
    if r.asleep_for_s == 0:
        # it has not slept yet; but no RTC goes on from where it could not be reached (runs.NOWHERE_S)
        return r.asleep_rtc_s > RTC_S_MAX
    slept_s = rtc_s - r.asleep_rtc_s
    # the worst RC oscillators are off by a fifth; a boot takes seconds
    longest_s = r.asleep_for_s + r.asleep_for_s // 4 + 60 if slept else YEAR_S
    shortest_s = 1 if by_timer and r.asleep_for_s > MOVES_S else 0
    return not shortest_s <= slept_s <= longest_s


def synchronise(r, rtc_s, true_ms, new_rtc_s, drift_ppm_max):
    """Take in network time: at the edge to RTC reading `rtc_s` it was true_ms[0] s + true_ms[1] ms (UTC).

    Learns the drift, anchors the run, and notes that the RTC is being set to `new_rtc_s`. Returns the number of
    seconds by which the time base moves (add it to RTC readings taken earlier in this wake), and False as second
    item when the clock was further off than its specification allows.
    """
    plausible = True
    error_ms = (true_ms[0] - rtc_s) * 1000 + true_ms[1] + 500
    if known(r):
        since_s = rtc_s - r.synced_s
        bound_ms = BASE_UNCERTAINTY_S * 1000 + drift_ppm_max * since_s // 1000
        plausible = -bound_ms <= error_ms <= bound_ms
        if not plausible or r.syncs == 0:
            # what the drift was learned from, or whether the RTC has been set since, is in doubt
            r.syncs = 1
        else:
            _learn(r, error_ms, since_s, drift_ppm_max * 1000)
    else:
        counted_s = run_s(r, rtc_s)
        # a count of n was taken between n and n + 1, so the middle is added before rounding
        r.run_epoch_s = max(1, true_ms[0] - counted_s + (true_ms[1] + 1000) // 1000)
        r.run_uncertainty_s = uncertainty_s(r, counted_s, drift_ppm_max)
        r.syncs = 1
    step_s = (error_ms + 500) // 1000
    r.run_base_s = max(0, r.run_base_s + step_s)
    r.synced_s = new_rtc_s
    r.bits |= TIME_KNOWN
    return step_s, plausible


def _learn(r, error_ms, since_s, limit_ppb):
    """Learn from an RTC that is `error_ms` behind after `since_s`; too short a time says too little."""
    if since_s <= 0 or LEARN_ERROR_MS * 1000000 // since_s * 3 > limit_ppb:
        return
    measured_ppb = max(-limit_ppb, min(limit_ppb, error_ms * 1000000 // since_s))
    if r.syncs == 1:
        r.drift_ppb = measured_ppb
    difference_ppb = abs(measured_ppb - r.drift_ppb)
    # four times the half: the measurement's own error is covered twice
    difference_ppb = max(difference_ppb, LEARN_ERROR_MS * 1000000 // since_s // 2)
    # the largest recent difference counts at once and fades over weeks
    r.residual_10ppb = min(65535, max(difference_ppb // 10, r.residual_10ppb * 15 // 16))
    r.drift_ppb += (measured_ppb - r.drift_ppb) // 2
    r.syncs = min(255, r.syncs + 1)


def anchor(r):
    """What each sector says about the run: (run, run_epoch_s, run_uncertainty_s, synced_s), zeros while unknown."""
    if not known(r):
        return (r.run, 0, 0, 0)
    return (r.run, r.run_epoch_s, r.run_uncertainty_s, r.synced_s)


def resolve(record_run_s, run, run_anchor):
    """(time_s, uncertainty_s) of run second `record_run_s` through an anchor of the same run, else None."""
    anchored, epoch_s, uncertainty, _ = run_anchor
    if anchored != run or epoch_s == 0:
        return None
    return epoch_s + record_run_s, uncertainty
