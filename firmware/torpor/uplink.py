"""One session with the broker. Law: `acked_to` moves over accepted readings only, and only without a gap.

CONNECT, SUBSCRIBE and the first readings leave in one flight, without waiting for CONNACK; then a window of readings
is kept in flight until the backlog, the deadline or the budget ends. Health goes last.
"""

from . import mqtt
from .backlog import packet_id
from .errors import LinkError

FLIGHT_PACKETS = 32
FLIGHT_BYTES = 8192
MESSAGE_BYTES_MAX = 512
SUBSCRIBE_ID = 65535
# the broker's answers are small: a PUBACK has 4 bytes, `have` and `settings` have at most MESSAGE_BYTES_MAX
_RECEIVE_BYTES = 1024
# nothing heard for this long: the broker or the way to it is gone
ANSWER_MS_MAX = 10000
# a broker that sends this many packets that were not asked for is left
_EVENTS_MAX = 4096


class Refused(LinkError):
    """The broker answered, and the answer was no: another network will not change that."""


class Session:
    """An open stream to the broker, and what happened on it."""

    def __init__(self, stream, clock, started_ms, limit_ms, hello, topics, pipelined):
        self._stream = stream
        self._clock = clock
        self._started_ms = started_ms
        self._limit_ms = limit_ms
        self._parser = mqtt.Session(_RECEIVE_BYTES)
        self._buffer = bytearray(_RECEIVE_BYTES)
        self._out = hello
        self._events = 0
        self.connected = False
        self.messages = {}
        self._topics = topics
        self._out += mqtt.subscribe(SUBSCRIBE_ID, topics)
        if not pipelined:
            self._flush()
            while not self.connected:
                self.receive(None)

    def _patience_ms(self):
        left_ms = self._limit_ms - self._clock.elapsed_ms(self._started_ms)
        if left_ms <= 0:
            raise LinkError("broker", "too slow")
        return min(left_ms, ANSWER_MS_MAX)

    def _flush(self):
        view = memoryview(self._out)
        while view:
            view = view[self._stream.send(view, self._patience_ms()) :]
        self._out = b""

    def receive(self, accepted):
        """Wait for bytes and handle them; `accepted(packet_id)` is called for each PUBACK."""
        count = self._stream.recv_into(self._buffer, self._patience_ms())
        if count == 0:
            raise LinkError("broker", "closed")
        view = memoryview(self._buffer)[:count]
        while True:
            view = view[self._parser.receive(view) :]
            event = self._parser.next_event()
            while event is not None:
                self._events += 1
                if self._events > _EVENTS_MAX:
                    raise LinkError("broker", "flood")
                self._handle(event, accepted)
                event = self._parser.next_event()
            if not view:
                return

    def _handle(self, event, accepted):
        kind = event[0]
        if kind == mqtt.PUBACK:
            if accepted is not None:
                accepted(event[1])
        elif kind == mqtt.CONNACK:
            if event[1] != 0:
                raise Refused("broker", "refused")
            self.connected = True
        elif kind == mqtt.MESSAGE:
            if event[3]:
                self._out += mqtt.puback(event[3])
            topic = event[1].decode()
            if topic in self._topics and len(event[2]) <= MESSAGE_BYTES_MAX:
                self.messages[topic] = event[2]
        elif kind == mqtt.BROKEN:
            raise LinkError("broker", event[1])

    def deliver(self, packets, accepted):
        """Send the readings that `packets` yields as (seq, bytes), in order; call `accepted(seq)` in order.

        Returns when every one is accepted. LinkError leaves what was accepted so far accepted.
        """
        flying = []
        arrived = {}

        def puback(identifier):
            for seq in flying:
                # an answer to something that is not in flight must not count for what comes later
                if packet_id(seq) == identifier:
                    arrived[identifier] = True
                    break
            while flying and packet_id(flying[0]) in arrived:
                seq = flying.pop(0)
                del arrived[packet_id(seq)]
                accepted(seq)

        upcoming = _next(packets)
        while upcoming is not None or flying:
            while upcoming is not None and len(flying) < FLIGHT_PACKETS and len(self._out) < FLIGHT_BYTES:
                seq, data = upcoming
                self._out += data
                flying.append(seq)
                upcoming = _next(packets)
            self._flush()
            self.receive(puback)

    def finish(self, health_topic, health):
        """Publish the health message, say goodbye, and do not wait for anything."""
        while not self.connected:
            self.receive(None)
        self._out += mqtt.publish(health_topic, health, 0, False, True)
        self._out += mqtt.disconnect()
        self._flush()

    def close(self):
        try:
            self._stream.close()
        except OSError:
            pass


def _next(packets):
    # next() with a default is not in every interpreter's build
    try:
        return next(packets)
    except StopIteration:
        return None
