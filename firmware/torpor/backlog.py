"""The readings that wait, oldest first, as MQTT packets. Law: a reading is offered under one (ring, seq) with one content.

A reading whose time is not known waits for it, up to the patience in the settings; everything after it waits too, so
that what is accepted stays a prefix. A reading of a run that ended without ever learning the time goes out at once
with its run and its run's seconds: whoever collects knows the readings around it.
"""

from binascii import hexlify

from . import mqtt, record, ring_layout, senml, timekeeping

_READINGS = "torpor/%s/readings"


def packet_id(seq):
    """The id that a reading has in every session: nothing needs to be remembered to resend it under its own id."""
    return 1 + seq % 65535


class Packer:
    """Turns stored records into PUBLISH packets."""

    def __init__(self, node, eui, r, now_run_s, patience_s):
        self._topic = _READINGS % node
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
        if channels is None:
            return b""
        time_s, uncertainty_s, run, _, flags, values, channel_flags = record.decode(data, 0, len(channels))
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
    """What the last whole sector of `run` says about it; runs only grow along the ring. None when nothing is known."""
    buffer = bytearray(512)
    low = seq
    step = 1
    best = None
    high = ring.head + 1
    while low + step < high:
        found = _anchor_near(ring, low + step, buffer)
        if found is None or found[0] != run:
            high = low + step
            break
        best = found
        low += step
        step *= 2
    while high - low > 1:
        middle = (low + high) // 2
        found = _anchor_near(ring, middle, buffer)
        if found is not None and found[0] == run:
            best = found
            low = middle
        else:
            high = middle
    if best is None:
        best = _anchor_near(ring, seq, buffer)
        if best is not None and best[0] != run:
            return None
    return best


def _anchor_near(ring, seq, buffer):
    for ahead in range(seq, min(seq + 4, ring.head + 1)):
        found = ring.anchor_in(ahead, buffer)
        if found is not None:
            return found
    return None


def _shown(channels):
    """What a pack says of each channel: all but the sensor's name."""
    return [channel[:3] for channel in channels]


class RingSource:
    """Readings in the ring on the card."""

    def __init__(self, ring, layout, channels):
        self.ring = ring
        self.name = f"{ring.ring_id:08x}"
        self._layouts = {layout: _shown(channels)}

    def read(self, seq):
        return self.ring.read(seq)

    def channels(self, layout):
        """[(name, unit, exponent)] of a layout, None when no copy of it is whole."""
        if layout not in self._layouts:
            buffer = bytearray(512)
            found = ring_layout.load(self.ring.file, layout, self.ring.ring_id, buffer)
            self._layouts[layout] = _shown(found[5]) if found else None
        return self._layouts[layout]


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
