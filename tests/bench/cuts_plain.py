"""Power cuts on a plain device. Law: every write is cut in every way, and what counts is read by the format.

One run is lived once, with a snapshot of the device at each write; a cut is a copy of the snapshot, struck. What is
left on the card is read by hostsim/card_format.py, which knows nothing of the firmware, and by the node itself after
its cold start: a reading counts as lost when either does not have it.
"""

from dataclasses import dataclass
from functools import cache

from ring_device import Device, PowerLoss
from test_ring import ANCHOR, cold, content, make, sectors
from test_ring_recovery import HARD, two_cuts
from torpor.errors import CardError, RingError

from hostsim import card_format

HALF, STRIDE, READINGS = 64, 60, 1000
# numbers after a cut are stored with other contents than the cut run had for them
AGAIN = 1


@dataclass
class Row:
    """Figures of one kind of cut.

    stuck: cuts after which the node did not go on, or its second start still mended, or the file system had a fault.
    beside: cuts that spoilt sectors of the file system itself; person: cuts after which a person has to look at the
    card, because what says whose ring it is, or where, is gone.
    """

    what: str
    mode: str
    cuts: int = 0
    stored: int = 0
    lost: int = 0
    two_contents: int = 0
    stuck: int = 0
    bound: int = 0  # what may be lost in all these cuts, by the places alone
    beside: int = 0
    person: int = 0

    def add(self, stored: int, outcome: tuple[int, int, int]) -> None:
        self.cuts += 1
        self.stored += stored
        self.lost += outcome[0]
        self.two_contents += outcome[1]
        self.stuck += outcome[2]

    def failed(self) -> bool:
        return self.lost > self.bound or self.two_contents > 0 or self.stuck > 0


class Recorder(Device):
    """Keeps what the device held before each write, the write, and how many readings had been reported by then."""

    def __init__(self, *args):
        super().__init__(*args)
        self.reported = 0
        self.moments: list[tuple[dict, int, bytes, int]] = []

    def write(self, sector, data):
        self.moments.append((dict(self.sectors), sector, bytes(data), self.reported))
        super().write(sector, data)


@cache
def lived(readings: int, half: int = HALF) -> list:
    """The moments of a run of so many readings, with its making."""
    device = Recorder(sectors(half))
    this = make(half, STRIDE, device)
    for seq in range(1, readings + 1):
        this.append(content(seq, STRIDE), ANCHOR)
        device.reported = seq
    return device.moments


def stored_by(newest: int) -> dict[int, bytes]:
    return {seq: content(seq, STRIDE) for seq in range(1, newest + 1)}


def struck(moment, kind: str, seed: int, half: int = HALF, torn_at: int | None = None) -> Device:
    """The device of a moment, with its write cut; the seed also settles how the file lies on the device."""
    before, sector, data, _ = moment
    device = Device(sectors(half), seed, seed * 7 % 32)
    device.sectors = dict(before)
    device.cut(1, kind, torn_at)
    try:
        device.write(sector, data)
    except PowerLoss:
        device.power_on()
    return device


def by_format(device: Device, ring_id: int, half: int) -> dict[int, set[bytes]]:
    """{seq: its contents} of all whole sectors of a ring that lie where they should."""
    found: dict[int, set[bytes]] = {}
    for place, data in device.sectors.items():
        header = card_format.data_sector(data) if data[:4] == b"tpRg" else None
        if header is None or header[0] != ring_id or card_format.place_of(header[1], half) != place:
            continue
        _, seq, _, stride, count = header
        for index in range(count):
            at = 32 + index * stride
            found.setdefault(seq - count + 1 + index, set()).add(data[at : at + stride])
    return found


def compared(this, device: Device, stored: dict[int, bytes], half: int) -> tuple[set[int], set[int]]:
    """(lost, of two contents): numbers of what was reported and must still be in a ring of this length."""
    newest = max(stored, default=0)
    found = by_format(device, this.ring_id, half)
    lost, double = set(), {seq for seq, contents in found.items() if len(contents) > 1}
    for seq in range(max(1, newest - 2 * half + 1), newest + 1):
        data = this.read(seq) if seq <= this.head else None
        if seq not in stored:
            # a number that was passed over
            double |= {seq} if seq in found or data is not None else set()
        elif seq not in found or data is None:
            lost.add(seq)
        elif found[seq] != {stored.get(seq)} or bytes(data) != stored.get(seq):
            double.add(seq)
    return lost, double


def after(
    device: Device,
    stored: dict[int, bytes],
    tried: set[bytes],
    half: int = HALF,
    mended: int = 0,
    passing: bool = False,
):
    """(lost, two contents, stuck) after a cut: a cold start, three more readings, and a cold start again.

    tried: what the interrupted write was to store, which may have come through. mended: sectors that the second start
    may still find bad. passing: numbers may be passed over, as long as they have no contents.
    """
    stored = dict(stored)
    newest = max(stored, default=0)
    try:
        this = cold(device)[0]
    except (CardError, RingError):
        if stored:
            return min(newest, 2 * half), 0, 1
        # of a file that has no ring yet nothing was reported; it has no name either, and is made anew
        this = make(half, STRIDE, device)
    if passing:
        wrong = {seq for seq in range(newest + 1, this.head + 1) if this.read(seq) is not None}
    elif this.head == newest + 1 and this.read(this.head) is not None:
        data = bytes(this.read(this.head))
        stored[this.head] = data
        wrong = set() if data in tried else {this.head}
    else:
        wrong = set(range(newest + 1, this.head + 1))
    lost, double = compared(this, device, stored, half)
    stuck = 0
    try:
        for _ in range(3):
            seq = this.append(content(this.head + 1, STRIDE, AGAIN), ANCHOR)
            if seq in stored:
                double.add(seq)
            stored[seq] = content(seq, STRIDE, AGAIN)
        this, _, again = cold(device)
        stuck = int(this.head != max(stored) or again > mended)
        more_lost, more_double = compared(this, device, stored, half)
        lost, double = lost | more_lost, double | more_double
    except (CardError, RingError):
        stuck = 1
    return len(lost), len(double | wrong), stuck


def every_write(mode: str, readings: int, step: int = 1) -> Row:
    """Each write of the run, or every step-th one, the making of the ring as well."""
    row = Row("every write of the run", mode)
    for number, moment in enumerate(lived(readings), 1):
        if number % step:
            continue
        reported = moment[3]
        device = struck(moment, mode, number)
        row.add(min(reported, 2 * HALF), after(device, stored_by(reported), {content(reported + 1, STRIDE)}))
    return row


def torn_at(end: int, readings: int, step: int) -> Row:
    """Every step-th write of the run, torn after `end` bytes; from another one on for each of them."""
    row = Row("torn at each boundary", "16, 32 ... 496")
    for number, moment in enumerate(lived(readings), 1):
        if (number + end // 16) % step == 0:
            device = struck(moment, "torn", number, torn_at=end)
            row.add(min(moment[3], 2 * HALF), after(device, stored_by(moment[3]), {content(moment[3] + 1, STRIDE)}))
    return row


def repairs(mode: str, readings: int, step: int) -> Row:
    """A cut that trashes 32 sectors at some writes, then a cut at every write of the repair that follows."""
    row = Row("every write of a repair", mode)
    moments = lived(readings)
    for number in range(150, len(moments), step):
        reported = moments[number][3]
        damaged = struck(moments[number], "32 trashed", number)
        for at_write in range(1, 200):
            device = damaged.copy(at_write, damaged.first_sector)
            device.cut(at_write, mode)
            try:
                cold(device)
            except PowerLoss:
                device.power_on()
            else:
                break
            row.add(min(reported, 2 * HALF), after(device, stored_by(reported), {content(reported + 1, STRIDE)}))
    return row


def in_a_row(seeds: range, hard: bool) -> Row:
    """Two cuts, the second in the repair or soon after; rings, records, marks and places by the seed."""
    row = Row("two cuts in a row", "32 trashed, soon" if hard else "any, by the seed")
    for seed in seeds:
        try:
            cuts, stored = two_cuts(seed, **(HARD if hard else {}))
        except AssertionError:
            row.cuts += 2
            row.lost += 1
        else:
            row.cuts += cuts
            row.stored += stored
    return row
