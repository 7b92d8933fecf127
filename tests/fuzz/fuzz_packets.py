"""Packets both ways. Law: a stream gives the same packets however it is cut, and just those that MQTT 3.1.1 allows.

`mqtt` is what a node reads of a server's bytes, held against the standard's own rules written out a second time.
`wire` is what the simulated broker reads of a client's; what it hands out is written anew by the node's encoder.
"""

from torpor import mqtt

from hostsim import wire

ACCEPTED = b"\x20\x02\x00\x00"
BROKEN = (mqtt.BROKEN, "")
# type: (flags, shortest, longest) of what a server may send besides PUBLISH; tables 2.1 and 2.2, and each packet's own
SERVER = {
    2: (0, 2, 2),
    4: (0, 2, 2),
    5: (0, 2, 2),
    6: (2, 2, 2),
    7: (0, 2, 2),
    9: (0, 3, 268435455),
    11: (0, 2, 2),
    13: (0, 0, 0),
}


def split(data):
    """(number, sizes of pieces, stream): the first bytes of an input say how the rest is cut."""
    number = data[0] if data else 0
    count = data[1] % 8 if len(data) > 1 else 0
    return number, [1 + size for size in data[2 : 2 + count]] or [1], data[2 + count :]


def length_at(data, at):
    """(remaining length, where the body begins); (None, 0): cut off; (-1, 0): longer than four bytes."""
    length = 0
    for place in range(4):
        if at + place >= len(data):
            return None, 0
        length += (data[at + place] & 127) * 128**place
        if data[at + place] < 128:
            return length, at + place + 1
    return -1, 0


def expected(data, receive_max):
    """The events that a node must get out of a server's stream."""
    events, at, connected, refused = [], 0, False, False
    while at < len(data):
        kind, flags = data[at] >> 4, data[at] & 15
        rule = (flags, 3, 268435455) if kind == 3 else SERVER.get(kind)
        if rule is None or rule[0] != flags or refused or connected == (kind == 2):
            return [*events, BROKEN]
        length, body = length_at(data, at + 1)
        if length is None:
            return events
        if not rule[1] <= length <= rule[2]:
            return [*events, BROKEN]
        if body + length - at > receive_max:
            events.append((mqtt.OVERSIZE, body + length - at))
            at = body + length
            continue
        if body + length > len(data):
            return events
        event = meaning(kind, flags, data[body : body + length])
        if event == BROKEN:
            return [*events, BROKEN]
        if kind == 2:
            connected, refused = True, event[1] != 0
        events += [event] if event else []
        at = body + length
    return events


def meaning(kind, flags, body):
    """The event of one whole packet, None for one that says nothing to a node."""
    if kind == 2:
        return (mqtt.CONNACK, body[1], body[0] == 1) if body[0] < 2 else BROKEN
    if kind in (4, 9):
        number = int.from_bytes(body[:2], "big")
        return (kind, number) if number else BROKEN
    if kind != 3:
        return None
    qos, size = flags // 2 % 4, int.from_bytes(body[:2], "big")
    topic, rest = body[2 : 2 + size], body[2 + size :]
    if qos == 3 or not size or len(topic) < size:
        return BROKEN
    number = 0
    if qos:
        number, short, rest = int.from_bytes(rest[:2], "big"), len(rest) < 2, rest[2:]
        if short or not number:
            return BROKEN
    return (mqtt.MESSAGE, topic, rest, number if qos == 1 else 0, flags % 2 == 1)


def run_mqtt(data):
    number, sizes, stream = split(data)
    receive_max = 8 + number % 120
    if number >= 128:
        stream = ACCEPTED + stream
    session = mqtt.Session(receive_max)
    events, at, turn = [], 0, 0
    while at < len(stream):
        taken = session.receive(stream[at : at + sizes[turn % len(sizes)]])
        assert session._end - session._start <= receive_max == len(session._buffer)
        events += iter(session.next_event, None)
        assert taken > 0, "no room after all events were taken"
        at, turn = at + taken, turn + 1
    named = [BROKEN if event[0] == mqtt.BROKEN else event for event in events]
    assert named == expected(stream, receive_max)


def heard(stream, sizes):
    """(packets, the reason for which the rest was refused or None) of a client's stream."""
    reader, packets, at, turn = wire.Reader(600), [], 0, 0
    while at < len(stream):
        size = sizes[turn % len(sizes)]
        try:
            packets.extend(reader.packets(stream[at : at + size]))
        except wire.ProtocolViolation as violation:
            # what it completed before the wrong one was handed out, too: extend() kept it
            return packets, violation.reason
        at, turn = at + size, turn + 1
    return packets, None


def written(packet):
    """The packet as the node writes it, None for what a node never sends."""
    kind = packet[0]
    if kind == wire.CONNECT:
        _, client_id, clean, keepalive_s, username, password, will = packet
        if clean or will or not client_id or username == "" or password == b"" or password and not password.isascii():
            return None
        return mqtt.connect(client_id, keepalive_s, username or "", (password or b"").decode())
    if kind == wire.PUBLISH:
        _, topic, payload, _, number, dup, retain = packet
        return mqtt.publish(topic, payload, number, dup, retain)
    if kind == wire.PUBACK:
        return mqtt.puback(packet[1])
    if kind == wire.SUBSCRIBE and all(qos == 0 for _, qos in packet[2]):
        return mqtt.subscribe(packet[1], [topic for topic, _ in packet[2]])
    return mqtt.disconnect() if kind == wire.DISCONNECT else None


def run_wire(data):
    _, sizes, stream = split(data)
    whole = heard(stream, [max(1, len(stream))])
    assert heard(stream, sizes) == whole
    for packet in whole[0]:
        again = written(packet)
        if again is not None:
            assert heard(again, [len(again)]) == ([packet], None)


def mqtt_seeds():
    streams = [
        b"\x40\x02\x12\x34" * 3 + b"\x90\x04\x00\x07\x00\x80",
        b"\x30\x09\x00\x03a/bmore",
        b"\x3b\x06\x00\x01a\x00\x09x" + b"\xd0\x00\x50\x02\x00\x01\x62\x02\x00\x01\x70\x02\x00\x01\xb0\x02\x00\x01",
        b"\x34\x06\x00\x01a\x00\x09x",
        b"\x30\xff\x01\x00\x01t" + b"p" * 252 + b"\x40\x02\x00\x01",
        b"\x30\xff\xff\x7f\x00\x01t",
        b"HTTP/1.1 302 Found\r\n",
    ]
    heads = [b"\xc0\x00", b"\x80\x03\x00\x01\x06", b"\xff\x01\x3f"]
    seeds = [head + stream for head in heads for stream in streams]
    return [*seeds, b"\x40\x00" + ACCEPTED, b"\x40\x02\x00\x01\x20\x02\x00\x05\x40\x02\x00\x01"]


def wire_seeds():
    hello = mqtt.connect("torpor00163efffe123456", 120, "yard", "larch") + mqtt.subscribe(7, ["a/b", "c"])
    streams = [
        hello + mqtt.publish("torpor/n/readings", b"[]", 9) + mqtt.disconnect(),
        hello + mqtt.publish("a", b"x", 9, True) + mqtt.publish("a", b"{}", 0, False, True) + b"\xc0\x00",
        mqtt.connect("n", 0) + mqtt.puback(5),
        b"\x10\x1a\x00\x04MQTT\x04\xee\x00\x0a\x00\x01n\x00\x01t\x00\x01w\x00\x01u\x00\x01p",
        b"\x82\x06\x00\x01\x00\x01#\x01",
    ]
    return [head + stream for head in (b"\x00\x00", b"\x00\x02\x00\x06") for stream in streams]


WORDS = [b"\x20\x02\x00\x00", b"\x40\x02", b"\x90\x03", b"\x30\x05\x00\x01", b"\x32\x06", b"\xff\xff\xff\x7f"]
