"""A damaged ring. Law: node and desk find the same readings in it, and neither invents one.

The golden ring is damaged as cards and power cuts do; tests/golden/make_golden.py says what its readings hold.
"""

import sys
from pathlib import Path

from torpor import ring, ring_recovery
from torpor.errors import CardError, RingError

from deploy import card_find, card_read
from hostsim import card_format

GOLDEN = Path(__file__).parents[1] / "golden"
sys.path.append(str(GOLDEN))
from make_golden import reading  # noqa: E402

SECTORS = 320
EUI = bytes.fromhex("02a1b2fffec3d4e5")
RING_ID, NEW_ID = 0x5EED1234, 0x0BADCAFE
FIRST, HEAD, ACKED_TO = 13, 140, 108
GROUP = 32


class Card:
    """A ring file on which some sectors cannot be read."""

    def __init__(self, image):
        self.data = bytearray(image)
        self.sector_count = len(image) // 512
        self.unreadable = set()

    def sector(self, index):
        return bytes(self.data[512 * index : 512 * index + 512])

    def read(self, sector, buffer):
        assert 0 <= sector < self.sector_count
        if sector in self.unreadable:
            raise CardError("read")
        buffer[:] = self.sector(sector)

    def write(self, sector, data):
        assert 0 <= sector < self.sector_count
        if sector in self.unreadable:
            raise CardError("write")
        self.data[512 * sector : 512 * sector + 512] = data


class Steps:
    """An input read as a list of damages; `touched` are the sectors that are not as they were."""

    def __init__(self, data, card):
        self._data, self._at = data, 0
        self.card, self.touched = card, set()
        while self._at < len(data) and len(self.touched) < 2 * SECTORS:
            (self.flip, self.fill, self.trash, self.hide, self.move, self.put)[self.number() % 6]()

    def number(self, size=1):
        found = self._data[self._at : self._at + size]
        self._at += size
        return int.from_bytes(found, "little")

    def change(self, sector, data):
        if self.card.sector(sector) != data:
            self.card.data[512 * sector : 512 * sector + 512] = data
            self.touched.add(sector)

    def flip(self):
        sector, at = self.number(2) % SECTORS, self.number(2) % 512
        data = bytearray(self.card.sector(sector))
        data[at] ^= self.number()
        self.change(sector, bytes(data))

    def fill(self):
        sector, byte = self.number(2) % SECTORS, self.number()
        self.change(sector, bytes([byte]) * 512)

    def trash(self):
        """What a power cut may take: an aligned group of 8 or of 32."""
        sector, size, byte = self.number(2) % SECTORS, 8 << 2 * (self.number() % 2), self.number()
        for index in range(sector // size * size, min(SECTORS, sector // size * size + size)):
            self.change(index, bytes([byte]) * 512)

    def hide(self):
        sector = self.number(2) % SECTORS
        self.card.unreadable.add(sector)
        self.touched.add(sector)

    def move(self):
        """A write that went to the wrong place."""
        source, sector = self.number(2) % SECTORS, self.number(2) % SECTORS
        self.change(sector, self.card.sector(source))

    def put(self):
        """A torn write: the front of one sector, the rest of another."""
        source, sector, at = self.number(2) % SECTORS, self.number(2) % SECTORS, 16 * (self.number() % 32)
        self.change(sector, self.card.sector(source)[:at] + self.card.sector(sector)[at:])


IMAGE = (GOLDEN / "ring.bin").read_bytes()


def right(seq, data):
    """Whether these are the bytes of the golden reading `seq`."""
    if not 1 <= seq <= HEAD:
        return False
    *wanted, values, flags = reading(seq)
    found = card_format.record(data, 0, len(values))
    return wanted == list(found[:5]) and (values, flags) == (list(found[5][0::2]), list(found[5][1::2]))


def on_desk(card):
    """(seqs that the desk's reader reads, its head), after checking what it read; None: it finds no ring."""

    def read(position):
        return b"" if position in card.unreadable else card.sector(position)

    def all_of_them():
        for index in range(SECTORS):
            data = read(index)
            if data[:4] in card_find.MAGICS:
                yield index, data

    try:
        found = card_read.Ring(card_find.Sectors("card", SECTORS, read, all_of_them, True))
    except card_find.CardError:
        return None
    seqs = set()
    for message in found.readings():
        assert 1 <= message["seq"] <= HEAD
        _, _, _, _, flags, values, _ = reading(message["seq"])
        present = [value for value in values if value != card_format.ABSENT]
        assert [value for value, _ in message["values"].values()] == present
        assert message["record_flags"] == flags
        seqs.add(message["seq"])
    unnamed = {seq for first, last in found.damage.unnamed for seq in range(first, last + 1)}
    return seqs | unnamed, found.head


def run_ring(data):
    card = Card(IMAGE)
    steps = Steps(data, card)
    desk = on_desk(card)
    if desk is not None:
        plain = ring.Ring(card, RING_ID, 36, desk[1])
        mine = {seq for seq in range(plain.oldest(), desk[1] + 1) if plain.read(seq) is not None}
        assert mine == desk[0], "node and desk read other readings"
    # one write that a power cut took, and all that it may take with it
    one_cut = not card.unreadable and len({sector // GROUP for sector in steps.touched}) <= 1
    try:
        found = ring_recovery.recover(card, EUI, NEW_ID, lambda: None)[0]
    except (CardError, RingError):
        assert not one_cut, "a ring with one cut in it was given up"
        return
    if found.ring_id != RING_ID:
        assert desk is None or desk[1] == 0, "a ring with readings on it was begun anew"
        return
    assert desk is not None
    if found.head > desk[1]:
        # more is gone than one cut takes: numbers that may have been given out are passed over, and have no contents
        assert not one_cut
        assert all(found.read(seq) is None for seq in range(desk[1] + 1, found.head + 1))
    assert found.acked_to <= ACKED_TO
    check_readings(found, one_cut)
    if one_cut and {sector // GROUP for sector in steps.touched} <= {found.sector_of(HEAD + 1) // GROUP}:
        check_mended(found)
    # what a card refused to give is not asked to take anything
    card.unreadable.clear()
    for _ in range(3):
        found.append(bytes(36), (1, 0, 0, 0))
    assert all(found.read(found.head - back) == bytes(36) for back in range(3))


def check_readings(found, one_cut):
    if one_cut:
        assert found.head >= HEAD - 1
    for seq in range(found.oldest(), found.head + 1):
        data = found.read(seq)
        assert data is None or right(seq, data)
        # 12 is older than the ring, and still there where the newest reading was lost
        assert data is not None or not one_cut or seq < FIRST, seq


def check_mended(found):
    """After a cut in the write of the next reading, each reading is whole in its own sector again."""
    buffer = bytearray(512)
    for seq in range(FIRST, found.head + 1):
        assert found.load(seq, buffer), seq


def ring_seeds():
    return [
        b"",
        bytes([0, 64, 0, 100, 0, 1]),
        bytes([1, 70, 0, 255, 1, 200, 0, 0]),
        bytes([2, 130, 0, 1, 255]),
        bytes([2, 198, 0, 0, 255]),
        bytes([2, 198, 0, 1, 7]),
        bytes([2, 196, 0, 0, 165, 3, 70, 0]),
        bytes([3, 66, 0, 3, 2, 1]),
        bytes([4, 64, 0, 65, 0, 5, 70, 0, 71, 0, 9]),
        bytes([2, 0, 0, 1, 0, 2, 128, 0, 1, 0]),
    ]
