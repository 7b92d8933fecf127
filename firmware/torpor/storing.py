"""STORE: a reading to the ring, read back; without a card, to retained memory. Law: one reading, one sector write."""

from . import record, retained, schedule, timekeeping
from .errors import CardError, RingError
from .ring import Ring


def make_record(cycle, values, flags):
    """Note what was read as the record to be stored."""
    r = cycle.r
    time_s, uncertainty_s = timekeeping.now(r, cycle.taken_rtc_s, cycle.drift_ppm_max)
    if uncertainty_s is None:
        uncertainty_s = record.TIME_UNKNOWN
    record_flags = 0
    if r.bits & retained.FIRST_READING:
        record_flags = record.FIRST_AFTER_RESET
        r.bits &= ~retained.FIRST_READING
    cycle.record = (time_s, uncertainty_s, r.run, 0, record_flags, values, flags)


def store(cycle):
    r = cycle.r
    ports = cycle.ports
    done = "stored"
    try:
        seq = _append(cycle)
    except (CardError, RingError):
        r.count("card")
        done, seq = "held", _hold(cycle)
    except Exception as error:
        # a defect in the way to the card does not have to cost the reading
        cycle.failed(error)
        done, seq = "held", _hold(cycle)
    r.add_missed(schedule.missed_between(r.last_slot, cycle.slot))
    r.last_slot = cycle.slot
    r.save()
    cycle.stored_ms = ports.clock.ticks_ms()
    ports.log.event(done, seq=seq)
    if cycle.person:
        ports.signal.show("stored")
    if cycle.settings["broker"] is None or r.bits & retained.RADIO_HELD_OFF:
        return "done"
    if cycle.person or schedule.is_transmit_due(cycle.time_s(), r.next_transmit_s):
        return "transmit"
    return "done"


def _append(cycle):
    if cycle.ring is None:
        open_ring(cycle)
    ring = cycle.ring
    r = cycle.r
    taken = cycle.record
    layout, values, flags = r.layout, taken[5], taken[6]
    if layout == retained.NO_LAYOUT or r.bits & retained.OLD_LAYOUT:
        from . import card_start

        layout, values, flags = card_start.fit(cycle, values, flags)
    data = bytearray(ring.stride)
    record.encode(data, 0, ring.stride, taken[:3] + (layout, taken[4], values, flags))
    anchor = timekeeping.anchor(r)
    full = ring.head - ring.capacity + 1 > ring.acked_to
    ring.append(data, anchor)
    r.head = ring.head
    if full:
        r.overwritten += 1
    return ring.head


def open_ring(cycle):
    """Open the ring by the diary's hint, else find it, else make one on a card that has none."""
    ports = cycle.ports
    r = cycle.r
    rail = cycle.settings["card"]["rail"]
    if rail:
        ports.power.rail(rail, True)
    names = ports.card.rings()
    if names and r.ring_id and not r.bits & retained.CARD_IN_DOUBT:
        ring = Ring(ports.card.open(names[0]), r.ring_id, 0, r.head)
        if ring.resume():
            ring.acked_to = min(r.acked_to, ring.head)
            cycle.ring = ring
            return
    from . import card_start

    cycle.ring = card_start.start(cycle, names)


def load_held(cycle):
    """The readings held in retained memory, or None when none are."""
    if cycle.held is None and cycle.r.bits & retained.HOLDING:
        _load_held(cycle)
    return cycle.held


def _load_held(cycle):
    from binascii import crc32

    from .held import Held

    names = ",".join([channel[0] for channel in cycle.channels])
    stride = record.stride(len(cycle.channels))
    cycle.held = Held(cycle.ports.power.retained, stride, crc32(names.encode()), cycle.ports.random.u32())
    cycle.r.add_unstored(cycle.held.lost)


def _hold(cycle):
    # what a card says that has just failed is not asked again in this wake
    cycle.ring = None
    if cycle.held is None:
        _load_held(cycle)
    held = cycle.held
    data = bytearray(held.stride)
    record.encode(data, 0, held.stride, cycle.record)
    cycle.r.add_unstored(held.add(data))
    cycle.r.bits |= retained.HOLDING
    return held.head
