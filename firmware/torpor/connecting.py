"""JOIN, SYNC and SEND. Law: every network of the list gets its turn, and the list is walked once a wake.

Only a PUBACK proves a network: one that joins but does not reach the broker is left for the next.
"""

from . import delivery, networks, schedule
from .errors import LinkError


def join(cycle):
    ports = cycle.ports
    r = cycle.r
    clock = ports.clock
    if cycle.candidates is None:
        cycle.candidates = networks.order(cycle.settings, cycle.choice.previous, r, r.failures)
        if r.trying:
            cycle.candidates = networks.after(cycle.candidates, r.trying)
        cycle.join_started_ms = clock.ticks_ms()
        cycle.transmit_failed = True
    left_ms = cycle.settings["radio"]["join_s_max_total"] * 1000 - clock.elapsed_ms(cycle.join_started_ms)
    left_ms = min(left_ms, cycle.remaining_ms())
    if not cycle.candidates or left_ms <= 0:
        r.trying = 0
        return "used up"
    index, network, hinted = cycle.candidates.pop(0)
    # noted before the call: on some boards only the watchdog ends a join that hangs
    r.trying = index + 1
    r.save()
    ports.power.feed_watchdog()
    try:
        bssid, channel = ports.radio.join(
            network,
            r.bssid if hinted else None,
            r.channel if hinted else 0,
            min(left_ms, network["join_s_max"] * 1000),
        )
    except LinkError as error:
        r.count(error.step)
        ports.log.event("join-failed", network=index)
        if hinted:
            r.channel = 0
        return "next"
    r.bssid = bytes(bssid)
    r.channel = channel
    r.network = index + 1
    cycle.network_name = network["ssid"]
    if cycle.person:
        ports.signal.show("joined")
    return "time needed" if _sync_due(cycle) else "joined"


def _sync_due(cycle):
    if not cycle.time_known():
        return True
    since_s = (cycle.ports.clock.rtc_epoch_s() or 0) - cycle.r.synced_s
    return since_s >= cycle.settings["time"]["sync_every_h"] * 3600


def sync(cycle):
    from . import timesync

    if timesync.synchronise(cycle):
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
    if outcome == delivery.ACCEPTED:
        cycle.transmit_failed = False
        r.failures = 0
        r.next_transmit_s = schedule.next_transmit_s(cycle.now()[0], cycle.transmit_s)
    if outcome != delivery.UNREACHED:
        r.trying = 0
    return outcome
