"""SEND: from an open network to an empty backlog. Law: every way out leaves what was accepted accepted.

Held readings go first, then the ring's backlog, then what the collector asked for again, then health.
"""

from binascii import hexlify

from . import health, last_good, mqtt, networks, retained, storing, uplink
from .backlog import HeldSource, Packer, RingSource, packet_id
from .errors import LinkError

ACCEPTED = "accepted"
REFUSED = "refused"
UNREACHED = "unreached"
# looking up a name, and opening a connection: each at most
CONNECT_MS_MAX = 10000
# this part of the session's time is kept for the answers that are still out, and for health
_RESERVE = 4
_NO_ADDRESS = bytes(4)
# intervals of readings that are gone, in the health message
_GONE_MAX = 8


class Delivery:
    """One SEND. The cycle hands itself in: ports, settings, diary, ring, held readings and the present time.

    answering.py works with `r`, `packer`, `in_time` and `missing`.
    """

    def __init__(self, cycle):
        self._cycle = cycle
        self._ports = cycle.ports
        self.r = cycle.r
        node = cycle.settings["node"]
        # as they come over the wire, so that no bytes of a broker's are ever decoded
        self._topics = (f"torpor/{node}/have".encode(), f"torpor/{node}/settings".encode())
        self._health_topic = f"torpor/{node}/health"
        now_s = cycle.time_s()
        patience_s = cycle.settings["time"]["patience_h"] * 3600
        self.packer = Packer(node, cycle.ports.eui, cycle.r, now_s if not cycle.time_known() else 0, patience_s)
        self._reached = False
        self._proven = False
        # up to where the retained diary says that readings may have been sent
        self._noted_to = 0
        self._gone = []

    def run(self):
        """Deliver; return ACCEPTED, REFUSED (the broker said no) or UNREACHED (nothing came back)."""
        self._started_ms = self._ports.clock.ticks_ms()
        self._limit_ms = min(self._cycle.settings["broker"]["session_s_max"] * 1000, self._cycle.remaining_ms())
        try:
            if not self._attempt(True):
                # some brokers drop a client that does not wait for CONNACK: once more, waiting
                self._attempt(False)
            return ACCEPTED
        except uplink.Refused as error:
            self._fault(error)
            return REFUSED
        except LinkError as error:
            self._fault(error)
            if error.step == "tls":
                # one network may lead to somebody else's machine; where two do, it is the certificate
                self._reached = self._reached or self._cycle.certificate_refused
                self._cycle.certificate_refused = True
            return REFUSED if self._reached else UNREACHED

    def _attempt(self, pipelined):
        """One connection, to its end. False when it was dropped before CONNACK, and waiting for that may help."""
        session = self._open()
        try:
            if not pipelined:
                session.connect()
            self._session(session)
        except LinkError:
            if session.connected:
                self._reached = True
                raise
            # whoever answers at the remembered address may not be the broker
            self.r.broker_ip = _NO_ADDRESS
            if not pipelined or session.mute or self._left_ms() <= 0:
                raise
            return False
        finally:
            session.close()
        return True

    def _left_ms(self):
        return self._limit_ms - self._ports.clock.elapsed_ms(self._started_ms)

    def in_time(self):
        """False when no further reading should be begun."""
        return self._left_ms() > self._limit_ms // _RESERVE

    def _connect_ms(self):
        left_ms = min(CONNECT_MS_MAX, self._left_ms())
        if left_ms <= 0:
            raise LinkError("broker", "too slow")
        return left_ms

    def _fault(self, error):
        self._cycle.count(error)
        self._ports.log.event("session-failed", accepted=int(self._proven))

    def _open(self):
        broker = self._cycle.settings["broker"]
        stream = self._connect(broker)
        # 22 letters and digits: what every broker has to accept [MQTT-3.1.3-5]
        client_id = broker["client_id"] or "torpor" + hexlify(self._ports.eui).decode()
        hello = mqtt.connect(client_id, broker["keepalive_s"], broker["username"], broker["password"])
        # half a round of ids away from those of the readings in flight
        hello += mqtt.subscribe(packet_id(self.r.acked_to + 32768), self._topics)
        return uplink.Session(stream, self._ports.clock, self._started_ms, self._limit_ms, hello, self._topics)

    def _connect(self, broker):
        """A stream to the broker: by the remembered address first, which saves the name look-up."""
        network = self._ports.network
        tls = {"host": broker["host"], "ca": broker["ca"]} if broker["tls"] else None
        r = self.r
        if r.broker_ip != _NO_ADDRESS:
            address = ".".join([str(part) for part in r.broker_ip])
            try:
                return network.open_stream(address, broker["port"], tls, self._connect_ms())
            except LinkError as error:
                r.broker_ip = _NO_ADDRESS
                if error.step == "tls":
                    raise
        if self._cycle.remaining_ms() < networks.NAME_MS_MAX:
            raise LinkError("resolve", "too slow")
        address = network.resolve(broker["host"], self._connect_ms())
        stream = network.open_stream(address, broker["port"], tls, self._connect_ms())
        r.broker_ip = _four_bytes(address)
        return stream

    def _session(self, session):
        cycle = self._cycle
        ring = cycle.ring
        self._gone = []
        source = None
        held = storing.load_held(cycle)
        if held is not None and held.count():
            session.deliver(self._held_packets(held), lambda seq: self._held_accepted(held, seq))
        if ring is not None:
            # while an old layout is in use, it is not that of today's channels
            layout = retained.NO_LAYOUT if self.r.bits & retained.OLD_LAYOUT else self.r.layout
            source = RingSource(ring, layout, cycle.channels)
            session.deliver(self._ring_packets(source, ring), lambda seq: self._accepted(ring, seq))
        session.settle()
        if session.messages:
            self._answer(session, source)
        session.finish(self._health_topic, self._health(ring))

    def _answer(self, session, source):
        from . import answering

        have, settings = self._topics
        if source is not None and have in session.messages:
            asked, allowed = answering.wanted(session.messages[have], source.name, self._cycle)
            session.deliver(answering.again(self, source, asked, allowed), lambda seq: None)
        if settings in session.messages:
            answering.take_settings(self._cycle, session.messages[settings])

    def _health(self, ring):
        cycle = self._cycle
        return health.message(
            self.r,
            ring,
            cycle.now(),
            cycle.choice,
            cycle.network_name,
            self._ports.radio.rssi_dbm(),
            cycle.battery_mv,
            self._gone,
        )

    def _held_packets(self, held):
        source = HeldSource(held, self._cycle.channels)
        sent_to = held.sent_to
        for seq in range(held.first(), held.head + 1):
            data = self.packer.packet(source, seq, sent_to)
            if data is None:
                return
            if seq > held.sent_to:
                # noted before it leaves, and once for all of them: they are few
                held.sent_to = held.head
                held.save()
            yield seq, data

    def _held_accepted(self, held, seq):
        held.accept(seq)
        if not held.count():
            self.r.bits &= ~retained.HOLDING
        self._proved()

    def _ring_packets(self, source, ring):
        r = self.r
        sent_to = r.sent_to
        seq = ring.tail()
        # a card that answers again tomorrow must not cost a reading today: only what two sessions could not read is
        # passed over
        passing = r.bits & retained.TAIL_UNREAD
        while seq <= ring.head and self.in_time():
            data = self.packer.packet(source, seq, sent_to)
            if data is None:
                return
            if data:
                if seq > sent_to:
                    self._note(seq, ring.head)
                passing = 0
                r.bits &= ~retained.TAIL_UNREAD
                yield seq, data
            elif passing:
                first = seq
                # its sectors may be whole, and only its layout gone
                seq = max(seq + 1, source.next_from(seq, self._goes_on))
                self.missing(first, seq - 1)
                continue
            else:
                r.bits |= retained.TAIL_UNREAD
                return
            seq += 1

    def _goes_on(self):
        self._ports.power.feed_watchdog()
        return self.in_time()

    def _note(self, seq, head):
        """Before a reading leaves: a reset in mid-session must not send it again as new.

        Retained memory is told a flight ahead, since writing it for each reading costs more than the reading.
        """
        r = self.r
        if seq > self._noted_to:
            r.sent_to = self._noted_to = min(head, seq + uplink.FLIGHT_PACKETS - 1)
            r.save()
        r.sent_to = seq

    def _accepted(self, ring, seq):
        ring.acked_to = self.r.acked_to = seq
        if not self._proven:
            self._proved()
        self._ports.power.feed_watchdog()

    def _proved(self):
        """A PUBACK is the only proof that network, broker and settings work."""
        if self._proven:
            return
        self._proven = True
        cycle = self._cycle
        # over a network of the settings before, it proves nothing about the network in these
        if not cycle.choice.good and self.r.network <= len(cycle.settings["network"]):
            cycle.choice.good = True
            try:
                last_good.accept(self._ports.nvm, cycle.choice.crc)
            except OSError:
                # tried again in the next session; the readings go on
                self.r.count("settings")

    def missing(self, first, last):
        """Note readings that the ring does not have any more, as inclusive intervals for the health message."""
        # looking for one reads a dozen sectors
        self._ports.power.feed_watchdog()
        gone = self._gone
        if gone and gone[-1][1] + 1 == first:
            gone[-1][1] = last
        elif len(gone) < _GONE_MAX:
            gone.append([first, last])


def _four_bytes(address):
    """An IPv4 address in dots as 4 bytes; zeros for anything else, which is then looked up each time."""
    parts = address.split(".")
    if len(parts) != 4:
        return _NO_ADDRESS
    try:
        return bytes([int(part) for part in parts])
    except ValueError:
        return _NO_ADDRESS
