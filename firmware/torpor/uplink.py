"""One session with the broker. Law: a reading is accepted when it and all before it are answered.

CONNECT, SUBSCRIBE and the first readings leave in one flight, without waiting for CONNACK; then a window of readings
is kept in flight until the backlog or the deadline ends. Health goes last.
"""

from . import mqtt
from .backlog import packet_id
from .errors import LinkError

FLIGHT_PACKETS = 32
# four hours of readings every ten minutes, of five channels each, are 8.8 KB: they are to leave in one flight
FLIGHT_BYTES = 10240
MESSAGE_BYTES_MAX = 512
# the broker's answers are small: a PUBACK has 4 bytes, `have` and `settings` have at most MESSAGE_BYTES_MAX
_RECEIVE_BYTES = 1024
# nothing of use heard for this long: the broker or the way to it is gone, or it talks to hold the radio on
ANSWER_MS_MAX = 10000
# a broker that answers nothing that was asked in so many receives is left, however fast it talks
_FRUITLESS_MAX = 4096


class Refused(LinkError):
    """The broker answered, and the answer was no: another network will not change that."""


class Session:
    """An open stream to the broker, and what happened on it.

    hello: the bytes that begin the session, CONNECT and a SUBSCRIBE to `topics` (bytes each); they wait for the
    first call that sends. `messages` maps a topic to the newest payload that came for it.
    """

    def __init__(self, stream, clock, started_ms, limit_ms, hello, topics):
        """The session is over `limit_ms` after `started_ms`, whatever happens."""
        self._stream = stream
        self._clock = clock
        self._started_ms = started_ms
        self._limit_ms = limit_ms
        self._parser = mqtt.Session(_RECEIVE_BYTES)
        self._buffer = bytearray(_RECEIVE_BYTES)
        self._out = bytearray(hello)
        self._topics = topics
        self._fruitless = 0
        # when something was last asked, or something asked for was heard; None: something is about to be asked
        self._useful_ms = None
        # packet ids in flight -> whether the broker has answered
        self._answered = {}
        self.connected = False
        self.subscribed = False
        # the broker was waited for as long as it may take, and said nothing of use
        self.mute = False
        self.messages = {}

    def _patience_ms(self):
        left_ms = self._limit_ms - self._clock.elapsed_ms(self._started_ms)
        if left_ms <= 0:
            raise LinkError("broker", "too slow")
        return min(left_ms, ANSWER_MS_MAX)

    def _flush(self):
        view = memoryview(self._out)
        self._out = bytearray()
        while view:
            count = self._stream.send(view, self._patience_ms())
            if not count or count < 0:
                raise LinkError("broker", "took nothing")
            view = view[count:]

    def receive(self):
        """Send what waits to be sent, wait for bytes, and handle them."""
        if self._out:
            self._flush()
        self._fruitless += 1
        if self._fruitless > _FRUITLESS_MAX:
            raise LinkError("broker", "flood")
        count = self._hear()
        view = memoryview(self._buffer)[:count]
        while view:
            view = view[self._parser.receive(view) :]
            event = self._parser.next_event()
            while event is not None:
                self._handle(event)
                event = self._parser.next_event()

    def _hear(self):
        asked_ms = self._clock.ticks_ms()
        if self._useful_ms is None:
            self._useful_ms = asked_ms
        patience_ms = min(self._patience_ms(), ANSWER_MS_MAX - self._clock.elapsed_ms(self._useful_ms))
        if patience_ms <= 0:
            self.mute = True
            raise LinkError("broker", "nothing of use")
        try:
            count = self._stream.recv_into(self._buffer, patience_ms)
        except LinkError:
            self.mute = self._clock.elapsed_ms(asked_ms) >= patience_ms
            raise
        if not count:
            raise LinkError("broker", "closed")
        return count

    def _handle(self, event):
        kind = event[0]
        if kind == mqtt.PUBACK:
            # an answer to something that is not in flight must not count for what comes later
            if self._answered.get(event[1]) is False:
                self._answered[event[1]] = True
                self._fruitless = 0
                self._useful_ms = self._clock.ticks_ms()
        elif kind == mqtt.CONNACK:
            if event[1] != 0:
                raise Refused("broker", "refused")
            self.connected = True
            self._useful_ms = self._clock.ticks_ms()
        elif kind == mqtt.SUBACK:
            # once: a second one was not asked for
            if not self.subscribed:
                self._useful_ms = self._clock.ticks_ms()
            self.subscribed = True
        elif kind == mqtt.MESSAGE:
            if event[3]:
                self._out += mqtt.puback(event[3])
            if event[1] in self._topics and len(event[2]) <= MESSAGE_BYTES_MAX:
                self.messages[event[1]] = event[2]
        elif kind == mqtt.BROKEN:
            raise LinkError("broker", event[1])

    def settle(self):
        """Wait until the broker has taken the session and the subscriptions."""
        while not (self.connected and self.subscribed):
            self.receive()

    def connect(self):
        """Wait for CONNACK before anything else is sent."""
        while not self.connected:
            self.receive()

    def deliver(self, packets, accepted):
        """Send the readings that `packets` yields as (seq, bytes), in order; call `accepted(seq)` in order.

        Returns when every one is accepted. LinkError leaves what was accepted so far accepted. A packet is drawn
        from `packets` only when it is about to leave.
        """
        flying = []
        answered = self._answered = {}
        more = True
        size = 0
        while True:
            while more and len(flying) < FLIGHT_PACKETS:
                # readings are alike, so the size of one tells whether the next fits into the flight
                if flying and len(self._out) + size > FLIGHT_BYTES:
                    break
                drawn = _next(packets)
                if drawn is None:
                    more = False
                    break
                seq, data = drawn
                size = len(data)
                self._out += data
                self._useful_ms = None
                flying.append(seq)
                answered[packet_id(seq)] = False
            if not flying:
                return
            try:
                self.receive()
            except Exception:
                # the answers that came before the trouble, perhaps in the same bytes, count
                self._settled(flying, accepted)
                raise
            self._settled(flying, accepted)

    def _settled(self, flying, accepted):
        answered = self._answered
        while flying:
            number = packet_id(flying[0])
            if not answered.get(number):
                return
            del answered[number]
            accepted(flying.pop(0))

    def finish(self, health_topic, health):
        """Publish the health message, say goodbye, and do not wait for anything."""
        self._out += mqtt.publish(health_topic, health, 0, False, True)
        self._out += mqtt.disconnect()
        self._flush()

    def close(self):
        try:
            self._stream.close()
        except (OSError, LinkError):
            # what was accepted stays accepted, and the radio goes off anyway
            pass


def _next(packets):
    # next() with a default is not in every interpreter's build
    try:
        return next(packets)
    except StopIteration:
        return None
