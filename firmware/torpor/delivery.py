"""SEND: from an open network to an empty backlog. Law: every way out leaves what was accepted accepted.

Held readings go first, then the ring's backlog, then what the collector asked for again, then health.
"""

from binascii import hexlify

from . import health, last_good, messages, mqtt, retained, schedule, storing, uplink
from .backlog import HeldSource, Packer, RingSource
from .errors import LinkError

ACCEPTED = "accepted"
REFUSED = "refused"
UNREACHED = "unreached"
# looking up a name, and opening a connection: each at most
CONNECT_MS_MAX = 10000
_HAVE = "torpor/%s/have"
_SETTINGS = "torpor/%s/settings"
_HEALTH = "torpor/%s/health"


class Delivery:
    """One SEND. The cycle hands itself in: ports, settings, diary, ring, held readings and the present time."""

    def __init__(self, cycle):
        self._cycle = cycle
        self._ports = cycle.ports
        self._r = cycle.r
        node = cycle.settings["node"]
        self._topics = (_HAVE % node, _SETTINGS % node)
        self._health_topic = _HEALTH % node
        now_s = cycle.now()[0]
        patience_s = cycle.settings["time"]["patience_h"] * 3600
        self._packer = Packer(node, cycle.ports.eui, cycle.r, now_s if not cycle.time_known() else 0, patience_s)
        self._answered = False
        self._gone = []

    def run(self):
        """Deliver; return ACCEPTED, REFUSED (the broker said no) or UNREACHED (nothing came back)."""
        broker = self._cycle.settings["broker"]
        self._started_ms = self._ports.clock.ticks_ms()
        self._limit_ms = min(broker["session_s_max"] * 1000, self._cycle.remaining_ms())
        session = None
        try:
            for pipelined in (True, False):
                session = self._open(broker, pipelined)
                try:
                    self._session(session)
                    return ACCEPTED
                except LinkError:
                    if session.connected or not pipelined or self._left_ms() <= 0:
                        raise
                    # some brokers drop a client that does not wait for CONNACK: once more, waiting
                    session.close()
        except uplink.Refused as error:
            self._fault(error)
            return REFUSED
        except LinkError as error:
            self._fault(error)
            return REFUSED if self._answered else UNREACHED
        finally:
            if session is not None:
                session.close()

    def _left_ms(self):
        return min(CONNECT_MS_MAX, self._limit_ms - self._ports.clock.elapsed_ms(self._started_ms))

    def _fault(self, error):
        self._r.count(error.step)
        self._ports.log.event("session-failed", accepted=int(self._answered))

    def _open(self, broker, pipelined):
        stream = self._connect(broker)
        client_id = broker["client_id"] or "torpor-" + hexlify(self._ports.eui).decode()
        hello = mqtt.connect(client_id, broker["keepalive_s"], broker["username"], broker["password"])
        return uplink.Session(
            stream, self._ports.clock, self._started_ms, self._limit_ms, hello, self._topics, pipelined
        )

    def _connect(self, broker):
        """A stream to the broker: by the remembered address first, which saves the name look-up."""
        network = self._ports.network
        tls = {"host": broker["host"], "ca": broker["ca"]} if broker["tls"] else None
        r = self._r
        if r.broker_ip != bytes(4):
            address = ".".join([str(part) for part in r.broker_ip])
            try:
                return network.open_stream(address, broker["port"], tls, self._left_ms())
            except LinkError as error:
                r.broker_ip = bytes(4)
                if error.step == "tls" or self._left_ms() <= 0:
                    raise
        address = network.resolve(broker["host"], self._left_ms())
        stream = network.open_stream(address, broker["port"], tls, self._left_ms())
        r.broker_ip = bytes([int(part) for part in address.split(".")])
        return stream

    def _session(self, session):
        cycle = self._cycle
        ring = cycle.ring
        source = RingSource(ring, self._r.layout, cycle.channels) if ring is not None else None
        held = storing.load_held(cycle)
        if held is not None and held.count():
            session.deliver(self._held_packets(held), lambda seq: self._held_accepted(held, seq))
        if source is not None:
            session.deliver(self._ring_packets(source, ring), lambda seq: self._accepted(ring, seq))
        while not session.connected:
            session.receive(None)
        self._answered = True
        if source is not None and self._topics[0] in session.messages:
            self._answer_have(session, source, ring)
        if self._topics[1] in session.messages:
            self._take_remote(session.messages[self._topics[1]])
        body = health.message(
            self._r,
            ring,
            cycle.now(),
            cycle.choice,
            cycle.network_name,
            self._ports.radio.rssi_dbm(),
            cycle.battery_mv,
            self._gone,
        )
        session.finish(self._health_topic, body)

    def _held_packets(self, held):
        source = HeldSource(held, self._cycle.channels)
        for seq in range(held.first(), held.head + 1):
            data = self._packer.packet(source, seq, held.sent_to)
            if data is None:
                return
            held.sent_to = max(held.sent_to, seq)
            yield seq, data

    def _held_accepted(self, held, seq):
        self._proved()
        held.accept(seq)
        if not held.count():
            self._r.bits &= ~retained.HOLDING

    def _ring_packets(self, source, ring):
        r = self._r
        seq = ring.tail()
        while seq <= ring.head:
            data = self._packer.packet(source, seq, r.sent_to)
            if data is None:
                return
            if data:
                if seq > r.sent_to:
                    # noted before it leaves: a reset in mid-session must not resend it as new
                    r.sent_to = seq
                    r.save()
                yield seq, data
            else:
                self._missing(seq, seq)
            seq += 1

    def _accepted(self, ring, seq):
        self._proved()
        ring.acked_to = self._r.acked_to = seq

    def _proved(self):
        """A PUBACK is the only proof that network, broker and settings work."""
        if not self._answered:
            self._answered = True
            if not self._cycle.choice.good:
                last_good.accept(self._ports.nvm, self._cycle.choice.crc)
                self._cycle.choice.good = True

    def _take_remote(self, payload):
        from .settings import within

        cycle = self._cycle
        r = self._r
        every_s = cycle.sample_s
        if messages.remote_settings(payload, r, within) and r.remote_sample_s:
            cycle.sample_s = r.remote_sample_s
            cycle.transmit_s = max(cycle.sample_s, r.remote_transmit_s or cycle.transmit_s)
            r.last_slot = schedule.renumber(r.last_slot, every_s, cycle.sample_s)
            self._ports.log.event("settings-taken", id=r.remote_id)

    def _answer_have(self, session, source, ring):
        asked = messages.have(session.messages[self._topics[0]], source.name, self._r)
        if asked:
            day = self._cycle.now()[0] // 86400
            session.deliver(self._again(source, ring, asked, messages.allowance(self._r, day)), lambda seq: None)

    def _again(self, source, ring, asked, allowed):
        r = self._r
        oldest = ring.oldest()
        for first, last in asked:
            if first < oldest:
                self._missing(first, min(last, oldest - 1))
            for seq in range(max(first, oldest), min(last, ring.acked_to) + 1):
                if allowed == 0:
                    return
                data = self._packer.packet(source, seq, r.sent_to)
                if data:
                    allowed -= 1
                    r.have_sent += 1
                    yield seq, data
                elif data is not None:
                    self._missing(seq, seq)

    def _missing(self, first, last):
        """Note readings that the ring does not have any more, as inclusive intervals for the health message."""
        gone = self._gone
        if gone and gone[-1][1] + 1 == first:
            gone[-1][1] = last
        elif len(gone) < messages.INTERVALS_MAX:
            gone.append([first, last])
