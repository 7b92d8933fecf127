"""A hostile machine at the broker's address. Law: it costs one session's time and a counter; it takes over nothing.

What no node can tell from the truth is an acknowledgement that lies about a reading in flight: that is left to the
collector's `have`, and none of these streams does it.
"""

import tracemalloc

import pytest
from test_world import DAY_S, MAST, broken, lived, plan, scenario
from torpor import delivery, mqtt, uplink
from torpor.errors import LinkError
from torpor.retained import Retained

from hostsim import diary_format, hostile
from hostsim.broker import Broker
from hostsim.runtimes import fast
from hostsim.runtimes.streams import SimulatedStream

DAILY_MAX = 288
PLAIN = plan([("tls = true", "tls = false")])
NODES = {"tls": MAST, "plain": PLAIN}
TOPICS = (b"torpor/n/have", b"torpor/n/settings")


class Line:
    """What a stream needs of a node: a clock that waiting moves."""

    def __init__(self, now_ms=0):
        self.now_ms = now_ms
        self.calls = 0

    def spend(self, state, ms):
        assert ms >= 0
        self.now_ms += ms
        self.calls += 1

    def ticks_ms(self):
        return self.now_ms

    def elapsed_ms(self, since):
        return self.now_ms - since


def session(kind, at_s, limit_ms=60_000, broker=None):
    """An open session with a broker of this kind; (session, line)."""
    line = Line(int(at_s * 1000))
    broker = broker or Broker([(0, 1e9, kind)], lambda *publish: pytest.fail("a hostile broker took a reading"))
    stream = SimulatedStream(line, broker.connect(at_s), 35)
    hello = mqtt.connect("node", 60) + mqtt.subscribe(7, TOPICS)
    return uplink.Session(stream, line, line.now_ms, limit_ms, hello, TOPICS), line


def readings(seqs):
    for seq in seqs:
        yield seq, mqtt.publish("torpor/n/readings", b"x" * 300, delivery.packet_id(seq))


def size_of(this):
    """Bytes in all that a session keeps."""
    kept = [this._out, this._buffer, this._parser._buffer, *this.messages, *this.messages.values()]
    return sum(map(len, kept)) + 8 * len(this._answered)


# --- one session ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", hostile.KINDS)
def test_a_stream_without_end_ends_in_time_and_in_little_memory(kind):
    for attempt in range(12):
        this, line = session(kind, 1000.0 + attempt)
        started_ms, accepted = line.now_ms, []
        largest = 0
        receive = this.receive

        def counted(receive=receive, this=this):
            nonlocal largest
            try:
                receive()
            finally:
                largest = max(largest, size_of(this))

        this.receive = counted
        with pytest.raises(LinkError):
            this.deliver(readings(range(1, 100)), accepted.append)
        assert accepted == []
        # 10 s after the last thing of use, which the greeting may be
        assert line.now_ms - started_ms <= uplink.ANSWER_MS_MAX + 12_000
        assert largest < 10240 + 2 * 1024 + 2 * 600 + 4 * 1024


@pytest.mark.parametrize("kind", hostile.KINDS)
def test_the_session_s_own_limit_holds_where_it_is_shorter(kind):
    this, line = session(kind, 77.0, limit_ms=3000)
    with pytest.raises(LinkError):
        this.deliver(readings(range(1, 100)), lambda seq: None)
    assert line.now_ms - 77_000 <= 3000


@pytest.mark.parametrize("kind", ["floods", "oversize"])
def test_megabytes_leave_no_trace_in_the_heap(kind):
    this, line = session(kind, 5.0)
    with pytest.raises(LinkError):
        this.deliver(readings(range(1, 3)), lambda seq: None)
    received = line.calls * hostile.BURST_BYTES
    assert received > 500_000
    tracemalloc.start()
    try:
        this, line = session(kind, 6.0)
        before, _ = tracemalloc.get_traced_memory()
        with pytest.raises(LinkError):
            this.deliver(readings(range(1, 3)), lambda seq: None)
        after, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert after - before < 20_000
    assert peak - before < 60_000


def test_a_drip_is_a_byte_a_second_and_never_ends():
    stream = hostile.Stream("drips", 10.0, True)
    now_ms = 10_000
    for _ in range(300):
        at_ms = stream.ready_ms(now_ms)
        assert at_ms - now_ms == hostile.DRIP_MS
        now_ms = at_ms
        assert len(stream.take(1024, now_ms)) == 1


def test_a_packet_of_256_mib_is_announced_and_begun():
    stream = hostile.Stream("oversize", 3.0, False)
    begun = stream.take(5, 3000)
    assert begun[:1] in (b"\x30", b"\x90")
    assert begun[1:] == hostile.LONGEST
    parser = mqtt.Session(1024)
    parser.receive(b"\x20\x02\x00\x00" + begun)
    assert parser.next_event()[0] == mqtt.CONNACK
    assert parser.next_event() == (mqtt.OVERSIZE, 268435455 + 5)


def test_the_same_moment_gives_the_same_bytes():
    for kind in hostile.KINDS:
        one, two, other = (hostile.Stream(kind, at_s, True) for at_s in (5.0, 5.0, 6.0))
        first = [one.take(700, 5000) for _ in range(9)]
        assert first == [two.take(700, 5000) for _ in range(9)]
        if kind != "drips":
            assert first != [other.take(700, 5000) for _ in range(9)]


def test_an_acknowledgement_of_what_is_not_in_flight_moves_nothing():
    """The one for the next reading comes before that is sent, and every one comes twice."""
    taken = []
    broker = Broker([(0, 1e9, "spoofs")], lambda client, topic, payload, *rest: taken.append(payload))
    this, line = session("spoofs", 50.0, broker=broker)
    accepted = []
    this.deliver(readings(range(1, 41)), accepted.append)
    assert accepted == list(range(1, 41))
    assert len(taken) == 40, "something counts as accepted that the broker never took"
    # and what it said before does not answer what is sent now
    broker.kind_at = lambda now_s: "mute"
    with pytest.raises(LinkError):
        this.deliver(readings(range(41, 44)), accepted.append)
    assert accepted[-1] == 40


# --- days of it -----------------------------------------------------------------------------------------------------


def rehearsed(kind, node, days=2.5):
    """Half a day in peace, a day of this, peace again; (world, counts of the node, its longest wake since, in ms)."""
    longest = 0

    def wake(node, world, judge):
        nonlocal longest
        slept_ms = node.meter.spent_ms["asleep"]
        began_ms = node.now_ms
        fast.wake(node, world, judge)
        if began_ms > DAY_S * 500:
            longest = max(longest, node.now_ms - began_ms - node.meter.spent_ms["asleep"] + slept_ms)

    world, counts, _ = lived(scenario(days, node, broker_windows=[(DAY_S / 2, 1.5 * DAY_S, kind)]), wake)
    return world, counts["yard-mast"], longest


@pytest.mark.parametrize("tls", NODES)
@pytest.mark.parametrize("kind", hostile.KINDS)
def test_a_day_of_it_loses_nothing_and_is_counted(kind, tls):
    world, count, longest_ms = rehearsed(kind, NODES[tls])
    node = world.nodes[0]
    assert broken(world) == {}
    assert not world.events.traces
    assert count["stored"] == count["delivered"] == 361
    assert (count["lost"], count["unstored"], count["duplicates"]) == (0, 0, 0)
    assert diary_format.faults(node.retained)["broker"] >= 10
    assert longest_ms < 90_000
    found = Retained(node.retained)
    assert (found.remote_sample_s, found.remote_transmit_s, found.remote_last_days) == (0, 0, 0)


@pytest.mark.parametrize("kind", hostile.KINDS)
def test_it_costs_no_more_than_a_broker_that_says_nothing(kind):
    def radio_s(kind):
        meter = rehearsed(kind, PLAIN)[0].nodes[0].meter
        spent = dict(zip(meter.names, meter.ms, strict=True))
        return (spent["joining"] + spent["online"]) / 1000

    assert radio_s(kind) < radio_s("mute")


def test_spoofed_messages_change_nothing_and_the_daily_budget_holds():
    world, count, _ = rehearsed("spoofs", PLAIN)
    assert broken(world) == {}
    assert count["stored"] == count["delivered"] == 361
    found = Retained(world.nodes[0].retained)
    assert (found.remote_sample_s, found.remote_transmit_s, found.remote_last_days) == (0, 0, 0)
    # asked for everything in each session of a day that reaches over two days
    assert DAILY_MAX < count["duplicates"] <= 2 * DAILY_MAX


def test_the_collector_is_heard_again_after_a_liar_has_used_the_largest_id():
    from torpor import messages

    found = Retained(bytearray(256))
    asks = b'{"id":%d,"ring":"5eed1234","last":9,"missing":[[1,2]]}'
    assert messages.have(asks % 0xFFFFFFFE, "5eed1234", found) == [(1, 2)]
    assert messages.have(asks % 17, "5eed1234", found) == [(1, 2)]
    assert messages.have(asks % 17, "5eed1234", found) == []


@pytest.mark.parametrize("kind", [*hostile.KINDS, "spoofs"])
def test_it_may_begin_in_the_middle_of_a_session(kind):
    """A window that opens at every second of the first hours: some sessions are open then."""
    windows = [(from_s, from_s + 2.0, kind) for from_s in range(60, 20_000, 7)]
    world, counts, _ = lived(scenario(0.5, PLAIN, broker_windows=windows))
    count = counts["yard-mast"]
    assert broken(world) == {}
    assert count["stored"] == 73
    assert count["delivered"] + count["waiting"] == 73
