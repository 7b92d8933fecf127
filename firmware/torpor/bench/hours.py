"""Network time. Law: an answer is believed only after the checks that the node makes, and a bad one is named by them.

The clock is set where it was not, or is so far off that certificates could not be checked.
"""

from .. import BUILD_EPOCH_S, sntp
from ..errors import LinkError

NTP_PORT = 123
ANSWER_MS_MAX = 2000
LATEST_S = BUILD_EPOCH_S + 20 * 365 * 86400
# a node looks at the seconds itself; here only what would keep a certificate from being checked is put right
OFF_S_MAX = 60


def check(report, ports, settings):
    """One item a server; returns the time, s since 1970, None when nobody told it."""
    servers = list(settings["time"]["servers"])
    host = settings["broker"]["host"]
    told = None
    for server in servers:
        found = _server(report, ports, server)
        told = told or found
    if told is None and host not in servers:
        told = _server(report, ports, host)
    if told is None:
        return None
    _compare(report, ports, told)
    return told[1]


def known(ports):
    """True while the clock shows a time that may be right."""
    shown_s = ports.clock.rtc_epoch_s()
    return shown_s is not None and shown_s >= BUILD_EPOCH_S


def _server(report, ports, server):
    item = "time " + server
    clock = ports.clock
    ports.power.feed_watchdog()
    try:
        address = ports.network.resolve(server, ANSWER_MS_MAX)
    except LinkError:
        report.fail(item, "name-unknown", "no address for that name", "", "its spelling, or no name server answers")
        return None
    try:
        channel = ports.network.open_datagram(address, NTP_PORT, ANSWER_MS_MAX)
        try:
            originate = b"%08x" % ports.random.u32()
            buffer = bytearray(64)
            asked_ms = clock.ticks_ms()
            channel.send(sntp.request(originate), ANSWER_MS_MAX)
            count = channel.recv_into(buffer, ANSWER_MS_MAX)
            came_ms, took_ms = clock.ticks_ms(), clock.elapsed_ms(asked_ms)
        finally:
            channel.close()
        epoch_s, ms = sntp.check(memoryview(buffer)[:count], originate, BUILD_EPOCH_S, LATEST_S)
    except LinkError:
        do = "port 123 is closed on the way, or the server is down: name one inside the network, or the broker's host"
        report.fail(item, "time-silent", "no answer", f"{ANSWER_MS_MAX} ms", do)
        return None
    except sntp.SntpError as error:
        do = "the node will not believe it: name another server in [time]"
        report.fail(item, "time-wrong", f"its answer is refused: {error.args[0]}", "", do)
        return None
    report.passed(item, f"answers in {took_ms} ms", f"{ANSWER_MS_MAX} ms")
    return came_ms, epoch_s + (ms + took_ms // 2) // 1000


def _compare(report, ports, told):
    clock = ports.clock
    now_s = told[1] + clock.elapsed_ms(told[0]) // 1000
    shown_s = clock.rtc_epoch_s()
    off_s = None if shown_s is None else shown_s - now_s
    report.numbers["clock_off_s"] = off_s
    if off_s is None or abs(off_s) > OFF_S_MAX:
        clock.set_rtc(now_s + 1)
        report.note("the clock was not set, or far off: it has been set from the network")
    else:
        report.note(f"the clock is {off_s} s off network time")
