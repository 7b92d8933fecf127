"""SLEEP: everything off, the diary written, the next wake computed.

Law: the one way out of a wake, and it always works.
"""

from . import awake, schedule

BACK_OFF_S = 600
SLEEP_STAGE = 7


def sleep(cycle):
    """Does not return: the port's deep_sleep ends the wake. What fails on the way is counted; the rest goes on."""
    r = cycle.r
    _try(cycle, _all_off)
    if cycle.transmit_failed:
        _try(cycle, _plan_retry)
    asleep_s = _try(cycle, _length_s) or BACK_OFF_S
    if not cycle.rtc_away:
        # else it stays what runs.begin has made of it
        r.asleep_rtc_s = max(0, _try(cycle, _rtc_s) or 0)
    r.stage = SLEEP_STAGE
    r.asleep_for_s = asleep_s
    r.save()
    cycle.ports.power.deep_sleep(asleep_s)


def _try(cycle, step):
    """What `step` returns, None when it raised."""
    try:
        return step(cycle)
    except Exception as error:
        cycle.failed(error)
        return None


def _all_off(cycle):
    try:
        cycle.ports.radio.off()
    finally:
        _hold_card_power(cycle)


def _rtc_s(cycle):
    return cycle.rtc_s()


def _plan_retry(cycle):
    from . import backoff

    r = cycle.r
    radio = cycle.settings["radio"]
    r.failures = min(255, r.failures + 1)
    wait_s = backoff.wait_s(r.failures, radio["retry_base_s"], radio["retry_cap_s"], cycle.ports.random.u32())
    r.next_transmit_s = cycle.time_s() + wait_s
    cycle.ports.log.event("transmit-later", wait_s=wait_s, failures=r.failures)


def _hold_card_power(cycle):
    """A card may still be busy inside after it has answered: it keeps its power for a while."""
    if cycle.settings is None:
        return
    card = cycle.settings["card"]
    clock = cycle.ports.clock
    if cycle.stored_ms is not None:
        left_ms = card["hold_ms"] - clock.elapsed_ms(cycle.stored_ms)
        if left_ms > 0:
            clock.wait_ms(left_ms)
    if card["rail"]:
        cycle.ports.power.rail(card["rail"], False)


def _length_s(cycle):
    """How long to sleep; None when there is nothing to plan by."""
    r = cycle.r
    if not cycle.sample_s:
        return None
    late_s = 0 if cycle.stored_ms is None else schedule.LATE_S
    want_s = schedule.until_next_slot_s(cycle.time_s(), r.last_slot, cycle.sample_s, late_s)
    if awake.backs_off(cycle.ports.power.reset_cause, r.resets):
        want_s = max(want_s, BACK_OFF_S * r.resets)
    return schedule.ask_timer_s(want_s, r.timer_ppm)
