"""Law: a server's bytes give the same events however they are cut; no input raises or grows it."""

import inspect

import paho.mqtt.client as paho
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from torpor import mqtt

ACCEPTED = b"\x20\x02\x00\x00"
WELCOME = (mqtt.CONNACK, 0, False)


def message(topic, payload, packet_id=0, first=0x30):
    """A server's PUBLISH, built here from section 3.3 and not by the code under test."""
    body = len(topic).to_bytes(2, "big") + topic
    if packet_id:
        body += packet_id.to_bytes(2, "big")
    body += payload
    size, length = len(body), b""
    while size > 127:
        length += bytes([size % 128 + 128])
        size //= 128
    return bytes([first]) + length + bytes([size]) + body


# name: (bytes of the stream, events of it, receive_max)
STREAMS = {
    "accepted": (ACCEPTED, [WELCOME], 64),
    "accepted, session kept": (b"\x20\x02\x01\x00", [(mqtt.CONNACK, 0, True)], 64),
    "refused": (b"\x20\x02\x00\x05", [(mqtt.CONNACK, 5, False)], 64),
    "acknowledged": (ACCEPTED + b"\x40\x02\x12\x34", [WELCOME, (mqtt.PUBACK, 0x1234)], 64),
    "24 acknowledged": (
        ACCEPTED + b"".join(b"\x40\x02\x00" + bytes([n]) for n in range(1, 25)),
        [WELCOME] + [(mqtt.PUBACK, n) for n in range(1, 25)],
        64,
    ),
    "subscribed": (ACCEPTED + b"\x90\x04\x00\x07\x00\x80", [WELCOME, (mqtt.SUBACK, 7)], 64),
    "message": (
        ACCEPTED + message(b"a/b", b"xyz"),
        [WELCOME, (mqtt.MESSAGE, b"a/b", b"xyz", 0, False)],
        64,
    ),
    "retained, QoS 1, DUP": (
        ACCEPTED + message(b"a", b"", 9, 0x3B),
        [WELCOME, (mqtt.MESSAGE, b"a", b"", 9, True)],
        64,
    ),
    "QoS 1, DUP, not retained": (
        ACCEPTED + message(b"a", b"x", 9, 0x3A),
        [WELCOME, (mqtt.MESSAGE, b"a", b"x", 9, False)],
        64,
    ),
    "QoS 2 is delivered but not for us to acknowledge": (
        ACCEPTED + message(b"a", b"x", 9, 0x34) + b"\x62\x02\x00\x09",
        [WELCOME, (mqtt.MESSAGE, b"a", b"x", 0, False)],
        64,
    ),
    "swallowed between events": (
        ACCEPTED + b"\xd0\x00\x50\x02\x00\x01\x70\x02\x00\x01\xb0\x02\x00\x01\xd0\x00" + b"\x40\x02\x00\x01",
        [WELCOME, (mqtt.PUBACK, 1)],
        64,
    ),
    "two bytes of length": (
        ACCEPTED + message(b"t", b"p" * 200),
        [WELCOME, (mqtt.MESSAGE, b"t", b"p" * 200, 0, False)],
        1024,
    ),
    "largest that fits": (
        ACCEPTED + message(b"t", b"p" * 59) + b"\x40\x02\x00\x01",
        [WELCOME, (mqtt.MESSAGE, b"t", b"p" * 59, 0, False), (mqtt.PUBACK, 1)],
        64,
    ),
    "one byte too many": (
        ACCEPTED + message(b"t", b"p" * 60) + b"\x40\x02\x00\x01",
        [WELCOME, (mqtt.OVERSIZE, 65), (mqtt.PUBACK, 1)],
        64,
    ),
    "two oversize in a row": (
        ACCEPTED + 2 * message(b"t", b"p" * 20000) + b"\x40\x02\x00\x01",
        [WELCOME, (mqtt.OVERSIZE, 20007), (mqtt.OVERSIZE, 20007), (mqtt.PUBACK, 1)],
        64,
    ),
    "four bytes of length": (
        ACCEPTED + message(b"t", bytes(2097152)) + b"\x40\x02\x00\x01",
        [WELCOME, (mqtt.OVERSIZE, 2097160), (mqtt.PUBACK, 1)],
        1024,
    ),
    "a length with needless zero groups": (
        ACCEPTED + b"\x40\x82\x80\x00\x00\x01",
        [WELCOME, (mqtt.PUBACK, 1)],
        64,
    ),
}

BROKEN = {
    "a web page": b"HTTP/1.1 302 Found\r\n",
    "zero bytes": bytes(40),
    "all ones": b"\xff" * 40,
    "acknowledged before accepted": b"\x40\x02\x00\x01",
    "a message before accepted": message(b"a", b"x"),
    "accepted twice": ACCEPTED + ACCEPTED,
    "acknowledged after a refusal": b"\x20\x02\x00\x02" + b"\x40\x02\x00\x01",
    "reserved CONNACK flags": b"\x20\x02\x02\x00",
    "CONNACK too long": b"\x20\x03\x00\x00\x00",
    "PUBACK with flags": ACCEPTED + b"\x41\x02\x00\x01",
    "PUBACK too long": ACCEPTED + b"\x40\x03\x00\x01\x00",
    "PUBACK too short": ACCEPTED + b"\x40\x01\x00",
    "PUBACK of 0": ACCEPTED + b"\x40\x02\x00\x00",
    "SUBACK without a code": ACCEPTED + b"\x90\x02\x00\x01",
    "PINGRESP with a body": ACCEPTED + b"\xd0\x01\x00",
    "five bytes of length": ACCEPTED + b"\x30\x80\x80\x80\x80\x01",
    "four bytes of length that want a fifth": ACCEPTED + b"\x30\x80\x80\x80\x80",
    "QoS 3": ACCEPTED + message(b"a", b"x", 1, 0x36),
    "empty topic": ACCEPTED + message(b"", b"xyz"),
    "topic beyond the packet": ACCEPTED + b"\x30\x04\x00\x09ab",
    "packet id beyond the packet": ACCEPTED + b"\x32\x04\x00\x01ab",
    "packet id 0": ACCEPTED + b"\x32\x05\x00\x01a\x00\x00",
    "what only a client sends": ACCEPTED + b"\xc0\x00",
}


def run(session, data, piece):
    """Feed data in pieces, used as the class says -> events. The loop is bounded: each turn takes a byte."""
    events = []
    position = 0
    while position < len(data):
        taken = session.receive(data[position : position + piece])
        events += drain(session)
        assert taken > 0, "no room after a None"
        position += taken
    return events


def drain(session):
    return list(iter(session.next_event, None))


@pytest.mark.parametrize("piece", [1, 2, 3, 7, 64, 1 << 30], ids=lambda n: f"pieces of {n}")
@pytest.mark.parametrize("name", STREAMS)
def test_the_cut_does_not_matter(name, piece):
    data, events, receive_max = STREAMS[name]
    if len(data) > 1 << 20:
        piece *= 1000  # a packet of 2 MiB byte by byte takes a second and shows no more
    assert run(mqtt.Session(receive_max), memoryview(data), piece) == events


@pytest.mark.parametrize("name", [name for name in STREAMS if name != "refused"])
def test_trailing_data_waits_for_its_rest(name):
    data, events, receive_max = STREAMS[name]
    session = mqtt.Session(receive_max)
    assert run(session, memoryview(data + b"\x40\x02\x33"), 1 << 30) == events
    assert run(session, b"\x44", 1) == [(mqtt.PUBACK, 0x3344)]


@pytest.mark.parametrize("piece", [1, 1 << 30], ids=["byte by byte", "whole"])
@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_stream_says_so_once(name, piece):
    session = mqtt.Session(64)
    events = run(session, BROKEN[name], piece)
    assert events[-1][0] == mqtt.BROKEN
    assert isinstance(events[-1][1], str)
    assert [event[0] for event in events[:-1]] in ([], [mqtt.CONNACK])
    assert run(session, ACCEPTED + b"\x40\x02\x00\x01", 3) == []


def test_events_before_the_break_are_kept():
    events = run(mqtt.Session(64), ACCEPTED + b"\x40\x02\x00\x01" + b"\x00", 1 << 30)
    assert events[:2] == [WELCOME, (mqtt.PUBACK, 1)]
    assert [event[0] for event in events[2:]] == [mqtt.BROKEN]


def test_only_the_first_count_bytes_are_read():
    session = mqtt.Session(64)
    buffer = bytearray(ACCEPTED + b"\x40\x02\x00\x01")
    assert session.receive(buffer, 4) == 4
    assert drain(session) == [WELCOME]
    buffer[:] = bytes(8)  # the caller's buffer is its own again
    assert drain(session) == []
    assert session.receive(b"\x40\x02\x00\x02", 4) == 4
    assert drain(session) == [(mqtt.PUBACK, 2)]


def test_a_flood_is_refused_not_queued():
    session = mqtt.Session(64)
    flood = ACCEPTED + b"\x40\x02\x00\x01" * 10000
    assert session.receive(flood) == 64
    assert session.receive(flood) == 0
    assert len(drain(session)) == 16
    assert session.receive(flood) == 64


def test_restart_forgets_a_half_packet_a_skip_and_a_break():
    session = mqtt.Session(64)
    for before in (ACCEPTED + b"\x40\x02", ACCEPTED + b"\x30\xff\x7f", b"HTTP"):
        run(session, before, 1 << 30)
        session.restart()
        assert run(session, ACCEPTED + b"\x40\x02\x00\x01", 1) == [WELCOME, (mqtt.PUBACK, 1)]


PACKETS = st.one_of(
    st.binary(max_size=8),
    st.sampled_from([data for data, _, size in STREAMS.values() if size == 64]),
    st.sampled_from(list(BROKEN.values())),
    st.builds(message, st.binary(max_size=70), st.binary(max_size=70), st.integers(0, 65535), st.integers(0, 255)),
)


@settings(max_examples=400)
@given(st.lists(PACKETS, max_size=8), st.lists(st.integers(1, 100), min_size=1, max_size=8), st.integers(8, 80))
def test_garbage_never_raises_and_never_grows(packets, pieces, receive_max):
    data = ACCEPTED + b"".join(packets)
    session = mqtt.Session(receive_max)
    events, position, turn = [], 0, 0
    while position < len(data):
        taken = session.receive(data[position : position + pieces[turn % len(pieces)]])
        assert session._end - session._start <= receive_max == len(session._buffer)
        events += drain(session)
        assert taken > 0
        position += taken
        turn += 1
    for event in events:
        assert event[0] in (2, 3, 4, 9, 16, 17)
        if event[0] == mqtt.MESSAGE:
            assert len(event[1]) + len(event[2]) < receive_max
            assert 0 <= event[3] <= 65535
        if event[0] == mqtt.OVERSIZE:
            assert event[1] > receive_max
    assert events == run(mqtt.Session(receive_max), data, 1 << 30)


# MQTT 3.1.1 table 2.4 (both ends of each row) and the two worked numbers of section 2.2.3.
LENGTHS = {
    0: "00",
    127: "7f",
    128: "80 01",
    16383: "ff 7f",
    16384: "80 80 01",
    2097151: "ff ff 7f",
    2097152: "80 80 80 01",
    268435455: "ff ff ff 7f",
    64: "40",
    321: "c1 02",
}


@pytest.mark.parametrize("length", LENGTHS)
def test_remaining_length_as_in_table_2_4(length):
    assert mqtt.remaining_length(length) == bytes.fromhex(LENGTHS[length])


@pytest.mark.parametrize("length", [n for n in LENGTHS if n > 64])
def test_the_session_reads_the_length_it_would_write(length):
    session = mqtt.Session(64)
    encoded = bytes.fromhex(LENGTHS[length])
    assert run(session, ACCEPTED + b"\x30" + encoded, 1) == [
        WELCOME,
        (mqtt.OVERSIZE, 1 + len(encoded) + length),
    ]


@pytest.mark.skipif(not hasattr(paho.Client, "_pack_remaining_length"), reason="this paho-mqtt has no such method")
@given(st.integers(0, mqtt.REMAINING_LENGTH_MAX))
def test_remaining_length_as_paho_mqtt_has_it(length):
    assert "packet" in inspect.signature(paho.Client._pack_remaining_length).parameters
    expected = bytearray()
    paho.Client._pack_remaining_length(None, expected, length)
    assert mqtt.remaining_length(length) == bytes(expected)


def test_packets_byte_by_byte():
    # Sections 3.1, 3.8, 3.3, 3.4, 3.14 of MQTT 3.1.1, written out by hand.
    assert mqtt.connect("n1", 60) == b"\x10\x0e\x00\x04MQTT\x04\x00\x00\x3c\x00\x02n1"
    assert mqtt.connect("n1", 60, "u", "pw") == b"\x10\x15\x00\x04MQTT\x04\xc0\x00\x3c\x00\x02n1\x00\x01u\x00\x02pw"
    assert mqtt.connect("n1", 0, "u") == b"\x10\x11\x00\x04MQTT\x04\x80\x00\x00\x00\x02n1\x00\x01u"
    assert mqtt.subscribe(258, ["a/b", b"c"]) == b"\x82\x0c\x01\x02\x00\x03a/b\x00\x00\x01c\x00"
    assert mqtt.publish("a/b", b"xyz") == b"\x30\x08\x00\x03a/bxyz"
    assert mqtt.publish("a/b", b"xyz", retain=True) == b"\x31\x08\x00\x03a/bxyz"
    assert mqtt.publish(b"a/b", b"xyz", 10) == b"\x32\x0a\x00\x03a/b\x00\x0axyz"
    assert mqtt.publish("a/b", b"xyz", 65535, dup=True, retain=True) == b"\x3b\x0a\x00\x03a/b\xff\xffxyz"
    assert mqtt.puback(65534) == b"\x40\x02\xff\xfe"
    assert mqtt.disconnect() == b"\xe0\x00"


def test_no_password_without_a_user_name():
    # [MQTT-3.1.2-22]; and the secret must not slip into the packet by another way
    assert b"secret" not in mqtt.connect("n1", 60, "", "secret")


def test_strings_are_counted_in_bytes_and_bounded():
    assert mqtt.publish("ß", b"") == b"\x30\x04\x00\x02\xc3\x9f"
    assert len(mqtt.publish("t" * 65535, b"")) == 1 + 3 + 2 + 65535
    with pytest.raises(ValueError):
        mqtt.publish("t" * 65536, b"")


@pytest.mark.parametrize(
    "call",
    [
        lambda: mqtt.connect("", 60),
        lambda: mqtt.connect("n1", 65536),
        lambda: mqtt.subscribe(0, ["a"]),
        lambda: mqtt.subscribe(1, []),
        lambda: mqtt.publish("a", b"", 65536),
        lambda: mqtt.publish("a", b"", 0, dup=True),
        lambda: mqtt.remaining_length(268435456),
    ],
)
def test_our_own_mistakes_are_stopped(call):
    with pytest.raises(AssertionError):
        call()
