"""What time it is, how sure that is, and how fast the oscillator runs.

Law: a time is stated with an uncertainty that covers it, or it is stated as unknown; a stated time is never rewritten.

The real-time clock (RTC) is one counter of seconds. While the time is unknown it merely counts (from
COUNT_START_S); a synchronisation sets it to UTC. It is set half a second ahead, so that the whole second that it
shows is the nearest one and not the last one. All functions work on the diary (retained.Retained).
"""

from .retained import NO_SLOT, TIME_KNOWN

# Where an RTC that was stopped starts to count: 2000-01-01, the first date that the usual RTC chips can hold.
COUNT_START_S = 946684800
# shown time against true time just after a synchronisation: rounding, the answer's way, the drift's rounding
BASE_UNCERTAINTY_S = 2
UNCERTAINTY_MAX_S = 65534
# a drift is learned over at least this long: 20 ms of edge error in an hour is 6 ppm
LEARN_S_MIN = 3600
# synchronisations before the learned drift narrows the uncertainty
LEARNED_SYNCS = 3


def known(r):
    return r.bits & TIME_KNOWN != 0


def run_s(r, rtc_s):
    """Seconds of the run's counter at RTC reading `rtc_s`."""
    return max(0, rtc_s - r.run_base_s)


def now(r, rtc_s, drift_ppm_max):
    """(time_s, uncertainty_s) at RTC reading `rtc_s`; uncertainty_s is None and time_s the run's when unknown."""
    if not known(r):
        return run_s(r, rtc_s), None
    since_s = max(0, rtc_s - r.synced_s)
    # integer division rounds down for either sign, so add half first
    correction_s = (r.drift_ppb * since_s + 500000000) // 1000000000
    return rtc_s + correction_s, uncertainty_s(r, since_s, drift_ppm_max)


def uncertainty_s(r, since_s, drift_ppm_max):
    """How far a time stated `since_s` after the synchronisation may be off.

    It grows with what the clock's maker specifies, or, once learned, with four times the largest recent
    difference between two days' drift, but never less than a quarter of the specification.
    """
    rate_ppm = drift_ppm_max
    if r.syncs >= LEARNED_SYNCS:
        rate_ppm = min(rate_ppm, max(r.residual_10ppb * 4 // 100 + 1, (drift_ppm_max + 3) // 4))
    return min(UNCERTAINTY_MAX_S, BASE_UNCERTAINTY_S + rate_ppm * since_s // 1000000)


def begin_run(r, rtc_s, run):
    """Start run number `run` at RTC reading `rtc_s`, with the time unknown."""
    r.run = run & 0xFFFF
    r.run_base_s = rtc_s
    r.run_epoch_s = r.run_uncertainty_s = 0
    r.bits &= ~TIME_KNOWN
    r.drift_ppb = r.syncs = r.residual_10ppb = 0
    r.last_slot = NO_SLOT
    r.next_transmit_s = 0


def trust_rtc(r, rtc_s, synced_s, newest_s, newest_uncertainty_s, drift_ppm_max):
    """Take the RTC's date over at the start of a run that lost retained memory but not the RTC.

    The evidence comes from the newest stored reading: when the RTC had last been set (synced_s) and the time that
    the reading states. An RTC that shows an earlier time than the reading has been somewhere else: False.
    """
    if synced_s == 0 or rtc_s < synced_s or rtc_s + newest_uncertainty_s < newest_s:
        return False
    uncertainty = uncertainty_s(r, rtc_s - synced_s, drift_ppm_max)
    if uncertainty == UNCERTAINTY_MAX_S:
        return False
    r.synced_s = synced_s
    r.run_epoch_s = rtc_s
    r.run_uncertainty_s = uncertainty
    r.bits |= TIME_KNOWN
    return True


def jumped(r, rtc_s):
    """True when the RTC went back or ahead by more than the sleep can explain: the run is over."""
    if r.asleep_for_s == 0:
        return False
    slept_s = rtc_s - r.asleep_rtc_s
    return slept_s < 0 or slept_s > r.asleep_for_s + r.asleep_for_s // 4 + 900


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
        if plausible and since_s >= LEARN_S_MIN and r.syncs > 0:
            _learn(r, error_ms * 1000000 // since_s)
        r.syncs = min(255, r.syncs + 1) if plausible else 1
    else:
        counted_s = run_s(r, rtc_s)
        # a count of n was taken between n and n + 1, so the middle is added before rounding
        r.run_epoch_s = true_ms[0] - counted_s + (true_ms[1] + 1000) // 1000
        r.run_uncertainty_s = uncertainty_s(r, counted_s, drift_ppm_max)
        r.syncs = 1
    step_s = (error_ms + 500) // 1000
    r.run_base_s += step_s
    r.synced_s = new_rtc_s
    r.bits |= TIME_KNOWN
    return step_s, plausible


def _learn(r, measured_ppb):
    if r.syncs == 1:
        r.drift_ppb = measured_ppb
        r.residual_10ppb = 0
        return
    difference = measured_ppb - r.drift_ppb
    # the largest recent difference counts at once and fades over weeks
    r.residual_10ppb = max(min(65535, abs(difference) // 10), r.residual_10ppb * 15 // 16)
    r.drift_ppb += difference // 2


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
