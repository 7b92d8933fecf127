"""The inside of each MQTT 3.1.1 packet that a client may send.

Law: a parser returns the packet's tuple (listed in wire.py) or raises ProtocolViolation with the reason; it
never guesses and never passes over a byte.

Clause numbers in brackets are those of the OASIS standard of 29 October 2014 (numbers from memory). A
parser is a pure function of its bytes and a node repeats itself in every session, so results are
remembered; an exception never is.
"""

from functools import lru_cache

CONNECT, PUBLISH, PUBACK, SUBSCRIBE, PINGREQ, DISCONNECT = 1, 3, 4, 8, 12, 14

BAD_LEVEL, BAD_CLIENT_ID = 1, 2  # CONNACK return codes (table 3.1)


class ProtocolViolation(Exception):  # noqa: N818  it is the client's error, not ours
    """The client broke MQTT 3.1.1. `reason` says how; `connack` is the code to answer first, 0 for none."""

    def __init__(self, reason: str, connack: int = 0):
        super().__init__(reason)
        self.reason = reason
        self.connack = connack


def publish(first: int, buffer: bytes, start: int, end: int) -> tuple:
    """The PUBLISH whose first header byte is `first` and whose body is buffer[start:end]."""
    at = start + 2
    topic_end = at + (buffer[start] << 8 | buffer[start + 1]) if at <= end else end + 1
    if topic_end > end:
        raise ProtocolViolation("PUBLISH is shorter than its topic")
    topic = _topic_name(buffer[at:topic_end])
    if not first & 6:
        return PUBLISH, topic, buffer[topic_end:end], 0, 0, False, first & 1 == 1
    at = topic_end + 2
    if at > end:
        raise ProtocolViolation("PUBLISH ends before its packet id")
    packet_id = buffer[topic_end] << 8 | buffer[topic_end + 1]
    if packet_id == 0:
        raise ProtocolViolation("PUBLISH with packet id 0 [MQTT-2.3.1-1]")
    return PUBLISH, topic, buffer[at:end], 1, packet_id, first & 8 == 8, first & 1 == 1


def _text(raw: bytes) -> str:
    try:
        text = raw.decode()  # refuses surrogates and overlong forms [MQTT-1.5.3-1]
    except UnicodeDecodeError:
        raise ProtocolViolation("a string that is not UTF-8 [MQTT-1.5.3-1]") from None
    if "\0" in text:
        raise ProtocolViolation("a string with U+0000 [MQTT-1.5.3-2]")
    return text


@lru_cache(1024)
def _topic_name(raw: bytes) -> str:
    topic = _text(raw)
    if not topic:
        raise ProtocolViolation("an empty topic [MQTT-4.7.3-1]")
    if "+" in topic or "#" in topic:
        raise ProtocolViolation("a wildcard in a topic name [MQTT-3.3.2-2]")
    return topic


def _topic_filter(raw: bytes) -> str:
    topic_filter = _text(raw)
    if not topic_filter:
        raise ProtocolViolation("an empty topic filter [MQTT-4.7.3-1]")
    levels = topic_filter.split("/")
    for level in levels:
        if "+" in level and level != "+":
            raise ProtocolViolation("+ beside other characters [MQTT-4.7.1-3]")
        if "#" in level and level != "#":
            raise ProtocolViolation("# beside other characters [MQTT-4.7.1-2]")
    if "#" in levels[:-1]:
        raise ProtocolViolation("# before the last level [MQTT-4.7.1-2]")
    return topic_filter


class _Fields:
    """Takes a packet's fields from front to back."""

    def __init__(self, body: bytes, name: str):
        self._body, self._at, self._name = body, 0, name

    def take(self, count: int) -> bytes:
        field = self._body[self._at : self._at + count]
        if len(field) < count:
            raise ProtocolViolation(f"{self._name} ends inside a field")
        self._at += count
        return field

    def u8(self) -> int:
        return self.take(1)[0]

    def u16(self) -> int:
        return int.from_bytes(self.take(2), "big")

    def sized(self) -> bytes:
        return self.take(self.u16())

    def more(self) -> bool:
        return self._at < len(self._body)


@lru_cache(256)
def connect(body: bytes) -> tuple:
    fields = _Fields(body, "CONNECT")
    if fields.sized() != b"MQTT":
        raise ProtocolViolation("the protocol name is not MQTT [MQTT-3.1.2-1]")
    if fields.u8() != 4:
        raise ProtocolViolation("the protocol level is not 4 [MQTT-3.1.2-2]", BAD_LEVEL)
    flags, keepalive_s = fields.u8(), fields.u16()
    _check_connect_flags(flags)
    clean_session = flags & 0x02 != 0
    client_id = _text(fields.sized())
    if not client_id and not clean_session:
        raise ProtocolViolation("no client id with CleanSession 0 [MQTT-3.1.3-8]", BAD_CLIENT_ID)
    will = None
    if flags & 0x04:
        will = (_topic_name(fields.sized()), fields.sized(), flags >> 3 & 3, flags & 0x20 != 0)
    username = _text(fields.sized()) if flags & 0x80 else None
    password = fields.sized() if flags & 0x40 else None
    if fields.more():
        raise ProtocolViolation("CONNECT goes on behind its last field")
    return CONNECT, client_id, clean_session, keepalive_s, username, password, will


def _check_connect_flags(flags: int) -> None:
    if flags & 0x01:
        raise ProtocolViolation("the reserved connect flag is set [MQTT-3.1.2-3]")
    if not flags & 0x04 and flags & 0x38:
        raise ProtocolViolation("will QoS or will retain without a will [MQTT-3.1.2-11]")
    if flags & 0x18 == 0x18:
        raise ProtocolViolation("will QoS 3 [MQTT-3.1.2-14]")
    if flags & 0x40 and not flags & 0x80:
        raise ProtocolViolation("a password without a user name [MQTT-3.1.2-22]")


@lru_cache(256)
def subscribe(body: bytes) -> tuple:
    fields = _Fields(body, "SUBSCRIBE")
    packet_id = fields.u16()
    if packet_id == 0:
        raise ProtocolViolation("SUBSCRIBE with packet id 0 [MQTT-2.3.1-1]")
    wanted = []
    while fields.more():
        topic_filter, qos = _topic_filter(fields.sized()), fields.u8()
        if qos > 2:
            raise ProtocolViolation("SUBSCRIBE asks for more than QoS 2 [MQTT-3.8.3-4]")
        wanted.append((topic_filter, qos))
    if not wanted:
        raise ProtocolViolation("SUBSCRIBE without a topic filter [MQTT-3.8.3-3]")
    return SUBSCRIBE, packet_id, tuple(wanted)


def puback(body: bytes) -> tuple:
    if len(body) != 2:
        raise ProtocolViolation("PUBACK is not 2 bytes long")
    packet_id = int.from_bytes(body, "big")
    if packet_id == 0:
        raise ProtocolViolation("PUBACK with packet id 0 [MQTT-2.3.1-1]")
    return PUBACK, packet_id


def pingreq(body: bytes) -> tuple:
    if body:
        raise ProtocolViolation("PINGREQ with a body")
    return (PINGREQ,)


def disconnect(body: bytes) -> tuple:
    if body:
        raise ProtocolViolation("DISCONNECT with a body")
    return (DISCONNECT,)


PARSERS = {
    CONNECT: connect,
    SUBSCRIBE: subscribe,
    PUBACK: puback,
    PINGREQ: pingreq,
    DISCONNECT: disconnect,
}
