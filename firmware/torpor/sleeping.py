"""SLEEP: everything off, the diary written, the next wake computed. Law: the one way out of a wake, and it always works."""

from . import schedule

BACK_OFF_S = 600
SLEEP_STAGE = 7


def sleep(cycle):
    """Does not return: the port's deep_sleep ends the wake."""
    ports = cycle.ports
    r = cycle.r
    asleep_s = BACK_OFF_S
    try:
        ports.radio.off()
        _hold_card_power(cycle)
        if cycle.transmit_failed:
            _plan_retry(cycle)
        asleep_s = _length_s(cycle)
        r.asleep_rtc_s = ports.clock.rtc_epoch_s() or 0
    except Exception as error:
        cycle.failed(error)
    r.stage = SLEEP_STAGE
    r.asleep_for_s = asleep_s
    r.save()
    ports.power.deep_sleep(asleep_s)


def _plan_retry(cycle):
    from . import backoff

    r = cycle.r
    radio = cycle.settings["radio"]
    r.failures = min(255, r.failures + 1)
    wait_s = backoff.wait_s(r.failures, radio["retry_base_s"], radio["retry_cap_s"], cycle.ports.random.u32())
    r.next_transmit_s = cycle.now()[0] + wait_s
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
    r = cycle.r
    want_s = schedule.until_next_slot_s(cycle.now()[0], r.last_slot, cycle.sample_s)
    if r.resets:
        want_s = max(want_s, BACK_OFF_S * r.resets)
    return schedule.ask_timer_s(want_s, r.timer_ppm)
