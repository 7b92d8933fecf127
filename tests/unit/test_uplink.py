"""One session on a stream that plays a script: what counts as accepted, and how long anything may take."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from torpor import mqtt, uplink
from torpor.backlog import packet_id
from torpor.errors import LinkError

CONNACK = b"\x20\x02\x00\x00"
SUBACK = b"\x90\x04\x00\x07\x00\x00"
TOPICS = (b"torpor/n/have", b"torpor/n/settings")
HELLO = mqtt.connect("torpor", 60) + mqtt.subscribe(7, TOPICS)


def puback(identifier):
    return bytes((0x40, 2, identifier >> 8, identifier & 255))


class Clock:
    def __init__(self):
        self.now_ms = 1000

    def ticks_ms(self):
        return self.now_ms

    def elapsed_ms(self, since):
        return self.now_ms - since


class Stream:
    """answer(heard so far) -> bytes to add to what the node can receive; None closes."""

    def __init__(self, clock, answer, chunk=4096, gulp=100000, wait_ms=10):
        self.clock, self.answer, self.chunk, self.gulp, self.wait_ms = clock, answer, chunk, gulp, wait_ms
        self.heard = bytearray()
        self.inbox = bytearray()
        self.sends = []
        self.closed = self.ended = False

    def send(self, data, timeout_ms):
        assert timeout_ms > 0
        taken = bytes(data[: self.gulp])
        self.heard += taken
        self.sends.append(len(taken))
        return len(taken)

    def recv_into(self, buffer, timeout_ms):
        assert timeout_ms > 0
        if not self.inbox and not self.ended:
            more = self.answer(bytes(self.heard))
            self.ended = more is None
            self.inbox += more or b""
        if self.ended and not self.inbox:
            return 0
        if not self.inbox or self.wait_ms > timeout_ms:
            self.clock.now_ms += timeout_ms
            raise LinkError("broker", "timeout")
        self.clock.now_ms += self.wait_ms
        count = min(self.chunk, len(self.inbox), len(buffer))
        buffer[:count] = self.inbox[:count]
        del self.inbox[:count]
        return count

    def close(self):
        self.closed = True


def packets_in(data):
    """[(first byte, body)] of the whole packets that the node has sent."""
    found, at = [], 0
    while at < len(data):
        length, shift, start = 0, 0, at + 1
        while True:
            if start >= len(data):
                return found
            length |= (data[start] & 127) << shift
            shift += 7
            start += 1
            if data[start - 1] < 128:
                break
        if start + length > len(data):
            return found
        found.append((data[at], data[start : start + length]))
        at = start + length
    return found


def published_ids(data):
    found = []
    for first, body in packets_in(data):
        if first >> 4 == 3 and first & 6:
            at = 2 + int.from_bytes(body[:2], "big")
            found.append(int.from_bytes(body[at : at + 2], "big"))
    return found


def honest():
    """A broker that answers everything once, in order."""
    done = [0]

    def answer(heard):
        out = b""
        found = packets_in(heard)
        for first, body in found[done[0] :]:
            if first == 0x10:
                out += CONNACK
            elif first == 0x82:
                out += bytes((0x90, 4)) + body[:2] + b"\x00\x00"
            elif first & 6:
                at = 2 + int.from_bytes(body[:2], "big")
                out += b"\x40\x02" + body[at : at + 2]
        done[0] = len(found)
        return out

    return answer


def session(answer, limit_ms=60000, **how):
    clock = Clock()
    stream = Stream(clock, answer, **how)
    return uplink.Session(stream, clock, clock.ticks_ms(), limit_ms, HELLO, TOPICS), stream, clock


def readings(seqs, size=300):
    for seq in seqs:
        yield seq, mqtt.publish("torpor/n/readings", b"x" * size, packet_id(seq))


def test_the_first_flight_leaves_before_anything_is_heard():
    this, stream, _ = session(honest())
    accepted = []
    this.deliver(readings(range(1, 25)), accepted.append)
    assert accepted == list(range(1, 25))
    assert len(stream.sends) == 1
    kinds = [first >> 4 for first, _ in packets_in(bytes(stream.heard))]
    assert kinds[:2] == [1, 8]
    assert kinds[2:] == [3] * 24


@pytest.mark.parametrize("size", [20, 300, 3000, 9000])
def test_the_window_holds_in_packets_and_bytes(size):
    heard = []

    def answer(data):
        heard.append(data)
        return answers(data)

    answers = honest()
    this, stream, _ = session(answer)
    accepted = []
    this.deliver(readings(range(1, 201), size), accepted.append)
    assert accepted == list(range(1, 201))
    first_flight = published_ids(heard[0])
    assert len(first_flight) <= 32
    assert len(heard[0]) <= uplink.FLIGHT_BYTES or len(first_flight) == 1
    if size == 20:
        assert len(first_flight) == 32
    done = 0
    for data in heard:
        assert len(published_ids(data)) - done <= 32
        done = len(published_ids(data))


@pytest.mark.parametrize("gulp", [1, 2, 7, 100, 8191])
def test_a_send_that_takes_a_part_sends_the_rest(gulp):
    this, stream, _ = session(honest(), gulp=gulp)
    accepted = []
    this.deliver(readings(range(1, 40), 50), accepted.append)
    assert accepted == list(range(1, 40))
    assert published_ids(bytes(stream.heard)) == [packet_id(seq) for seq in range(1, 40)]


@pytest.mark.parametrize("taken", [0, None, -1])
def test_a_send_that_takes_nothing_ends_the_session(taken):
    this, stream, _ = session(honest())
    stream.send = lambda data, timeout_ms: taken
    with pytest.raises(LinkError):
        this.deliver(readings([1]), pytest.fail)


@given(st.permutations(range(1, 13)), st.integers(1, 40))
@settings(max_examples=100, deadline=None)
def test_answers_in_any_order_accept_a_prefix(order, chunk):
    said = CONNACK + SUBACK + b"".join(puback(packet_id(seq)) for seq in order)
    this, stream, _ = session(lambda heard: said if not stream.ended else b"", chunk=chunk)
    accepted = []
    here = []

    def take(seq):
        # all before it have been answered, by what has been received up to now
        accepted.append(seq)
        here.append(len(said) - len(stream.inbox))

    this.deliver(readings(range(1, 13)), take)
    assert accepted == list(range(1, 13))
    for seq, received in zip(accepted, here, strict=True):
        for before in range(1, seq + 1):
            assert received >= len(CONNACK + SUBACK) + 4 * (order.index(before) + 1)


@given(st.lists(st.integers(1, 65535), max_size=30), st.integers(1, 9))
@settings(max_examples=200, deadline=None)
def test_unknown_and_repeated_answers_accept_nothing(identifiers, count):
    said = CONNACK + b"".join(puback(identifier) for identifier in identifiers)
    once = [said, None]
    this, _, _ = session(lambda heard: once.pop(0))
    accepted = []
    flying = list(range(1, count + 1))
    answered = {identifier for identifier in identifiers if identifier - 1 in flying}
    expected = []
    for seq in flying:
        if packet_id(seq) not in answered:
            break
        expected.append(seq)
    if len(expected) == count:
        this.deliver(readings(flying), accepted.append)
    else:
        with pytest.raises(LinkError):
            this.deliver(readings(flying), accepted.append)
    assert accepted == expected


def test_an_answer_kept_from_one_delivery_does_not_count_in_the_next():
    script = [CONNACK + SUBACK + puback(2) + puback(3) + puback(3), b"", None]
    this, _, _ = session(lambda heard: script.pop(0))
    accepted = []
    this.deliver(readings([1]), accepted.append)
    with pytest.raises(LinkError):
        this.deliver(readings([2]), pytest.fail)
    assert accepted == [1]


@pytest.mark.parametrize("said", [puback(2) + CONNACK, SUBACK + CONNACK])
def test_nothing_counts_before_connack(said):
    this, _, _ = session(lambda heard: said)
    with pytest.raises(LinkError):
        this.deliver(readings([1, 2]), pytest.fail)
    assert not this.connected


def test_what_came_before_the_trouble_in_the_same_bytes_counts():
    this, _, _ = session(lambda heard: CONNACK + puback(2) + puback(3) + b"\x00\x00")
    accepted = []
    with pytest.raises(LinkError):
        this.deliver(readings([1, 2, 3]), accepted.append)
    assert accepted == [1, 2]


@pytest.mark.parametrize("code", [1, 2, 3, 4, 5, 200])
def test_a_refusal_is_told_apart(code):
    this, _, _ = session(lambda heard: bytes((0x20, 2, 0, code)))
    with pytest.raises(uplink.Refused):
        this.deliver(readings([1]), pytest.fail)
    assert not this.connected


def test_a_mute_broker_costs_one_patience():
    this, _, clock = session(lambda heard: b"")
    with pytest.raises(LinkError):
        this.deliver(readings([1]), pytest.fail)
    assert clock.now_ms - 1000 == uplink.ANSWER_MS_MAX
    assert this.mute


def test_a_broker_that_closes_is_not_mute():
    this, _, _ = session(lambda heard: None)
    with pytest.raises(LinkError):
        this.deliver(readings([1]), pytest.fail)
    assert not this.mute


def test_one_byte_at_a_time_cannot_stretch_the_session():
    answers = honest()
    this, _, clock = session(answers, limit_ms=30000, chunk=1, wait_ms=900)
    accepted = []
    with pytest.raises(LinkError):
        this.deliver(readings(range(1, 100)), accepted.append)
    assert clock.now_ms - 1000 <= 30000
    # 4 bytes of CONNACK, 6 of SUBACK, then 4 each
    assert accepted == list(range(1, (30000 // 900 - 10) // 4 + 1))


@pytest.mark.parametrize(
    "rain",
    [
        b"\x30\x06\x00\x01zabc",
        b"\x32\x08\x00\x01z\x00\x09abc",
        b"\xd0\x00",
        b"\x40\x02\x12\x34",
        b"\x30" + b"\xff\x7f" + b"\x00\x01z" + bytes(16380),
    ],
)
def test_a_flood_ends_even_where_time_stands_still(rain):
    first = [CONNACK]
    this, stream, _ = session(lambda heard: first.pop() if first else rain * max(1, 1024 // len(rain)), wait_ms=0)
    with pytest.raises(LinkError):
        this.deliver(readings([1]), pytest.fail)
    assert this.connected
    # what the node owes the broker does not pile up: a kilobyte holds at most 1024 / 10 messages
    assert max(stream.sends[1:], default=0) <= 1024


def test_a_long_backlog_is_no_flood():
    this, _, _ = session(honest(), limit_ms=10**9)
    accepted = []
    this.deliver(readings(range(1, 10001), 10), accepted.append)
    assert accepted == list(range(1, 10001))


def test_packet_ids_around_the_wrap():
    assert packet_id(65534) == 65535
    assert packet_id(65535) == 1
    assert packet_id(2 * 65535 - 1) == 65535
    seqs = range(65520, 65560)
    this, stream, _ = session(honest())
    accepted = []
    this.deliver(readings(seqs), accepted.append)
    assert accepted == list(seqs)
    assert all(1 <= identifier <= 65535 for identifier in published_ids(bytes(stream.heard)))


def test_two_readings_with_one_packet_id_are_never_mixed_up():
    script = [CONNACK + puback(packet_id(1)), None]
    this, _, _ = session(lambda heard: script.pop(0))
    accepted = []
    with pytest.raises(LinkError):
        this.deliver(readings([1, 1 + 65535]), accepted.append)
    assert accepted == [1]


def test_messages_are_kept_by_topic_the_newest_one_and_only_ours():
    def message(topic, payload, qos=0, first=0x30):
        body = len(topic).to_bytes(2, "big") + topic + (b"\x00\x05" if qos else b"") + payload
        return mqtt.publish(topic, payload) if not qos else bytes((first | 2, len(body))) + body

    said = CONNACK + SUBACK + message(TOPICS[0], b"1") + message(TOPICS[0], b"2") + message(b"other", b"3")
    said += message(TOPICS[1], b"4", 1) + message(b"\xff\xfe", b"5") + mqtt.publish(TOPICS[1], b"x" * 513) + puback(2)
    once = [said]
    this, stream, _ = session(lambda heard: once.pop() if once else b"")
    this.deliver(readings([1]), lambda seq: None)
    this.finish("torpor/n/health", b"{}")
    assert this.messages == {TOPICS[0]: b"2", TOPICS[1]: b"4"}
    sent = packets_in(bytes(stream.heard))
    assert (0x40, b"\x00\x05") in sent
    assert sent[-1] == (0xE0, b"")
    assert sent[-2] == (0x31, b"\x00\x0ftorpor/n/health{}")


def test_an_oversize_packet_is_skipped():
    huge = mqtt.publish(TOPICS[0], b"y" * 5000)
    once = [CONNACK + SUBACK + huge + puback(2)]
    this, _, _ = session(lambda heard: once.pop() if once else b"")
    accepted = []
    this.deliver(readings([1]), accepted.append)
    assert accepted == [1]
    assert this.messages == {}


def test_with_nothing_to_deliver_the_session_still_begins():
    this, stream, clock = session(honest())
    this.deliver(readings([]), pytest.fail)
    this.settle()
    assert this.connected
    assert this.subscribed
    assert clock.now_ms < 1000 + uplink.ANSWER_MS_MAX


def test_closing_never_raises():
    for error in (OSError(5), LinkError("broker", "gone")):
        this, stream, _ = session(honest())

        def fail(raised=error):
            raise raised

        stream.close = fail
        this.close()
