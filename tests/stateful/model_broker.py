"""A broker that knows what it was told and what it answered. Law: it judges a node by the bytes that passed, alone.

It shares no code with the simulated broker or the node's own protocol: packets are cut and built here. A `Plan` says
how it misbehaves; every answer is remembered with its place in the stream, so that afterwards it can be told which
answers a node has had in hand.
"""

import json
from dataclasses import dataclass, field

# stands in for a packet id
JUNK = -1


@dataclass
class Plan:
    """order: of PUBACKs in one flight. lose, repeat: PUBACKs by their number modulo these (0: none). strays: PUBACKs
    for ids that were never published. junk: bytes said in the middle of the answers. mute: from the beginning.
    refuse: CONNACK's return code."""

    order: str = "as sent"
    lose: int = 0
    repeat: int = 0
    strays: tuple = ()
    junk: bytes = b""
    mute: bool = False
    refuse: int = 0


def sized(raw):
    return len(raw).to_bytes(2, "big") + raw


def packet(first, body):
    length, size = bytearray(), len(body)
    while True:
        size, low = divmod(size, 128)
        length.append(low | (128 if size else 0))
        if not size:
            return bytes([first]) + bytes(length) + body


def message(topic, payload, number=0):
    """A retained PUBLISH; QoS 1 with a number."""
    return packet(0x33 if number else 0x31, sized(topic) + (number.to_bytes(2, "big") if number else b"") + payload)


@dataclass
class Published:
    """One PUBLISH of a reading as it was heard."""

    ring: str
    seq: int
    number: int
    dup: bool
    values: dict


@dataclass
class Connection:
    """One connection, from its opening to its end. `said` counts bytes; `answers` are (place, packet id)."""

    broker: object
    plan: Plan
    opened_ms: int
    closed: bool = False
    closed_ms: int | None = None
    said: int = 0
    answers: list = field(default_factory=list)
    readings: list = field(default_factory=list)
    health: list = field(default_factory=list)
    # place in the stream behind which the node must not believe anything
    spoilt_at: int | None = None
    _rest: bytes = b""
    _count: int = 0

    def lost(self, now_s):
        self.closed = True
        self.closed_ms = self.closed_ms or self.broker.board.now_ms

    def feed(self, data, now_s):
        self._rest += data
        numbers, out = [], []
        while (one := self._next()) is not None:
            self._hear(*one, numbers, out)
        out += self._pubacks(numbers)
        if self.plan.mute:
            return b""
        return b"".join(self._say(*answer) for answer in out)

    def _say(self, raw, number=None):
        if number == JUNK and self.spoilt_at is None:
            self.spoilt_at = self.said
        self.said += len(raw)
        if number is not None:
            self.answers.append((self.said, number))
        return raw

    def _next(self):
        length = 0
        for place in range(4):
            if len(self._rest) < place + 2:
                return None
            byte = self._rest[1 + place]
            length += byte % 128 * 128**place
            if byte < 128:
                break
        end = place + 2 + length
        if len(self._rest) < end:
            return None
        first, body, self._rest = self._rest[0], self._rest[place + 2 : end], self._rest[end:]
        return first, body

    def _hear(self, first, body, numbers, out):
        kind = first >> 4
        if kind == 1:
            assert body.startswith(b"\x00\x04MQTT\x04")
            assert not body[7] & 2, "a clean session forgets what was in flight"
            out.append((bytes([0x20, 2, 0, self.plan.refuse]),))
        elif kind == 8:
            out.append((packet(0x90, body[:2] + b"\0\0"),))
            for index, (topic, payload) in enumerate(self.broker.retained.items()):
                out.append((message(topic, payload, index and 77),))
        elif kind == 3:
            topic_end = 2 + int.from_bytes(body[:2], "big")
            topic = body[2:topic_end].decode()
            if topic.endswith("/health"):
                assert first == 0x31
                self.health.append(json.loads(body[topic_end:]))
                return
            number = int.from_bytes(body[topic_end : topic_end + 2], "big")
            self.readings.append(parsed(body[topic_end + 2 :], number, bool(first & 8)))
            self.broker.heard.append(self.readings[-1])
            numbers.append(number)
        elif kind == 14:
            self.lost(0)
        else:
            assert (kind, body) == (4, b"\0\x4d"), "neither asked for nor an answer"

    def _pubacks(self, numbers):
        plan, out = self.plan, []
        if plan.order == "backwards":
            numbers = numbers[::-1]
        elif plan.order == "odd first":
            numbers = numbers[1::2] + numbers[::2]
        for number in numbers:
            self._count += 1
            answer = (b"\x40\x02" + number.to_bytes(2, "big"), number)
            if plan.lose and self._count % plan.lose == 0:
                continue
            out.append(answer)
            if plan.repeat and self._count % plan.repeat == 0:
                out.append(answer)
        if numbers and self.spoilt_at is None:
            published = {reading.number for reading in self.readings}
            first, last = self.broker.truthful
            for number in plan.strays:
                if number in published or not first < number - 1 <= last:
                    out.append((b"\x40\x02" + number.to_bytes(2, "big"), number if number in published else None))
            if plan.junk:
                out.insert(len(out) // 2, (plan.junk, JUNK))
        return out

    def answered(self, received, breaks):
        """Packet ids whose PUBACKs are whole within the first `received` bytes; `breaks`: the junk ends belief."""
        if self.plan.refuse or received < 4:
            return set()
        limit = self.spoilt_at if breaks and self.spoilt_at is not None else received
        return {number for place, number in self.answers if place <= min(limit, received)}


def parsed(payload, number, dup):
    pack = json.loads(payload)
    ring = next(item["vs"] for item in pack if item["n"] == "ring")
    seq = next(item["v"] for item in pack if item["n"] == "seq")
    own = ("ring", "seq", "time-uncertainty", "run", "run-time")
    return Published(ring, seq, number, dup, {item["n"]: item["v"] for item in pack if item["n"] not in own})


class ModelBroker:
    """retained: {topic: payload}. heard: every reading, in order. connections: since they were last cleared."""

    def __init__(self, board):
        self.board = board
        self.plan = Plan()
        self.retained = {}
        # readings that it must not answer before it has heard them
        self.truthful = (0, 0)
        self.heard = []
        self.connections = []

    def connect(self, now_s):
        self.connections.append(Connection(self, self.plan, self.board.now_ms))
        return self.connections[-1]
