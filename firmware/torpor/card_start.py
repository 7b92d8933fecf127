"""A card met for the first time: find the ring or make one, and give the channels their layout.

Law: what is on the card and is not this board's ring is left as it is.
"""

from . import record, retained, ring, ring_layout, ring_recovery
from .errors import RingError

RING_NAME = "torpor.ring"
SECTORS_A_MIB = 2048


def start(cycle, names):
    """The ring on this card; `names` are the ring files that it has. Raises CardError or RingError."""
    ports = cycle.ports
    r = cycle.r
    r.layout = retained.NO_LAYOUT
    if names:
        found, _, mended = ring_recovery.recover(
            ports.card.open(names[0]), ports.eui, ports.random.u32(), ports.power.feed_watchdog
        )
        if found.head and r.ring_id == found.ring_id and r.acked_to > found.acked_to:
            found.acked_to = min(r.acked_to, found.head)
        ports.log.event("ring-found", head=found.head, mended=mended)
    else:
        settings = cycle.settings
        file = ports.card.create(RING_NAME, settings["card"]["size_mib"] * SECTORS_A_MIB)
        stride = record.stride(max(settings["card"]["channels_max"], len(cycle.channels)))
        found = ring_layout.create(file, ports.random.u32(), stride, ports.eui, settings["node"], cycle.channels)
        ports.log.event("ring-made", sectors=file.sector_count)
    r.ring_id = found.ring_id
    r.head = found.head
    r.acked_to = found.acked_to
    # what was sent before is not known any more: everything goes out as if it had been
    r.sent_to = found.head
    return found


def fit(cycle, values, flags):
    """Settle which layout the record gets (diary.layout); return its values and flags in that layout's order.

    A change of channels takes the next slot. When none is left, or the records of this ring are too short for the
    new channels, the node goes on with the newest old layout: by name, what is new is left out, what is gone is absent.
    """
    r = cycle.r
    wanted = cycle.channels
    file = cycle.ring.file
    buffer = bytearray(ring.SECTOR)
    newest = None
    free = 0
    for slot in range(ring.LAYOUT_SLOTS):
        found = ring_layout.load(file, slot, cycle.ring.ring_id, buffer)
        if found is None:
            continue
        free = slot + 1
        newest = (slot, found[5])
        if found[5] == wanted:
            r.layout = slot
            r.bits &= ~retained.OLD_LAYOUT
            return values, flags
    room = (cycle.ring.stride - record.HEAD_SIZE) // record.CHANNEL_SIZE
    if free < ring.LAYOUT_SLOTS and len(wanted) <= room:
        _write(cycle, free, buffer)
        r.layout = free
        r.bits &= ~retained.OLD_LAYOUT
        return values, flags
    if newest is None:
        raise RingError("no layout is left to be read")
    if not r.bits & retained.OLD_LAYOUT:
        r.count("settings")
    r.bits |= retained.OLD_LAYOUT
    r.layout = newest[0]
    return _by_name(newest[1], wanted, values, flags)


def _write(cycle, slot, buffer):
    this = cycle.ring
    ring_layout.encode(
        buffer, slot, this.stride, this.ring_id, this.half, cycle.ports.eui, cycle.settings["node"], cycle.channels
    )
    ring_layout.write(this.file, slot, buffer)


def _by_name(old, wanted, values, flags):
    places = {}
    for index in range(len(wanted)):
        places[wanted[index][:3]] = index
    old_values = []
    old_flags = []
    for channel in old:
        index = places.get(channel[:3])
        old_values.append(record.ABSENT if index is None else values[index])
        old_flags.append(record.SENSOR_FAILED if index is None else flags[index])
    return old_values, old_flags
