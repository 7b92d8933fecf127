"""MQTT 3.1.1, client side. Law: bytes in, events out; no input raises, none is buffered beyond receive_max.

No I/O and no clock live here: the caller moves the bytes and holds the deadline.
Source: OASIS MQTT 3.1.1; sections and [MQTT-x.y.z-n] statements are cited beside what they require.
"""

import struct

# Events, by the wire type (section 2.2.1) of the packet they come from; OVERSIZE and BROKEN have none.
CONNACK = 2  # (CONNACK, return_code, session_present); return_code 0: accepted
MESSAGE = 3  # (MESSAGE, topic_bytes, payload_bytes, packet_id or 0, retain); answer a packet_id with puback()
PUBACK = 4  # (PUBACK, packet_id)
SUBACK = 9  # (SUBACK, packet_id)
OVERSIZE = 16  # (OVERSIZE, length): a packet of that many bytes, header included, is being skipped
BROKEN = 17  # (BROKEN, reason): the stream is no MQTT from here on; comes once, then nothing more

REMAINING_LENGTH_MAX = 268435455  # section 2.2.3, table 2.4
STRING_LENGTH_MAX = 65535  # section 1.5.3
PROTOCOL = b"\x00\x04MQTT\x04"  # sections 3.1.2.1 and 3.1.2.2: name and level of version 3.1.1

# Type -> (header flags it must have, or None; shortest, longest remaining length). Client types are absent.
_INBOUND = {
    2: (0, 2, 2),  # CONNACK
    3: (None, 3, REMAINING_LENGTH_MAX),  # PUBLISH: a topic of one character at least
    4: (0, 2, 2),  # PUBACK
    5: (0, 2, 2),  # PUBREC, PUBREL, PUBCOMP: swallowed, QoS 2 is never asked for
    6: (2, 2, 2),
    7: (0, 2, 2),
    9: (0, 3, REMAINING_LENGTH_MAX),  # SUBACK
    11: (0, 2, 2),  # UNSUBACK
    13: (0, 0, 0),  # PINGRESP
}


def connect(client_id, keepalive_s, username="", password=""):
    """CONNECT with CleanSession=0 and no will -> bytes.

    client_id: 1-23 of 0-9a-zA-Z, which every server accepts [MQTT-3.1.3-5]; keepalive_s: 0 (off) to 65535.
    Without a username no password is sent [MQTT-3.1.2-22]. Raises ValueError for a string above 65535 bytes.
    """
    assert client_id  # an empty one needs a clean session [MQTT-3.1.3-7]
    assert 0 <= keepalive_s <= 65535
    flags = 0
    body = _string(client_id)
    if username:
        flags = 0x80
        body += _string(username)
        if password:
            flags = 0xC0
            body += _string(password)
    body = PROTOCOL + struct.pack(">BH", flags, keepalive_s) + body
    return b"\x10" + remaining_length(len(body)) + body


def subscribe(packet_id, topics):
    """SUBSCRIBE to one or more topics (str or bytes) at QoS 0 -> bytes. packet_id is 1-65535."""
    assert topics
    assert 0 < packet_id <= 65535
    body = struct.pack(">H", packet_id)
    for topic in topics:
        body += _string(topic) + b"\x00"
    return b"\x82" + remaining_length(len(body)) + body


def publish(topic, payload, packet_id=0, dup=False, retain=False):
    """PUBLISH -> bytes. topic: no wildcards; payload: bytes; packet_id: 0 (QoS 0), 1-65535 (QoS 1).

    dup marks a packet that may have been sent before [MQTT-3.3.1-1]; QoS 0 never carries it [MQTT-3.3.1-2].
    Raises ValueError for a topic above 65535 bytes.
    """
    assert 0 <= packet_id <= 65535
    assert packet_id or not dup
    first = 0x30 | (1 if retain else 0)
    head = _string(topic)
    if packet_id:
        first |= 0x0A if dup else 0x02
        head += struct.pack(">H", packet_id)
    return bytes((first,)) + remaining_length(len(head) + len(payload)) + head + payload


def puback(packet_id):
    """PUBACK for a message that came with this packet_id -> 4 bytes."""
    return struct.pack(">BBH", 0x40, 2, packet_id)


def disconnect():
    """DISCONNECT -> 2 bytes."""
    return b"\xe0\x00"


def remaining_length(length):
    """A remaining length of 0 to 268435455 as 1-4 bytes, seven bits each, low ones first (section 2.2.3)."""
    assert 0 <= length <= REMAINING_LENGTH_MAX
    out = bytearray()
    while length > 127:
        out.append(length & 127 | 128)
        length >>= 7
    out.append(length)
    return bytes(out)


def _string(text):
    raw = text if isinstance(text, bytes) else text.encode()
    if len(raw) > STRING_LENGTH_MAX:
        raise ValueError("string too long")
    return struct.pack(">H", len(raw)) + raw


class Session:
    """What a server sends over one connection, as events.

    Loop: receive(...), drain next_event() to None, receive the rest. After a None there is always room.
    """

    def __init__(self, receive_max=1024):
        """receive_max: size of the buffer and of the largest packet delivered; at least 8 bytes."""
        assert receive_max >= 8
        self._buffer = bytearray(receive_max)
        self._view = memoryview(self._buffer)
        self.restart()

    def restart(self):
        """Forget everything: the next byte is the first of a new connection. The buffer is kept."""
        self._start = self._end = 0  # the unparsed bytes are _buffer[_start:_end]
        self._skip = 0  # bytes of an oversize packet still to come
        self._connected = self._refused = self._broken = False

    def receive(self, data, count=None):
        """Take from the first count (None: all) of bytes, bytearray or memoryview -> how many were taken.

        Fewer than count: drain next_event(), then pass the rest. After BROKEN all is taken, and dropped.
        """
        if count is None:
            count = len(data)
        if self._broken:
            return count
        skipped = min(self._skip, count)
        self._skip -= skipped
        wanted = count - skipped
        if wanted > len(self._buffer) - self._end:
            self._compact()
        wanted = min(wanted, len(self._buffer) - self._end)
        self._view[self._end : self._end + wanted] = memoryview(data)[skipped : skipped + wanted]
        self._end += wanted
        return skipped + wanted

    def next_event(self):
        """The next event as a tuple (see the constants), or None until more bytes have come."""
        while not self._broken:
            reason, header, length = self._header()
            if reason:
                return self._break(reason)
            if not header:
                return None
            if header + length > len(self._buffer):
                return self._oversize(header + length)
            if self._end - self._start < header + length:
                return None
            start = self._start
            self._start += header + length
            event = self._event(self._buffer[start], start + header, self._start)
            if event:
                return event
        return None

    def _compact(self):
        # Through a copy: no runtime promises overlapping slice assignment, and what is left is mostly short.
        rest = bytes(self._view[self._start : self._end])
        self._view[: len(rest)] = rest
        self._start = 0
        self._end = len(rest)

    def _header(self):
        """(why no packet begins at _start, or None; header size, 0: not all here yet; remaining length)."""
        available = self._end - self._start
        if not available:
            return None, 0, 0
        first = self._buffer[self._start]
        rule = _INBOUND.get(first >> 4)
        if rule is None or (rule[0] is not None and first & 15 != rule[0]):
            return "packet type", 0, 0
        if self._refused or (first >> 4 == CONNACK) == self._connected:
            return "order of packets", 0, 0  # CONNACK first [MQTT-3.2.0-1], once, and nothing after a refusal
        length = 0
        for index in range(1, min(available, 5)):
            byte = self._buffer[self._start + index]
            length |= (byte & 127) << 7 * (index - 1)
            if byte < 128:
                if not rule[1] <= length <= rule[2]:
                    return "packet length", 0, 0
                return None, 1 + index, length
        return ("remaining length", 0, 0) if available > 4 else (None, 0, 0)

    def _break(self, reason):
        self._broken = True
        return (BROKEN, reason)

    def _oversize(self, size):
        here = min(size, self._end - self._start)
        self._start += here
        self._skip = size - here
        return (OVERSIZE, size)

    def _event(self, first, start, end):
        kind = first >> 4
        if kind == MESSAGE:
            return self._message(first, start, end)
        if kind == CONNACK:
            if self._buffer[start] > 1:
                return self._break("reserved flags")  # section 3.2.2.1
            self._connected = True
            self._refused = self._buffer[start + 1] != 0
            return (CONNACK, self._buffer[start + 1], self._buffer[start] == 1)
        if kind != PUBACK and kind != SUBACK:
            return None
        packet_id = self._buffer[start] << 8 | self._buffer[start + 1]
        return (kind, packet_id) if packet_id else self._break("packet id 0")  # [MQTT-2.3.1-1]

    def _message(self, first, start, end):
        qos = first >> 1 & 3
        topic_start = start + 2
        topic_end = topic_start + (self._buffer[start] << 8 | self._buffer[start + 1])
        payload_start = topic_end + (2 if qos else 0)
        if qos == 3 or topic_end == topic_start or payload_start > end:  # [MQTT-3.3.1-4], [MQTT-4.7.3-1]
            return self._break("publish")
        packet_id = 0
        if qos:
            packet_id = self._buffer[topic_end] << 8 | self._buffer[topic_end + 1]
            if not packet_id:
                return self._break("packet id 0")
        if qos == 2:
            packet_id = 0  # a PUBACK would be the wrong answer; the message counts, the exchange is left open
        view = self._view
        return (
            MESSAGE,
            bytes(view[topic_start:topic_end]),
            bytes(view[payload_start:end]),
            packet_id,
            first & 1 == 1,
        )
