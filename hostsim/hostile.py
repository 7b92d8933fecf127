"""What a hostile machine at the broker's address sends. Law: the bytes follow from kind and moment, and never end.

A stream has bytes whenever the node waits for some; nothing that the node sends is taken, or answered. Greeted: it
begins with what a good broker begins with, so that the node believes itself connected; without that a node is away
at the first wrong byte.
"""

from random import Random

from hostsim import wire

KINDS = ("floods", "oversize", "garbage", "drips")
# 1 Mbit/s: assumption for a weak link
BYTES_A_MS = 125
BURST_BYTES = 1024
DRIP_MS = 1000
# section 2.2.3 of MQTT 3.1.1: the longest that a length of four bytes can say, 256 MiB
LONGEST = b"\xff\xff\xff\x7f"
GREETING = wire.connack(False, 0) + wire.suback(1, [0, 0])
WORDS = (b"", b"[" * 200, b'{"id":4294967294,"set":{"sample_every_s":1}}', b"\xff\x00" * 40, b"7" * 480)


class Stream:
    """Bytes without end."""

    def __init__(self, kind: str, now_s: float, greet: bool):
        """greet: the client has not been answered yet."""
        self._topics: list[str] = []  # that the client has subscribed to
        self._reader: wire.Reader | None = wire.Reader()
        self._heard_id = 0
        self._draw = draw = Random(f"{kind}/{now_s:.3f}")
        self._rest = GREETING if greet and (kind != "garbage" or draw.random() < 0.5) else b""
        self._more = {
            "floods": self._messages,
            "oversize": self._oversize,
            "garbage": self._garbage,
            "drips": self._pings,
        }[kind]
        self._slow = kind == "drips"
        self._begun = False
        self._free_ms = int(now_s * 1000)  # the line is busy until then

    def hear(self, data: bytes) -> None:
        """Learn from what the client sends which topics it waits for, and under which ids; the rest is dropped."""
        if self._reader is None:
            return
        try:
            for packet in self._reader.packets(data):
                if packet[0] == wire.SUBSCRIBE:
                    self._topics = [wanted for wanted, _ in packet[2]]
                elif packet[0] == wire.PUBLISH:
                    self._heard_id = packet[4]
        except wire.ProtocolViolation:
            self._reader = None

    def ready_ms(self, now_ms: int) -> int:
        """When the next bytes are there."""
        return max(now_ms, self._free_ms + (DRIP_MS if self._slow else 1))

    def take(self, count_max: int, now_ms: int) -> bytes:
        """At most so many of the bytes that are there at `now_ms`; at least one."""
        count = 1 if self._slow else min(count_max, BURST_BYTES)
        while len(self._rest) < count:
            self._rest += self._more()
        taken, self._rest = self._rest[:count], self._rest[count:]
        self._free_ms = now_ms + (0 if self._slow else count // BYTES_A_MS)
        return taken

    def _messages(self) -> bytes:
        """A message of any topic and quality of service, wanted or not, or a bundle of answers to nothing.

        To answer what is in flight would be a lie that no node can tell from the truth.
        """
        draw = self._draw
        way = draw.random()
        if way < 0.1 and self._heard_id:
            return wire.puback(1 + (self._heard_id + draw.randint(1000, 60000)) % 65535) * 8
        topic = draw.choice(self._topics) if self._topics and way < 0.6 else f"torpor/{draw.getrandbits(32):08x}/have"
        payload = draw.choice(WORDS) if way < 0.8 else draw.randbytes(draw.randint(1, 900))
        return wire.publish(topic, payload, draw.randint(0, 1), draw.randint(1, 65535), draw.random() < 0.5)

    def _oversize(self) -> bytes:
        if self._begun:
            return self._draw.randbytes(BURST_BYTES)
        self._begun = True
        # a PUBLISH or a SUBACK, the two that may be long
        return self._draw.choice((b"\x30", b"\x90")) + LONGEST + b"\x00\x05oak"

    def _garbage(self) -> bytes:
        return self._draw.randbytes(BURST_BYTES)

    def _pings(self) -> bytes:
        """Either packets that are right and say nothing, or one that has not ended yet."""
        if not self._begun:
            self._begun = True
            self._endless = self._draw.random() < 0.5
            if self._endless:
                return b"\x30" + LONGEST
        return bytes(8) if self._endless else wire.PINGRESP


class Spoofer:
    """Messages that a broker in other hands puts beside the right ones; what it takes it acknowledges.

    None of them may change anything: the settings are out of bounds or not for setting, the answers are to packets
    that were never sent. Only `have` is in order, asks for everything, and is new in each session.
    """

    def __init__(self):
        self._rings: dict[str, str] = {}  # by node

    def heard(self, topic: str, payload: bytes) -> None:
        """Remember the ring of what a node has sent."""
        at = payload.find(b'"n":"ring","vs":"')
        if at >= 0:
            self._rings[topic.rpartition("/")[0]] = payload[at + 17 : at + 25].decode("ascii", "replace")

    def messages(self, topics: list[str], now_s: float) -> bytes:
        """What a subscriber of these topics is handed."""
        draw, number = Random(f"spoofs/{now_s:.3f}"), int(now_s) + 1
        lies = [
            (f"torpor/{draw.getrandbits(16)}", draw.randbytes(600)),
            ("torpor/\u4e00", b"\x00" * 10),
            *((topic, draw.choice(WORDS)) for topic in topics),
        ]
        for topic in topics:
            start, _, kind = topic.rpartition("/")
            if kind == "settings":
                lies.append((topic, b'{"id":%d,"set":%s}' % (number, draw.choice(SETTINGS))))
            elif kind == "have":
                ring = self._rings.get(start, "00000000").encode()
                lies.append((topic, b'{"id":%d,"ring":"%s","last":1,"missing":[[1,4294967294]]}' % (number, ring)))
        return b"".join(
            wire.publish(topic, payload, qos := draw.randint(0, 1), 77 * qos, draw.random() < 0.5)
            for topic, payload in lies
        )

    def answers(self, packet_id: int) -> bytes:
        """Answers to what was never sent: the reading far ahead, and the one after this one, which may not exist."""
        return wire.puback(1 + (packet_id + 9999) % 65535) + wire.puback(1 + packet_id % 65535)


# none of them may be set from afar, or not to this
SETTINGS = (
    b'{"sample_every_s":1}',
    b'{"sample_every_s":86401}',
    b'{"transmit_every_s":4294967294}',
    b'{"must_last_days":99999}',
    b'{"sample_every_s":600,"node":"mine"}',
    b'{"broker":{"host":"elsewhere.example"}}',
    b'{"network":[]}',
    b'{"sample_every_s":true}',
    b'{"sample_every_s":600.5}',
    b'{"sample_every_s":3600,"transmit_every_s":10}',
)
