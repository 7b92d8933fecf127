"""Power cuts beside the readings, and a unit of the card gone. Law: no more is lost than has no copy elsewhere.

Layouts are written into a running ring, in both copies; a unit of 4 MiB takes many sectors with it, and how many
readings may go with them is reckoned by their places alone.
"""

from collections.abc import Iterable

from cuts_plain import HALF, READINGS, STRIDE, Row, after, lived, stored_by
from ring_device import UNIT, Device, PowerLoss
from test_ring import ANCHOR, CHANNELS, EUI, cold, content, make, sectors
from torpor import ring, ring_layout

from hostsim import card_format

MORE = [("light", "lx", 0, "bh1750"), *CHANNELS]
UNIT_SECTORS = int(UNIT.split()[0])
# numbers that are passed over where a unit is gone, and with them the oldest readings of a full ring
PASSED_MAX = 66
# a second start comes to places that the first one did not look at
MENDED_MAX = 32


def layouts(mode: str, step: int) -> Row:
    """Both copies of a layout that is written into a running ring, at heads all along a lap."""
    row = Row("both copies of a layout", mode)
    moments = lived(READINGS)
    for number in range(300, 300 + 2 * HALF, step):
        before, _, _, reported = moments[number]
        for slot in (1, 2, 31, 32, 33, 63):
            base = Device(sectors(HALF), number, number * 7 % 32)
            base.sectors = dict(before)
            this = cold(base)[0]
            if ring_layout.endangers(this, slot):
                continue
            for lower in range(1, slot):
                _put_layout(base, lower, [(f"c{lower}", "Cel", -2, "s")])
            for at_write in (1, 2):
                device = base.copy(number, base.first_sector)
                device.cut(at_write, mode)
                try:
                    _put_layout(device, slot, MORE)
                except PowerLoss:
                    device.power_on()
                outcome = after(device, stored_by(reported), set())
                unnamed = sum(_layout(device, lower) != [(f"c{lower}", "Cel", -2, "s")] for lower in range(1, slot))
                unnamed += _layout(device, 0) != CHANNELS or _layout(device, slot) not in (None, MORE)
                row.add(min(reported, 2 * HALF), (outcome[0] + unnamed, *outcome[1:]))
    return row


def _put_layout(device: Device, slot: int, channels) -> None:
    buffer = bytearray(512)
    ring_layout.encode(buffer, slot, STRIDE, 0xC0FFEE, HALF, EUI, "north-stack", channels)
    ring_layout.write(device, slot, buffer)


def _layout(device: Device, slot: int, half: int = HALF):
    """The channels that both copies state, by the format; None: both are bad; False: they differ, or one is bad."""
    copies = []
    for copy in (0, 1):
        found = card_format.layout_sector(device.sector(copy * (card_format.LAYOUT_SECTORS + half) + slot))
        copies.append([tuple(channel) for channel in found[6]] if found is not None and found[0] == slot else None)
    return copies[0] if copies[0] == copies[1] else False


def bound_of(device: Device, place: int, newest: int, half: int) -> int:
    """How many readings may go with the unit that `place` lies in, by the places alone.

    Those whose own sector and all that repeat them lie in it; all, where both copies of the first layout do; and
    those in places that are passed over, once the ring has been full.
    """
    first = (place + device.first_sector) // UNIT_SECTORS * UNIT_SECTORS - device.first_sector
    window = (508 - 32) // STRIDE

    def in_unit(sector: int) -> bool:
        return 0 <= sector - first < UNIT_SECTORS

    oldest = max(1, newest - 2 * half + 1)
    if in_unit(0) and in_unit(card_format.LAYOUT_SECTORS + half):
        return newest - oldest + 1
    gone = [in_unit(card_format.place_of(seq, half)) for seq in range(oldest, newest + window)]
    # the sector that was being written repeats some as well, and is gone: the oldest of its lap lay there
    taken = sum(all(gone[at : min(at + window, newest + 1 - oldest)]) for at in range(newest + 1 - oldest))
    return taken + min(PASSED_MAX, max(0, newest + PASSED_MAX - 2 * half))


def unit_gone(mib: int, heads: Iterable[int], places: int) -> Row:
    """A whole unit of 4 MiB is lost with the write that was in it; the ring begins at so many places in a unit."""
    count = mib * 2048
    half = ring.half_sectors(count)
    row = Row("a unit of 4 MiB gone", f"{mib} MiB ring")
    device = Device(count)
    this = make(half, STRIDE, device)
    for number, head in enumerate(heads):
        while this.head < head:
            this.append(content(this.head + 1, STRIDE), ANCHOR)
        for turn in range(places):
            # partitions begin anywhere, and a ring lies behind others' files
            there = device.copy(number, (number * 2731 + turn * (UNIT_SECTORS // places) + 64) % UNIT_SECTORS)
            there.cut(1, UNIT)
            place = card_format.place_of(head + 1, half)
            try:
                there.write(place, bytes(512))
            except PowerLoss:
                there.power_on()
            row.bound += bound_of(there, place, head, half)
            # a start mends what lies around the head; the head has moved on by the second one
            outcome = after(there, stored_by(head), set(), half, mended=MENDED_MAX, passing=True)
            if _layout(there, 0, half) is None:
                # nothing says any more whose ring it was: it is left to a person, and not a sector of it is touched
                outcome = (*outcome[:2], int(there.writes != 1))
                row.person += 1
            row.add(min(head, 2 * half), outcome)
    return row
