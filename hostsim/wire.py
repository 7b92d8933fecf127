"""MQTT 3.1.1 as a broker reads and writes it.

Law: a packet is handed out only if the standard allows a client to send it; every packet before the
first violation is handed out, and none after it.

Bytes in, tuples out; no socket, no clock, and never more than one unfinished packet in memory. The
reader is deliberately strict: a node that gets through here gets through a broker in the field. Clause
numbers in brackets are those of the OASIS standard of 29 October 2014 (numbers from memory).

Tuples, by their first item:
    (CONNECT, client_id, clean_session, keepalive_s, username, password, will)
        username str, password bytes and will (topic, payload, qos, retain) may each be None
    (PUBLISH, topic, payload, qos, packet_id, dup, retain)     packet_id is 0 with QoS 0
    (PUBACK, packet_id)
    (SUBSCRIBE, packet_id, ((filter, qos), ...))
    (PINGREQ,) (DISCONNECT,)
QoS 2 publishes and UNSUBSCRIBE are legal MQTT, but a node has no use for them: they are refused too.
"""

from hostsim import wire_bodies
from hostsim.wire_bodies import (
    BAD_CLIENT_ID,
    BAD_LEVEL,
    CONNECT,
    DISCONNECT,
    PARSERS,
    PINGREQ,
    PUBACK,
    PUBLISH,
    SUBSCRIBE,
    ProtocolViolation,
)

__all__ = [
    "BAD_CLIENT_ID",
    "BAD_CREDENTIALS",
    "BAD_LEVEL",
    "CONNECT",
    "DISCONNECT",
    "NOT_AUTHORISED",
    "PINGREQ",
    "PINGRESP",
    "PUBACK",
    "PUBLISH",
    "SUBSCRIBE",
    "UNAVAILABLE",
    "ProtocolViolation",
    "Reader",
    "connack",
    "puback",
    "publish",
    "suback",
]

CONNACK, SUBACK = 2, 9

PACKET_BYTES_MAX = 65536  # a bound on memory; a node's largest packet is far below 2 KiB
PINGRESP = b"\xd0\x00"

UNAVAILABLE, BAD_CREDENTIALS, NOT_AUTHORISED = 3, 4, 5  # CONNACK return codes (table 3.1)


def _first_byte_flaw(first: int) -> str | None:
    """What is wrong with a fixed header's first byte, or None (clauses 2.2.2-1, 2.2.2-2)."""
    kind, flags = first >> 4, first & 15
    if kind == PUBLISH:
        qos, dup = flags >> 1 & 3, flags & 8
        if qos == 3:
            return "PUBLISH with both QoS bits set [MQTT-3.3.1-4]"
        if qos == 2:
            return "QoS 2 is not simulated"
        return "DUP with QoS 0 [MQTT-3.3.1-2]" if dup and not qos else None
    if kind not in PARSERS:
        return f"packet type {kind} is not one that a node sends"
    wanted = 2 if kind == SUBSCRIBE else 0
    return None if flags == wanted else f"flags {flags} on packet type {kind} [MQTT-2.2.2-2]"


_FLAWS = [_first_byte_flaw(first) for first in range(256)]


class Reader:
    """Cuts a client's byte stream into packets, however the stream was split on its way."""

    def __init__(self, packet_bytes_max: int = PACKET_BYTES_MAX):
        self._rest = b""
        self._packet_bytes_max = packet_bytes_max

    def packets(self, data):
        """Yield a tuple for each packet that `data` completes. Raises ProtocolViolation where the first wrong
        one stands; after that, or when the caller stops early, the reader is of no further use."""
        buffer = self._rest + data if self._rest else bytes(data)
        self._rest = b""
        at, size = 0, len(buffer)
        while at < size:
            first = buffer[at]
            if _FLAWS[first]:
                raise ProtocolViolation(_FLAWS[first])
            length, start = _remaining_length(buffer, at + 1, size)
            if start == 0:
                break
            if length > self._packet_bytes_max:
                raise ProtocolViolation(f"a packet of {length} bytes, more than {self._packet_bytes_max}")
            end = start + length
            if end > size:
                break
            at = end
            if first >> 4 == PUBLISH:  # nearly all of the traffic
                yield wire_bodies.publish(first, buffer, start, end)
            else:
                yield PARSERS[first >> 4](buffer[start:end])
        self._rest = buffer[at:]


def _remaining_length(buffer: bytes, at: int, size: int) -> tuple[int, int]:
    """(remaining length, offset behind it); offset 0 when not all of it is here yet (section 2.2.3)."""
    length = shift = 0
    while at < size:
        byte = buffer[at]
        at += 1
        length |= (byte & 127) << shift
        if byte < 128:
            return length, at
        shift += 7
        if shift == 28:
            raise ProtocolViolation("a remaining length of more than 4 bytes")
    return 0, 0


def connack(session_present: bool, code: int) -> bytes:
    """CONNACK; session_present is sent as 0 with any code but 0 [MQTT-3.2.2-4]."""
    return bytes((CONNACK << 4, 2, 1 if session_present and code == 0 else 0, code))


def puback(packet_id: int) -> bytes:
    return bytes((PUBACK << 4, 2, packet_id >> 8, packet_id & 255))


def suback(packet_id: int, codes: list[int]) -> bytes:
    """SUBACK with one code a filter: 0-2 the granted QoS, 128 refused."""
    return _packet(SUBACK << 4, packet_id.to_bytes(2, "big") + bytes(codes))


def publish(topic: str, payload: bytes, qos: int = 0, packet_id: int = 0, retain: bool = False) -> bytes:
    """A PUBLISH to a client; packet_id counts with QoS 1 only. OverflowError for a topic over 65535 bytes."""
    raw = topic.encode()
    tail = packet_id.to_bytes(2, "big") if qos else b""
    return _packet(PUBLISH << 4 | qos << 1 | retain, len(raw).to_bytes(2, "big") + raw + tail + payload)


def _packet(first: int, body: bytes) -> bytes:
    header, length = bytearray((first,)), len(body)
    while length > 127:
        header.append(length & 127 | 128)
        length >>= 7
    header.append(length)
    return bytes(header) + body
