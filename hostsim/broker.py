"""A broker that lives in the simulation: in-process, deterministic, without sockets and without a clock.

Law: a QoS 1 publish is acknowledged only after `on_publish` has returned, in the order of arrival, and what
a fault window forbids is never acknowledged.

Time comes in as `now_s` (seconds, any integer origin). What it does for a client is what MQTT 3.1.1 asks of
a broker, except: subscriptions are granted QoS 0 only (so a stored session is its list of subscriptions),
QoS 2 and UNSUBSCRIBE are refused, and a client's publish is not passed on to other clients. Retained
messages and sessions outlive every fault window.
"""

from collections.abc import Callable, Iterable, Mapping

from hostsim import hostile, wire
from hostsim.broker_connection import TLS_KINDS, Connection
from hostsim.timeline import Timeline
from hostsim.topics import matches

KINDS = ("down", "refuses", "mute", "drops", "forgets", "killed", *hostile.KINDS, "spoofs", *TLS_KINDS)
VIOLATIONS_MAX = 100


class Broker:
    """`windows` is an iterable of (from_s, to_s, kind), from_s <= now_s < to_s; where two overlap the earlier
    listed one holds. Kinds:
        down      no connection; open ones are closed, nothing is taken
        refuses   CONNACK with code 3, then closed; a session that is already open goes on
        mute      takes the TCP connection and every byte, and never answers it again
        drops     closes on the first PUBLISH, which is not taken
        forgets   takes the first PUBLISH, and closes before the PUBACK
        killed    takes and acknowledges, and saves nothing of it; at the end of the window it dies, and begins anew
                  with what it knew before
        floods, oversize, garbage, drips   what answers is hostile.Stream, and nothing is taken
        spoofs    a good broker, and beside it hostile.Spoofer
        tls-...   shows a certificate that has expired, is another host's, or is signed by nobody that is trusted:
                  `certificate_flaw` of the connection; it is for the other end to look at it
    `on_publish(client_id, topic, payload, now_s, dup, retain)` is called once for each publish taken, and
    `on_forgotten` in its place for one that dies with the broker. `on_restart()` is called after such an end.
    `accounts` maps user name to password; None lets everybody in. Raises ValueError for a bad window.
    """

    def __init__(
        self,
        windows: Iterable[tuple[int, int, str]],
        on_publish: Callable[[str, str, bytes, int, bool, bool], None],
        accounts: Mapping[str, str] | None = None,
    ):
        self._kind_at = Timeline(windows, KINDS).kind_at
        self.on_publish = on_publish
        self.on_forgotten: Callable[[str, str, bytes, int, bool, bool], None] = lambda *publish: None
        self.on_restart: Callable[[], None] = lambda: None
        self.spoofer = hostile.Spoofer()
        self.retained: dict[str, bytes] = {}
        self.violations: list[str] = []  # the first VIOLATIONS_MAX reasons
        self.violation_count = 0
        self._accounts = accounts
        self._sessions: dict[str, dict[str, None]] = {}  # client id -> filters, a dict for its order
        self._live: dict[str, Connection] = {}
        self._unnamed = 0
        self._saved: tuple[dict, dict] | None = None  # what a broker that will be killed knows after its restart

    def connect(self, now_s: int) -> Connection | None:
        """What a TCP connection attempt at `now_s` gives; None where it is refused."""
        return None if self.kind_at(now_s) == "down" else Connection(self, now_s)

    def kind_at(self, now_s: float) -> str | None:
        """What kind of trouble it is in; the one that makes it die ends with its death."""
        kind = self._kind_at(now_s)
        if kind == "killed":
            if self._saved is None:
                self._saved = dict(self.retained), {name: dict(filters) for name, filters in self._sessions.items()}
        elif self._saved is not None:
            self._die()
        return kind

    def _die(self) -> None:
        """Nobody's will is published, nothing is said to anybody, and what was not saved is gone."""
        for connection in self._live.values():
            connection.cut()
        self._live.clear()
        (self.retained, self._sessions), self._saved = self._saved, None
        self.on_restart()

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

    def begin(self, client_id: str, clean: bool, connection: Connection, now_s: int) -> tuple[str, bool]:
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
