"""One TCP connection as the simulated broker sees it. Law: what came before the end is answered, what is late is not.

The rules of the broker itself, and what a fault window forbids, stand in broker.py.
"""

from typing import TYPE_CHECKING

from hostsim import hostile, wire

if TYPE_CHECKING:
    from hostsim.broker import Broker

TLS_KINDS = ("tls-expired", "tls-wrong-host", "tls-wrong-ca")


class Connection:
    """`closed` is true from the moment the broker closes it; bytes
    that `feed` returned before or with that still reach the client."""

    def __init__(self, broker: "Broker", now_s: int):
        self.closed = False
        self.outbox: list[bytes] = []
        self._broker = broker
        self._reader = wire.Reader()
        self._client_id: str | None = None  # None until CONNECT is accepted
        self._clean = False
        self._will: tuple[str, bytes, int, bool] | None = None
        self._keepalive_s = 0
        self._heard_s = now_s
        kind = broker.kind_at(now_s)
        self._deaf = kind == "mute"
        self.certificate_flaw = kind if kind in TLS_KINDS else None
        self.stream: hostile.Stream | None = None  # what this end has become
        self._turn_hostile(kind, now_s)

    def feed(self, data: bytes, now_s: int) -> bytes:
        """Bytes from the client in (none is fine: it fetches what the desk published), bytes for it out."""
        kind = self._broker.kind_at(now_s)
        self._deaf = self._deaf or kind == "mute"
        self._turn_hostile(kind, now_s)
        if self.stream is not None:
            self.stream.hear(data)
        if self.closed or self._deaf or self._overdue(now_s):
            return b""
        if kind == "down":
            self._close()
            return b""
        self._heard_s = now_s if data else self._heard_s
        replies, self.outbox = self.outbox, []
        try:
            for packet in self._reader.packets(data):
                self._handle(packet, now_s, kind, replies)
                if self.closed:
                    break
        except wire.ProtocolViolation as violation:
            self._broker.note_violation(violation.reason)
            if violation.connack and self._client_id is None:
                replies.append(wire.connack(False, violation.connack))
            self.lost(now_s)
        return b"".join(replies)

    def _turn_hostile(self, kind: str | None, now_s: float) -> None:
        if kind in hostile.KINDS and self.stream is None and not self.closed:
            self._deaf = True
            self.stream = hostile.Stream(kind, now_s, self._client_id is None)

    def cut(self) -> None:
        """The broker is gone in the middle of it."""
        self.closed = True
        self.outbox = []

    def lost(self, now_s: int) -> None:
        """The connection ended without DISCONNECT: the will, if there is one, is published [MQTT-3.1.2-8]."""
        if self.closed:
            return
        will, client_id = self._will, self._client_id
        self._close()
        if will is not None and client_id is not None:
            topic, payload, _, retain = will
            self._take(client_id, topic, payload, now_s, False, retain)

    def _overdue(self, now_s: int) -> bool:
        """Silent for more than one and a half keepalives: the client is taken for dead [MQTT-3.1.2-24]."""
        if self._keepalive_s and 2 * (now_s - self._heard_s) > 3 * self._keepalive_s:
            self.lost(now_s)
            return True
        return False

    def _handle(self, packet: tuple, now_s: int, kind: str | None, replies: list[bytes]) -> None:
        what, client_id = packet[0], self._client_id
        if client_id is None:
            if what != wire.CONNECT:
                raise wire.ProtocolViolation("the first packet is not CONNECT [MQTT-3.1.0-1]")
            self._connect(packet, now_s, kind, replies)
        elif what == wire.PUBLISH:
            self._publish(packet, now_s, kind, replies)
        elif what == wire.SUBSCRIBE:
            self._subscribe(packet, replies)
            if kind == "spoofs":
                replies.append(self._broker.spoofer.messages([wanted for wanted, _ in packet[2]], now_s))
        elif what == wire.PINGREQ:
            replies.append(wire.PINGRESP)
        elif what == wire.DISCONNECT:
            self._close()
        elif what == wire.CONNECT:
            raise wire.ProtocolViolation("a second CONNECT [MQTT-3.1.0-2]")
        # PUBACK is legal and answers nothing of ours: everything to the client goes out with QoS 0

    def _connect(self, packet: tuple, now_s: int, kind: str | None, replies: list[bytes]) -> None:
        _, client_id, clean, keepalive_s, username, password, will = packet
        code = wire.UNAVAILABLE if kind == "refuses" else self._broker.refusal(username, password)
        if code:
            replies.append(wire.connack(False, code))
            self._close()  # and nothing behind a refused CONNECT is looked at [MQTT-3.1.4-5]
            return
        self._clean, self._keepalive_s, self._will = clean, keepalive_s, will
        self._client_id, present = self._broker.begin(client_id, clean, self, now_s)
        replies.append(wire.connack(present, 0))

    def _publish(self, packet: tuple, now_s: int, kind: str | None, replies: list[bytes]) -> None:
        _, topic, payload, qos, packet_id, dup, retain = packet
        if kind == "drops":
            self.lost(now_s)
            return
        self._take(self._client_id, topic, payload, now_s, dup, retain)
        if kind == "forgets":
            self.lost(now_s)
        elif qos:
            replies.append(wire.puback(packet_id))
            if kind == "spoofs":
                self._broker.spoofer.heard(topic, payload)
                replies.append(self._broker.spoofer.answers(packet_id))

    def _take(self, client_id, topic: str, payload: bytes, now_s: int, dup: bool, retain: bool) -> None:
        broker = self._broker
        if retain:
            broker.keep(topic, payload)
        taken = broker.on_forgotten if broker.kind_at(now_s) == "killed" else broker.on_publish
        taken(client_id, topic, payload, now_s, dup, retain)

    def _subscribe(self, packet: tuple, replies: list[bytes]) -> None:
        _, packet_id, wanted = packet
        replies.append(wire.suback(packet_id, [0] * len(wanted)))
        for topic_filter, _ in wanted:
            self._broker.subscribe(self._client_id, topic_filter)
            for topic, payload in self._broker.retained_for(topic_filter):
                replies.append(wire.publish(topic, payload, retain=True))

    def _close(self) -> None:
        self.closed = True
        self.outbox = []
        if self._client_id is not None:
            self._broker.end(self._client_id, self._clean)
