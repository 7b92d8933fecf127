"""A broker that lives in the simulation: in-process, deterministic, without sockets and without a clock.

Law: a QoS 1 publish is acknowledged only after `on_publish` has returned, in the order of arrival, and what
a fault window forbids is never acknowledged.

Time comes in as `now_s` (seconds, any integer origin). What it does for a client is what MQTT 3.1.1 asks of
a broker, except: subscriptions are granted QoS 0 only (so a stored session is its list of subscriptions),
QoS 2 and UNSUBSCRIBE are refused, and a client's publish is not passed on to other clients. Retained
messages and sessions outlive every fault window.
"""

from collections.abc import Callable, Iterable, Mapping

from hostsim import wire
from hostsim.timeline import Timeline
from hostsim.topics import matches

KINDS = ("down", "refuses", "mute", "drops", "forgets")
VIOLATIONS_MAX = 100


class Broker:
    """`windows` is an iterable of (from_s, to_s, kind), from_s <= now_s < to_s; where two overlap the earlier
    listed one holds. Kinds:
        down      no connection; open ones are closed, nothing is taken
        refuses   CONNACK with code 3, then closed; a session that is already open goes on
        mute      takes the TCP connection and every byte, and never answers it again
        drops     closes on the first PUBLISH, which is not taken
        forgets   takes the first PUBLISH, and closes before the PUBACK
    `on_publish(client_id, topic, payload, now_s, dup, retain)` is called once for each publish taken.
    `accounts` maps user name to password; None lets everybody in. Raises ValueError for a bad window.
    """

    def __init__(
        self,
        windows: Iterable[tuple[int, int, str]],
        on_publish: Callable[[str, str, bytes, int, bool, bool], None],
        accounts: Mapping[str, str] | None = None,
    ):
        self.kind_at = Timeline(windows, KINDS).kind_at
        self.on_publish = on_publish
        self.retained: dict[str, bytes] = {}
        self.violations: list[str] = []  # the first VIOLATIONS_MAX reasons
        self.violation_count = 0
        self._accounts = accounts
        self._sessions: dict[str, dict[str, None]] = {}  # client id -> filters, a dict for its order
        self._live: dict[str, Connection] = {}
        self._unnamed = 0

    def connect(self, now_s: int) -> "Connection | None":
        """What a TCP connection attempt at `now_s` gives; None where it is refused."""
        return None if self.kind_at(now_s) == "down" else Connection(self, now_s)

    def publish(self, topic: str, payload: bytes, retain: bool = True) -> None:
        """Publish from the desk. Open connections that subscribe find it in front of their next reply."""
        if not topic or "+" in topic or "#" in topic:
            raise ValueError(f"not a topic name: {topic!r}")
        if retain:
            self.keep(topic, payload)
        for client_id, connection in self._live.items():
            if any(matches(topic_filter, topic) for topic_filter in self._sessions[client_id]):
                connection.outbox.append(wire.publish(topic, payload))

    def keep(self, topic: str, payload: bytes) -> None:
        """Store a retained message; an empty payload clears it [MQTT-3.3.1-10]."""
        if payload:
            self.retained[topic] = payload
        else:
            self.retained.pop(topic, None)

    def retained_for(self, topic_filter: str) -> list[tuple[str, bytes]]:
        """The retained messages that a new subscription is handed, in the order they were first stored."""
        if "+" not in topic_filter and "#" not in topic_filter:
            payload = self.retained.get(topic_filter)
            return [] if payload is None else [(topic_filter, payload)]
        return [(topic, payload) for topic, payload in self.retained.items() if matches(topic_filter, topic)]

    def refusal(self, username: str | None, password: bytes | None) -> int:
        """The CONNACK code for these credentials: 0, 4 (wrong) or 5 (none given)."""
        if self._accounts is None:
            return 0
        if username is None or password is None:
            return wire.NOT_AUTHORISED
        wanted = self._accounts.get(username)
        return 0 if wanted is not None and wanted.encode() == password else wire.BAD_CREDENTIALS

    def begin(self, client_id: str, clean: bool, connection: "Connection", now_s: int) -> tuple[str, bool]:
        """Make `connection` the one of `client_id`; returns (client id, session present). An older connection
        of the same id is closed [MQTT-3.1.4-2]; a client without an id gets one [MQTT-3.1.3-6]."""
        if not client_id:
            self._unnamed += 1
            client_id = f"unnamed-{self._unnamed}"
        if client_id in self._live:
            self._live[client_id].lost(now_s)
        if clean:
            self._sessions.pop(client_id, None)
        present = client_id in self._sessions
        self._sessions.setdefault(client_id, {})
        self._live[client_id] = connection
        return client_id, present

    def end(self, client_id: str, clean: bool) -> None:
        """The connection of `client_id` is gone; a clean session goes with it [MQTT-3.1.2-6]."""
        self._live.pop(client_id, None)
        if clean:
            self._sessions.pop(client_id, None)

    def subscribe(self, client_id: str, topic_filter: str) -> None:
        self._sessions[client_id][topic_filter] = None

    def note_violation(self, reason: str) -> None:
        self.violation_count += 1
        if len(self.violations) < VIOLATIONS_MAX:
            self.violations.append(reason)


class Connection:
    """One TCP connection as the broker sees it. `closed` is true from the moment the broker closes it; bytes
    that `feed` returned before or with that still reach the client."""

    def __init__(self, broker: Broker, now_s: int):
        self.closed = False
        self.outbox: list[bytes] = []
        self._broker = broker
        self._reader = wire.Reader()
        self._client_id: str | None = None  # None until CONNECT is accepted
        self._clean = False
        self._will: tuple[str, bytes, int, bool] | None = None
        self._keepalive_s = 0
        self._heard_s = now_s
        self._deaf = broker.kind_at(now_s) == "mute"

    def feed(self, data: bytes, now_s: int) -> bytes:
        """Bytes from the client in (none is fine: it fetches what the desk published), bytes for it out."""
        kind = self._broker.kind_at(now_s)
        self._deaf = self._deaf or kind == "mute"
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

    def _take(self, client_id, topic: str, payload: bytes, now_s: int, dup: bool, retain: bool) -> None:
        if retain:
            self._broker.keep(topic, payload)
        self._broker.on_publish(client_id, topic, payload, now_s, dup, retain)

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
