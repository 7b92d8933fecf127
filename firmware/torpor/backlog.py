"""The readings that wait, oldest first, as MQTT packets. Law: a (ring, seq) is offered with one content for ever.

Only its time may become known between one offer and the next. A reading whose time is not known waits for it, up to
the patience in the settings; everything after it waits too, so that what is accepted stays a prefix. A reading of a
run that ended without ever learning the time goes out at once with its run and its run's seconds: whoever collects
knows the readings around it.
"""

from binascii import hexlify

from . import mqtt, record, ring_layout, senml, timekeeping
from .errors import CardError
from .ring import LAYOUT_SLOTS, READ_ATTEMPTS, SECTOR

_READINGS = "torpor/%s/readings"
# readings passed over at a time in search of a whole sector: no more than an eighth of a dead 4-MiB unit
_STEP_MAX = 1024


def packet_id(seq):
    """The id that a reading has in every session: nothing needs to be remembered to resend it under its own id."""
    return 1 + seq % 65535


class Packer:
    """Turns stored records into PUBLISH packets."""

    def __init__(self, node, eui, r, now_run_s, patience_s):
        self._topic = (_READINGS % node).encode()
        self._base_name = "urn:dev:mac:" + hexlify(eui).decode() + "_"
        self._r = r
        self._waits = now_run_s < patience_s
        self._anchors = {}

    def packet(self, source, seq, sent_to):
        """The PUBLISH of reading `seq`; None when the reading has to wait; b"" when `source` cannot read it."""
        data = source.read(seq)
        if data is None:
            return b""
        channels = source.channels(data[8])
        if channels is None or record.stride(len(channels)) > len(data):
            return b""
        time_s, uncertainty_s, run, _, flags, values, channel_flags = record.decode(data, 0, len(channels))
        if record.ABSENT in values:
            values = [None if value == record.ABSENT else value for value in values]
        run_s = None
        if uncertainty_s == record.TIME_UNKNOWN:
            resolved = self._resolve(source, seq, run, time_s)
            if resolved is None:
                if run == self._r.run and self._waits:
                    return None
                run_s, time_s, uncertainty_s = time_s, None, None
            else:
                time_s, uncertainty_s = resolved
        payload = senml.pack(
            self._base_name,
            time_s,
            seq,
            source.name,
            uncertainty_s,
            channels,
            values,
            channel_flags,
            run if run_s is not None else None,
            run_s,
            flags,
        )
        return mqtt.publish(self._topic, payload, packet_id(seq), seq <= sent_to)

    def _resolve(self, source, seq, run, run_s):
        if run not in self._anchors:
            found = None
            if run == self._r.run:
                found = timekeeping.anchor(self._r)
            elif source.ring is not None:
                found = last_anchor(source.ring, seq, run)
            self._anchors[run] = found
        found = self._anchors[run]
        return timekeeping.resolve(run_s, run, found) if found else None


def last_anchor(ring, seq, run):
    """What the last whole sector of `run`, from that of reading `seq` on, says about it; None when none is whole.

    The anchor as in timekeeping.anchor. Runs only grow along the ring, so the run's end is found by bisection.
    """
    buffer = bytearray(SECTOR)
    best = None
    low = seq
    high = ring.head + 1
    while low < high:
        middle = (low + high) // 2
        place, found = _whole_from(ring, middle, high, buffer)
        if found is None or found[0] != run:
            # between `middle` and `place` nothing can be read
            high = middle
        else:
            # a sector that recovery rebuilt may have forgotten what the ones before it say
            if best is None or found[1]:
                best = found
            low = place + 1
    return best


def _whole_from(ring, seq, end, buffer):
    """(place, anchor) of a whole sector from `seq` on: the first few, then ever further ones; (end, None): none."""
    step = 1
    while seq < end:
        found = ring.anchor_in(seq, buffer)
        if found is not None:
            return seq, found
        seq += step
        # a power cut takes sectors of one half, so the next one is mostly whole; a dead unit of a card is long
        step = min(2 * step, _STEP_MAX)
    return end, None


def _shown(channels):
    """What a pack says of each channel: all but the sensor's name."""
    return [channel[:3] for channel in channels]


class RingSource:
    """Readings in the ring on the card. layout: the slot that today's channels have, NO_LAYOUT for none."""

    def __init__(self, ring, layout, channels):
        self.ring = ring
        self.name = f"{ring.ring_id:08x}"
        self._layouts = {layout: _shown(channels)}

    def read(self, seq):
        return self.ring.read(seq)

    def next_from(self, seq, go_on):
        """The first reading from `seq` on that a whole sector has; head + 1: none, or how far it came while go_on().

        A unit of a card has thousands: each sector is asked for itself, and not for each reading that it may repeat.
        """
        buffer = bytearray(SECTOR)
        place = seq
        while place <= self.ring.head and go_on():
            for _ in range(READ_ATTEMPTS):
                if self.ring.load(place, buffer):
                    return max(seq, place - buffer[5] + 1)
            place += 1
        return place

    def channels(self, layout):
        """[(name, unit, exponent)] of a layout, None when no copy of it is whole."""
        if layout not in self._layouts:
            self._layouts[layout] = self._load(layout)
        return self._layouts[layout]

    def _load(self, layout):
        if layout >= LAYOUT_SLOTS:
            return None
        try:
            found = ring_layout.load(self.ring.file, layout, self.ring.ring_id, bytearray(SECTOR))
        except CardError:
            # the readings of other layouts are not to wait for it
            return None
        return _shown(found[5]) if found else None


class HeldSource:
    """Readings held in retained memory; they always have the channels of today's settings."""

    ring = None

    def __init__(self, held, channels):
        self._held = held
        self.name = f"{held.ring_id:08x}"
        self._channels = _shown(channels)

    def read(self, seq):
        return self._held.read(seq)

    def channels(self, _layout):
        return self._channels
