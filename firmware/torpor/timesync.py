"""SYNC: network time into the clock. Law: no answer is believed that was not asked for, is implausible, or stands
alone where it contradicts a clock that was known.

The RTC shows whole seconds, so its error is taken at the edge to the next one, and it is set half a second before a
whole second of network time (timekeeping.py says why).
"""

from . import BUILD_EPOCH_S, runs, sntp
from .errors import LinkError
from .networks import NAME_MS_MAX

NTP_PORT = 123
ANSWER_MS_MAX = 2000
# an answer that took longer says too little about now
ROUND_TRIP_MS_MAX = 400
# one server's turn: name, answer, and the edges of the clock
SERVER_MS_MAX = NAME_MS_MAX + ANSWER_MS_MAX + 3000
# a turn that took longer was spent on its name: the next name would not be found either
SILENT_MS = 3 * ANSWER_MS_MAX
EDGE_MS_MAX = 1200
EDGE_STEP_MS = 10
LATEST_S = BUILD_EPOCH_S + 20 * 365 * 86400
AGREE_MS = 2000
# a clock that is less sure than this bears out any lie: an RC oscillator's is an hour off after a day
SURE_S = 60


def synchronise(cycle):
    """Ask the time servers in turn; True when the clock was set from one. LinkError where the clock takes no time.

    An answer that a known clock does not bear out counts only when another one says the same; with an unknown clock
    also when it is the only one that any server gives. Earlier RTC readings of this wake are carried over
    (runs.time_set).
    """
    if cycle.rtc_away:
        # there is nothing to set, and what would be learned belongs to this wake alone
        return False
    servers = list(cycle.settings["time"]["servers"])
    broker = cycle.settings["broker"]
    if broker is not None and broker["host"] not in servers:
        servers.append(broker["host"])
    doubted = []
    for server in servers:
        asked_ms = cycle.ports.clock.ticks_ms()
        stamp = _answer(cycle, server, not doubted)
        if stamp is None:
            if cycle.ports.clock.elapsed_ms(asked_ms) > SILENT_MS:
                break
            continue
        if _plausible(cycle, stamp, SURE_S) or any(_agree(cycle, stamp, other) for _, other in doubted):
            return _set(cycle, stamp)
        doubted.append((server, stamp))
    if len(doubted) == 1:
        server, other = doubted[0]
        if not cycle.time_known():
            return _set(cycle, other)
        # nobody contradicts it but this clock, which may be the one that is wrong
        stamp = _answer(cycle, server, True)
        if stamp is not None and _agree(cycle, stamp, other):
            return _set(cycle, stamp)
    borne_out = [stamp for _, stamp in doubted if _plausible(cycle, stamp)]
    if len(doubted) > 1 and len(borne_out) == 1:
        return _set(cycle, borne_out[0])
    if doubted:
        cycle.r.count("time")
    return False


def _answer(cycle, server, counts):
    """What the server says it is, None when it says nothing that could be believed or the wake's time is used up.

    counts: its silence is a fault; one that was asked for a second opinion need not be a time server.
    """
    if cycle.remaining_ms() < SERVER_MS_MAX:
        return None
    try:
        return _ask(cycle, server)
    except (LinkError, sntp.SntpError):
        if counts:
            cycle.r.count("time")
        return None


def _ask(cycle, server):
    """(ticks_ms, epoch_s, ms): at that tick it was that time."""
    ports = cycle.ports
    clock = ports.clock
    address = ports.network.resolve(server, ANSWER_MS_MAX)
    channel = ports.network.open_datagram(address, NTP_PORT, ANSWER_MS_MAX)
    try:
        originate = b"%08x" % ports.random.u32()
        buffer = bytearray(64)
        asked_ms = clock.ticks_ms()
        channel.send(sntp.request(originate), ANSWER_MS_MAX)
        count = channel.recv_into(buffer, ANSWER_MS_MAX)
        took_ms = clock.elapsed_ms(asked_ms)
        answered_ms = clock.ticks_ms()
    finally:
        channel.close()
    if took_ms > ROUND_TRIP_MS_MAX:
        raise sntp.SntpError("the answer took too long")
    epoch_s, ms = sntp.check(memoryview(buffer)[:count], originate, BUILD_EPOCH_S, LATEST_S)
    return _later((answered_ms, epoch_s, ms), took_ms // 2)


def _later(stamp, ms):
    total = stamp[2] + ms
    return stamp[0], stamp[1] + total // 1000, total % 1000


def _at_present(cycle, stamp):
    """(epoch_s, ms) of this moment, by a stamp."""
    epoch_s, ms = _later(stamp, cycle.ports.clock.elapsed_ms(stamp[0]))[1:]
    return epoch_s, ms


def _agree(cycle, stamp, other):
    one_s, one_ms = _at_present(cycle, stamp)
    two_s, two_ms = _at_present(cycle, other)
    return abs((one_s - two_s) * 1000 + one_ms - two_ms) <= AGREE_MS


def _plausible(cycle, stamp, unsure_s_max=None):
    """True when a clock that is known bears it out, and is not less sure than that."""
    if not cycle.time_known():
        return False
    time_s, uncertainty_s = cycle.now()
    if unsure_s_max is not None and uncertainty_s > unsure_s_max:
        return False
    return abs(_at_present(cycle, stamp)[0] - time_s) <= uncertainty_s + 1


def _set(cycle, stamp):
    """Take the RTC's error at its next edge, then set it; False when it does not tick."""
    clock = cycle.ports.clock
    before_s = clock.rtc_epoch_s()
    started_ms = clock.ticks_ms()
    rtc_s = before_s
    while rtc_s == before_s:
        if before_s is None or clock.elapsed_ms(started_ms) > EDGE_MS_MAX:
            cycle.r.count("time")
            return False
        clock.wait_ms(EDGE_STEP_MS)
        rtc_s = clock.rtc_epoch_s()
    at_edge = _at_present(cycle, stamp)
    clock.wait_ms((1500 - at_edge[1]) % 1000)
    new_rtc_s = _at_present(cycle, stamp)[0] + 1
    try:
        clock.set_rtc(new_rtc_s)
    except Exception as error:
        # what a bus raises differs from platform to platform
        raise LinkError("time", "the clock cannot be set") from error
    runs.time_set(cycle, rtc_s, at_edge, new_rtc_s)
    return True
