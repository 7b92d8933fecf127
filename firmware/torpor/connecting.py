"""JOIN, SYNC and SEND. Law: every network of the list gets its turn, and the list is walked once a wake.

Only a PUBACK proves a network: one that joins but does not reach the broker is left for the next.
"""

from . import delivery, networks, schedule, storing
from .errors import LinkError


def join(cycle):
    ports = cycle.ports
    r = cycle.r
    if cycle.candidates is None:
        _begin(cycle)
    left_ms = cycle.settings["radio"]["join_s_max_total"] * 1000 - cycle.joining_ms
    left_ms = min(left_ms, cycle.remaining_ms())
    if not cycle.candidates or left_ms <= len(cycle.candidates):
        return "used up"
    # an equal share of what is left: a network that never answers must not take the time of those behind it
    limit_ms = left_ms // len(cycle.candidates)
    index, network, hinted = cycle.candidates.pop(0)
    # noted before the call: on some boards only the watchdog ends a join that hangs
    r.trying = index + 1
    r.save()
    ports.power.feed_watchdog()
    started_ms = ports.clock.ticks_ms()
    try:
        bssid, channel = ports.radio.join(
            network,
            r.bssid if hinted else None,
            r.channel if hinted else 0,
            min(limit_ms, network["join_s_max"] * 1000),
        )
    except Exception as error:
        # whatever a platform raises for one network, the next one still gets its turn
        cycle.count(error)
        ports.log.event("join-failed", network=index)
        if hinted:
            r.channel = 0
        return "next"
    finally:
        cycle.joining_ms += ports.clock.elapsed_ms(started_ms)
    # a platform that does not say where it joined gets no hint the next time
    r.bssid = bytes(bssid or 6)
    r.channel = channel if bssid else 0
    r.network = index + 1
    if hinted:
        # the same network without the hint is for where the hint leads nowhere
        cycle.candidates = [other for other in cycle.candidates if other[0] != index]
    cycle.network_name = network["ssid"]
    if cycle.person:
        ports.signal.show("joined")
    return "time needed" if _sync_due(cycle) else "joined"


def _begin(cycle):
    """The list of this wake. After a reset by the watchdog it goes on behind the network that hung the board."""
    r = cycle.r
    cycle.transmit_failed = True
    found = networks.order(cycle.settings, cycle.choice.previous, r, r.failures)
    if r.trying and cycle.ports.power.reset_cause == "watchdog":
        found = networks.after(found, r.trying)
    cycle.candidates = found
    if cycle.ring is None and cycle.stored_ms is None:
        # this wake had nothing to store, so nobody has opened the ring yet
        try:
            storing.open_ring(cycle)
        except Exception as error:
            # what is held, and the health message, can go out without the card
            cycle.count(error)


def _sync_due(cycle):
    if not cycle.time_known():
        return True
    since_s = cycle.rtc_s() - cycle.r.synced_s
    return since_s >= cycle.settings["time"]["sync_every_h"] * 3600


def sync(cycle):
    from . import timesync

    was_set = False
    try:
        was_set = timesync.synchronise(cycle)
    except LinkError as error:
        cycle.count(error)
        cycle.clock_refused = True
    if was_set:
        cycle.ports.log.event("clock-set", drift_ppb=cycle.r.drift_ppb)
    elif not cycle.time_known() and cycle.settings["broker"]["tls"]:
        # a certificate cannot be checked without the time
        return "no time"
    return "done"


def send(cycle):
    r = cycle.r
    outcome = delivery.Delivery(cycle).run()
    if cycle.person:
        cycle.ports.signal.show(outcome)
    # a clock that did not take the time is tried again as soon as a session that failed
    if outcome == delivery.ACCEPTED and not cycle.clock_refused:
        cycle.transmit_failed = False
        r.failures = 0
        r.next_transmit_s = schedule.next_transmit_s(cycle.time_s(), cycle.transmit_s)
    return outcome
