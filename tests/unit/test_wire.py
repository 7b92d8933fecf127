"""hostsim.wire must hand out exactly the packets that MQTT 3.1.1 lets a client send, however they arrive.

All bytes here are made by hand. Clause numbers from memory.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hostsim import wire

# one of each, and the tuple it has to become
CONNECT_BYTES = bytes.fromhex("10 10 0004 4d515454 04 00 003c 0004 6e6f6465")
SUBSCRIBE_BYTES = bytes.fromhex("82 0a 0001 0001 61 00 0001 62 01")
LONG_PAYLOAD = bytes(range(256)) * 2
CASES = [
    (CONNECT_BYTES, (wire.CONNECT, "node", False, 60, None, None, None)),
    (
        bytes.fromhex("1020 0004 4d515454 04 f6 0000 0001 6e 0001 77 0003 627965 0004 79617264 0003 00ff00"),
        (wire.CONNECT, "n", True, 0, "yard", b"\x00\xff\x00", ("w", b"bye", 2, True)),
    ),
    (bytes.fromhex("30 05 0001 61 6869"), (wire.PUBLISH, "a", b"hi", 0, 0, False, False)),
    (bytes.fromhex("31 03 0001 61"), (wire.PUBLISH, "a", b"", 0, 0, False, True)),
    (bytes.fromhex("32 07 0001 61 0102 6869"), (wire.PUBLISH, "a", b"hi", 1, 258, False, False)),
    (bytes.fromhex("3b 05 0001 61 ffff"), (wire.PUBLISH, "a", b"", 1, 65535, True, True)),
    (
        bytes.fromhex("32 8504 0001 61 0001") + LONG_PAYLOAD,
        (wire.PUBLISH, "a", LONG_PAYLOAD, 1, 1, False, False),
    ),
    (SUBSCRIBE_BYTES, (wire.SUBSCRIBE, 1, (("a", 0), ("b", 1)))),
    (bytes.fromhex("40 02 0001"), (wire.PUBACK, 1)),
    (bytes.fromhex("c0 00"), (wire.PINGREQ,)),
    (bytes.fromhex("e0 00"), (wire.DISCONNECT,)),
]
STREAM = b"".join(data for data, _ in CASES)
PACKETS = [packet for _, packet in CASES]


@pytest.mark.parametrize(("data", "packet"), CASES)
def test_each_packet_is_read(data, packet):
    assert list(wire.Reader().packets(data)) == [packet]


@given(st.lists(st.integers(0, len(STREAM)), max_size=12))
def test_however_the_stream_is_cut_the_packets_are_the_same(cuts):
    reader, edges = wire.Reader(), [0, *sorted(cuts), len(STREAM)]
    got = []
    for start, end in zip(edges, edges[1:], strict=False):
        got += reader.packets(STREAM[start:end])
    assert got == PACKETS


@pytest.mark.parametrize("kind", [bytes, bytearray, memoryview])
def test_byte_by_byte_and_in_any_kind_of_buffer(kind):
    reader, got = wire.Reader(), []
    for at in range(len(STREAM)):
        got += reader.packets(kind(STREAM[at : at + 1]))
    assert got == PACKETS


def test_what_is_not_whole_is_not_handed_out():
    for data, _ in CASES:
        for count in range(len(data)):
            assert list(wire.Reader().packets(data[:count])) == []


def connect(flags="00", tail="0001 6e", name="0004 4d515454", level="04"):
    body = bytes.fromhex(f"{name} {level} {flags} 003c {tail}")
    return bytes((0x10, len(body))) + body


VIOLATIONS = {
    "type 0": "00 00",
    "type 15": "f0 00",
    "CONNACK from a client": "20 02 0000",
    "SUBACK from a client": "90 03 000100",
    "PINGRESP from a client": "d0 00",
    "QoS 2 publish": "34 05 0001 61 0001",
    "QoS 3 [3.3.1-4]": "36 05 0001 61 0001",
    "DUP with QoS 0 [3.3.1-2]": "38 03 0001 61",
    "CONNECT flags [2.2.2-2]": "11 00",
    "SUBSCRIBE flags 0 [3.8.1-1]": "80 06 0001 0001 61 00",
    "PUBACK flags": "42 02 0001",
    "PINGREQ flags": "c1 00",
    "DISCONNECT flags": "e1 00",
    "five length bytes": "30 80 80 80 80 01",
    "four length bytes that all go on": "30 ff ff ff ff",
    "PUBLISH without a topic length": "30 01 00",
    "PUBLISH with nothing in it": "30 00",
    "PUBLISH shorter than its topic": "30 03 0002 61",
    "PUBLISH without a packet id": "32 04 0001 61 00",
    "PUBLISH with packet id 0 [2.3.1-1]": "32 05 0001 61 0000",
    "empty topic [4.7.3-1]": "30 02 0000",
    "+ in a topic [3.3.2-2]": "30 03 0001 2b",
    "# in a topic [3.3.2-2]": "30 05 0003 612f23",
    "U+0000 in a topic [1.5.3-2]": "30 03 0001 00",
    "overlong UTF-8 [1.5.3-1]": "30 04 0002 c080",
    "a surrogate [1.5.3-1]": "30 05 0003 eda080",
    "cut UTF-8 [1.5.3-1]": "30 03 0001 c3",
    "SUBSCRIBE with packet id 0 [2.3.1-1]": "82 06 0000 0001 61 00",
    "SUBSCRIBE without filters [3.8.3-3]": "82 02 0001",
    "SUBSCRIBE without a QoS": "82 05 0001 0001 61",
    "SUBSCRIBE for QoS 3 [3.8.3-4]": "82 06 0001 0001 61 03",
    "SUBSCRIBE with reserved bits [3.8.3-4]": "82 06 0001 0001 61 80",
    "empty filter [4.7.3-1]": "82 05 0001 0000 00",
    "a# [4.7.1-2]": "82 07 0001 0002 6123 00",
    "#/a [4.7.1-2]": "82 08 0001 0003 232f61 00",
    "a+ [4.7.1-3]": "82 07 0001 0002 612b 00",
    "PUBACK of 1 byte": "40 01 00",
    "PUBACK of 3 bytes": "40 03 000100",
    "PUBACK of packet id 0": "40 02 0000",
    "PINGREQ with a body": "c0 01 00",
    "DISCONNECT with a body": "e0 01 00",
    "CONNECT cut inside its flags": "10 06 0004 4d515454",
    "protocol name MQIsdp [3.1.2-1]": connect(name="0006 4d5149736470", level="03").hex(),
    "protocol name mqtt [3.1.2-1]": connect(name="0004 6d717474").hex(),
    "protocol level 5 [3.1.2-2]": connect(level="05").hex(),
    "reserved connect flag [3.1.2-3]": connect("03").hex(),
    "will QoS without will [3.1.2-13]": connect("0a").hex(),
    "will retain without will [3.1.2-15]": connect("22").hex(),
    "will QoS 3 [3.1.2-14]": connect("1e", "0001 6e 0001 77 0000").hex(),
    "password without user name [3.1.2-22]": connect("42", "0001 6e 0001 70").hex(),
    "user name flag without a user name": connect("82").hex(),
    "bytes behind the last field": connect("02", "0001 6e 00").hex(),
    "no client id with CleanSession 0 [3.1.3-8]": connect("00", "0000").hex(),
    "wildcard in the will topic": connect("06", "0001 6e 0001 23 0000").hex(),
}


@pytest.mark.parametrize("data", VIOLATIONS.values(), ids=VIOLATIONS)
def test_a_violation_is_named_and_what_stood_before_it_is_handed_out(data):
    packets = wire.Reader().packets(bytes.fromhex("c0 00") + bytes.fromhex(data) + bytes.fromhex("c0 00"))
    assert next(packets) == (wire.PINGREQ,)
    with pytest.raises(wire.ProtocolViolation) as caught:
        next(packets)
    assert caught.value.reason
    assert list(packets) == []


def test_every_violation_has_a_legal_neighbour():
    """The strict cases must not pass because everything is refused: the nearest legal forms go through."""
    legal = [
        "30 03 0001 61",
        "3a 05 0001 61 0001",
        "30 05 0003 612f62",
        "30 04 0002 c3a9",
        "30 83 00 0001 61",
    ]
    legal += [
        "30 83 00 0001 61",
        "82 06 0001 0001 61 02",
        "82 06 0001 0001 2b 00",
        "82 08 0001 0003 612f23 00",
    ]
    legal += [connect("02", "0000").hex(), connect("16", "0001 6e 0001 77 0000").hex()]
    for data in legal:
        assert len(list(wire.Reader().packets(bytes.fromhex(data)))) == 1, data


def test_the_codes_that_a_connack_has_to_carry():
    for data, code in ((connect(level="05"), wire.BAD_LEVEL), (connect("00", "0000"), wire.BAD_CLIENT_ID)):
        with pytest.raises(wire.ProtocolViolation) as caught:
            list(wire.Reader().packets(data))
        assert caught.value.connack == code


def test_a_packet_that_is_too_large_is_refused_before_it_has_arrived():
    assert list(wire.Reader(100).packets(b"\x30\x64" + bytes(99))) == []
    with pytest.raises(wire.ProtocolViolation):
        list(wire.Reader(100).packets(b"\x30\x65"))


def test_a_fifth_length_byte_is_not_waited_for():
    assert list(wire.Reader().packets(bytes.fromhex("30 808080"))) == []
    with pytest.raises(wire.ProtocolViolation):
        list(wire.Reader().packets(bytes.fromhex("30 80808080")))


@given(st.binary(max_size=200))
def test_garbage_raises_nothing_but_protocol_violation(data):
    try:
        packets = list(wire.Reader().packets(data))
    except wire.ProtocolViolation:
        return
    assert len(packets) <= len(data) // 2


def test_a_cached_result_is_not_served_for_other_bytes():
    for tail, client_id in (("0001 6e", "n"), ("0001 6d", "m"), ("0001 6e", "n")):
        assert next(wire.Reader().packets(connect(tail=tail)))[1] == client_id


def test_what_a_broker_writes():
    assert wire.connack(True, 0) == bytes.fromhex("20 02 01 00")
    assert wire.connack(False, 0) == bytes.fromhex("20 02 00 00")
    assert wire.connack(True, 5) == bytes.fromhex("20 02 00 05")  # no session present with a refusal [3.2.2-4]
    assert wire.puback(0xABCD) == bytes.fromhex("40 02 ab cd")
    assert wire.suback(10, [0, 128]) == bytes.fromhex("90 04 000a 00 80")
    assert bytes.fromhex("d0 00") == wire.PINGRESP
    assert wire.publish("a", b"hi", retain=True) == bytes.fromhex("31 05 0001 61 6869")
    assert wire.publish("a", b"", qos=1, packet_id=7) == bytes.fromhex("32 05 0001 61 0007")
    assert wire.publish("a", bytes(125))[:2] == b"\x30\x80"
    assert wire.publish("a", bytes(125))[2:5] == b"\x01\x00\x01"


@pytest.mark.parametrize("size", [0, 124, 125, 126, 16380, 16381])
def test_what_it_writes_it_can_read(size):
    packet = wire.publish("torpor/yard-mast/have", bytes(size), qos=1, packet_id=9)
    assert list(wire.Reader().packets(packet)) == [
        (wire.PUBLISH, "torpor/yard-mast/have", bytes(size), 1, 9, False, False)
    ]
