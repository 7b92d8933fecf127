"""A card met for the first time: find the ring or make one, and give the channels their layout.

Law: what is on the card and is not this board's ring is left as it is; but where a card has lost all of a ring,
sector by sector, a new one begins in its place.
"""

from . import record, retained, ring, ring_layout
from .errors import CardError, RingError

RING_NAME = "torpor.ring"
SECTORS_A_MIB = 2048
# layout sectors that may be unreadable before the card is given up: each costs the card's own time-out, twice
UNREAD_MAX = 4
# what a wake keeps of its time for all else when a card is so slow that the search takes the rest
REST_MS = 90000


def start(cycle, names):
    """The ring on this card; `names` are the ring files that it has. Raises CardError or RingError."""
    ports = cycle.ports
    r = cycle.r
    r.layout = retained.NO_LAYOUT

    def feed():
        ports.power.feed_watchdog()
        if cycle.remaining_ms() < REST_MS:
            raise CardError("too slow to be searched")

    if not names:
        found = _make(cycle)
    else:
        file = ports.card.open(names[0])
        found = _recovered(cycle, names[0], file, feed)
        if found.head and r.ring_id == found.ring_id and r.acked_to > found.acked_to:
            found.acked_to = min(r.acked_to, found.head)
    r.bits &= ~retained.CARD_IN_DOUBT
    r.ring_id = found.ring_id
    r.head = found.head
    r.acked_to = found.acked_to
    # what was sent before is not known any more: everything goes out as if it had been
    r.sent_to = found.head
    return found


def _recovered(cycle, name, file, feed):
    """The ring in the file; a new one where the card has lost the whole of it, and nobody else can have made it."""
    # a new card needs none of it, and the wake that meets one has most to load
    from . import ring_recovery

    ports = cycle.ports
    known = (cycle.r.ring_id, cycle.r.head) if cycle.r.ring_id else None
    try:
        found, _, mended = ring_recovery.recover(file, ports.eui, ports.random.u32(), feed, known)
    except RingError:
        if name != RING_NAME or file.sector_count != _sectors(cycle) or not ring_recovery.is_rubbish(file, feed):
            raise
        cycle.r.count("card")
        return _begin(cycle, file)
    ports.log.event("ring-found", head=found.head, mended=mended)
    return found


def _make(cycle):
    """A new ring. The file gets its name last: what a power cut leaves unnamed is made anew by the next wake."""
    card = cycle.ports.card
    file = card.create(RING_NAME, _sectors(cycle))
    found = _begin(cycle, file)
    card.keep(RING_NAME)
    return found


def _sectors(cycle):
    """How long a ring the settings ask for."""
    return cycle.settings["card"]["size_mib"] * SECTORS_A_MIB


def _begin(cycle, file):
    """A ring without readings in a file in which nothing is to be kept."""
    settings = cycle.settings
    stride = record.stride(max(settings["card"]["channels_max"], len(cycle.channels)))
    found = ring_layout.create(
        file, cycle.ports.random.u32(), stride, cycle.ports.eui, settings["node"], cycle.channels
    )
    cycle.ports.log.event("ring-made", sectors=file.sector_count)
    return found


def fit(cycle, values, flags):
    """Settle which layout the record gets; return that layout's slot, and values and flags in its order.

    A change of channels takes the next slot. When none is left, or the records of this ring are too short for the
    new channels, the node goes on with the newest old layout, by name: what is new is left out, what is gone absent.
    """
    r = cycle.r
    wanted = cycle.channels
    if r.bits & retained.OLD_LAYOUT and r.layout != retained.NO_LAYOUT:
        # settled by an earlier wake; only a cold start or other settings open the question again
        found = _load(cycle, r.layout)
        if found is not None:
            return _renamed(r.layout, found[5], wanted, values, flags)
    newest, free = _search(cycle, wanted)
    room = (cycle.ring.stride - record.HEAD_SIZE) // record.CHANNEL_SIZE
    if newest is not None and newest[1] == wanted:
        slot = newest[0]
        if ring_layout.endangers(cycle.ring, slot):
            # whole enough to be used; the bad copy, if there is one, is mended by the next cold start
            return _settled(r, slot), values, flags
        # a card that failed between the two copies left one
        ring_layout.repair(cycle.ring.file, slot, cycle.ring.ring_id)
    elif newest is not None and free < ring.LAYOUT_SLOTS and ring_layout.endangers(cycle.ring, free):
        # a power cut in the writing could take the newest reading: this one goes by the old layout, the next may not
        return _renamed(newest[0], newest[1], wanted, values, flags)
    elif free < ring.LAYOUT_SLOTS and len(wanted) <= room:
        slot = free
        _write(cycle, slot)
    elif newest is None:
        raise RingError("no layout is left to be read")
    else:
        if not r.bits & retained.OLD_LAYOUT:
            r.count("settings")
        r.bits |= retained.OLD_LAYOUT
        r.layout = newest[0]
        return _renamed(r.layout, newest[1], wanted, values, flags)
    return _settled(r, slot), values, flags


def _settled(r, slot):
    r.layout = slot
    r.bits &= ~retained.OLD_LAYOUT
    return slot


def _search(cycle, wanted):
    """((slot, channels) of the wanted layout, else of the newest one, else None; the first slot that is free)."""
    this = cycle.ring
    newest = None
    free = 0
    unread = 0
    for slot in range(ring.LAYOUT_SLOTS):
        try:
            found = _load(cycle, slot)
        except CardError:
            # it may be in use, so it is not free
            free = slot + 1
            unread += 1
            if unread > UNREAD_MAX:
                raise
            continue
        if found is not None:
            free = slot + 1
            newest = (slot, found[5])
            if found[5] == wanted:
                return newest, free
    # a slot that a stored reading has is in use, even if both its copies are gone
    data = this.read(this.head) if this.head else None
    if data is not None and free <= data[8] < ring.LAYOUT_SLOTS:
        free = data[8] + 1
    return newest, free


def _load(cycle, slot):
    cycle.ports.power.feed_watchdog()
    return ring_layout.load(cycle.ring.file, slot, cycle.ring.ring_id, bytearray(ring.SECTOR))


def _write(cycle, slot):
    this = cycle.ring
    buffer = bytearray(ring.SECTOR)
    ring_layout.encode(
        buffer, slot, this.stride, this.ring_id, this.half, cycle.ports.eui, cycle.settings["node"], cycle.channels
    )
    ring_layout.write(this.file, slot, buffer)


def _renamed(slot, old, wanted, values, flags):
    places = {}
    for index in range(len(wanted)):
        places[wanted[index][:3]] = index
    old_values = []
    old_flags = []
    for channel in old:
        index = places.get(channel[:3])
        old_values.append(record.ABSENT if index is None else values[index])
        old_flags.append(record.SENSOR_FAILED if index is None else flags[index])
    return slot, old_values, old_flags
