"""The ring buffer on the card. Law: a reading is stored when its sector has been read back, and not before.

One aligned 512-byte write a reading; successive readings alternate between two halves of the file, and each sector
repeats the newest records before it, so that a sector (or an aligned group of 32) destroyed by a power cut
takes nothing with it that the other half does not hold. The format is docs/formats.md, "The ring file".

This file holds what a sample-only wake needs. ring_search.py finds the head without a hint, ring_recovery.py checks
and mends; ring_layout.py creates a ring and reads and writes the layouts.
"""

from binascii import crc32
from struct import pack_into, unpack_from

from .errors import CardError

SECTOR = 512
LAYOUT_SLOTS = 64
TAIL_GAP = 64
BODY_AT = 32
CRC_AT = 508
MAGIC = b"tpRg"
VERSION = 1
_HEADER = "<4sBBHIIIHIHI"
# a power cut destroys at most one aligned group of this many sectors
DAMAGE_SECTORS = 32
# smallest half: what recovery looks at around the head
HALF_MIN = 2 * DAMAGE_SECTORS
# a sector with fewer records would not repeat the reading before its own
WINDOW_MIN = 2
WRITE_ATTEMPTS = 2
# card drivers drop the CRC of a transfer, so one bad read proves nothing
READ_ATTEMPTS = 2
# a hint is at most this far behind the head; a longer way is recovery's
HINT_BEHIND_MAX = 8


def half_sectors(sector_count):
    """Data sectors in each half of a file of `sector_count` sectors (may be below HALF_MIN: too small)."""
    return (sector_count - TAIL_GAP) // 2 - LAYOUT_SLOTS


def window_of(stride):
    """How many records of `stride` bytes a sector has room for."""
    return (CRC_AT - BODY_AT) // stride if stride else 0


def crc_ok(buffer):
    return crc32(memoryview(buffer)[:CRC_AT]) == unpack_from("<I", buffer, CRC_AT)[0]


def seal(buffer):
    """Put the CRC-32 of bytes 0 to 507 at 508."""
    pack_into("<I", buffer, CRC_AT, crc32(memoryview(buffer)[:CRC_AT]))


class Ring:
    """A ring whose identity is known: file, id, stride and head.

    `head` is the newest stored seq (0: none), `acked_to` the newest seq up to which all are accepted.
    """

    def __init__(self, file, ring_id, stride, head):
        """stride 0: not known yet, `resume` takes it from the card."""
        self.file = file
        self.ring_id = ring_id
        self.half = half_sectors(file.sector_count)
        self.capacity = 2 * self.half
        self.stride = stride
        self.window = window_of(stride)
        self.head = head
        self.passed_from = 0  # the newest reading, where numbers after it were passed over
        self.acked_to = 0
        self.buffer = bytearray(SECTOR)  # the sector last written or about to be
        self.scratch = bytearray(SECTOR)  # the sector last read
        # how many records in `buffer` come right before reading head + 1
        self._carried = 0
        self._scratch_seq = 0
        self._scratch_count = 0

    def sector_of(self, seq):
        """Where reading `seq` lies, as a sector of the file."""
        return (seq & 1) * (LAYOUT_SLOTS + self.half) + LAYOUT_SLOTS + (seq >> 1) % self.half

    def tail(self):
        """The oldest seq that is in the ring and not accepted; head + 1 when nothing waits."""
        return max(self.acked_to + 1, self.oldest())

    def oldest(self):
        """The oldest seq that the ring still has, accepted or not."""
        return max(1, self.head - self.capacity + 1)

    def load(self, seq, buffer):
        """Read the sector of `seq` into `buffer`; True when it is whole, of this ring and of this seq."""
        try:
            self.file.read(self.sector_of(seq), buffer)
        except CardError:
            return False
        return self.whole(buffer, seq)

    def whole(self, buffer, seq):
        """True when `buffer` is a whole sector of this ring that was written for reading `seq`."""
        magic, version, count, stride, ring_id, found = unpack_from("<4sBBHII", buffer, 0)
        return (
            found == seq
            and magic == MAGIC
            and ring_id == self.ring_id
            and version == VERSION
            and stride == self.stride
            and 0 < count <= self.window
            and crc_ok(buffer)
        )

    def resume(self):
        """Believe the hinted head only after the card agrees; False sends the caller to recovery.

        Loads the head's sector, whose window the next append carries on, and looks whether newer ones follow
        (a reset between the write and the diary leaves the hint behind). What follows the head must be the whole
        sector of the lap before: anything else was destroyed, and its half must be mended before it is written to.
        """
        if self.head == 0 or self.half < HALF_MIN:
            return False
        if self.stride == 0:
            try:
                self.file.read(self.sector_of(self.head), self.buffer)
            except CardError:
                return False
            self.stride = unpack_from("<H", self.buffer, 6)[0]
            self.window = window_of(self.stride)
            if not self.whole(self.buffer, self.head):
                return False
        elif not self.load(self.head, self.buffer):
            return False
        self._scratch_seq = 0
        for _ in range(HINT_BEHIND_MAX):
            if not self.load(self.head + 1, self.scratch):
                self._carried = self.buffer[5]
                replaced = self.head + 1 - self.capacity
                return replaced < 1 or self.whole(self.scratch, replaced)
            self.head += 1
            self.buffer, self.scratch = self.scratch, self.buffer
        return False

    def carry_on(self):
        """Load the head's sector, whose window the next append carries on; False when it is not whole."""
        if not self.load(self.head, self.buffer):
            return False
        self._carried = self.buffer[5]
        return True

    def skip_to(self, seq):
        """Make `seq` the head though the card has no whole sector of it: its number is not used twice."""
        self.passed_from = self.head
        self.head = seq
        self._carried = 0

    def append(self, record, anchor):
        """Store the `stride` bytes of `record` as reading head + 1 and return its seq.

        anchor: (run, run_epoch_s, run_uncertainty_s, synced_s) of the run that the record belongs to; zeros where
        not known. Raises CardError when the sector does not read back as it was written; nothing is stored then,
        and the next append takes the same number.
        """
        stride = self.stride
        assert len(record) == stride
        seq = self.head + 1
        buffer = self.buffer
        held = self._carried
        if held == self.window:
            # a copy on the right: an overlapping move is not safe on every interpreter
            end = BODY_AT + stride * held
            buffer[BODY_AT : end - stride] = bytes(memoryview(buffer)[BODY_AT + stride : end])
            held -= 1
            # should the write fail, these still come right before this number
            self._carried = held
        at = BODY_AT + stride * held
        buffer[at : at + stride] = record
        write_header(buffer, held + 1, stride, self.ring_id, seq, self.acked_to, anchor)
        seal(buffer)
        self.write_checked(seq)
        self._carried = held + 1
        self.head = seq
        return seq

    def write_checked(self, seq):
        """Write `buffer` to the sector of `seq` and read it back; CardError when it does not come back."""
        sector = self.sector_of(seq)
        self._scratch_seq = 0
        for _ in range(WRITE_ATTEMPTS):
            self.file.write(sector, self.buffer)
            self.file.read(sector, self.scratch)
            if self.scratch == self.buffer:
                return
        raise CardError("a sector did not read back")

    def read(self, seq):
        """The record of `seq` as a memoryview valid until the next call, or None when no whole sector has it."""
        if not self._scratch_seq - self._scratch_count < seq <= self._scratch_seq and not self._find(seq):
            return None
        at = BODY_AT + self.stride * (self._scratch_count - 1 - (self._scratch_seq - seq))
        return memoryview(self.scratch)[at : at + self.stride]

    def _find(self, seq):
        # later sectors repeat it: the furthest one is tried first, because it serves the next readings as well
        self._scratch_seq = self._scratch_count = 0
        for _ in range(READ_ATTEMPTS):
            for candidate in range(min(seq + self.window - 1, self.head), seq - 1, -1):
                if self.load(candidate, self.scratch) and candidate - self.scratch[5] < seq:
                    self._scratch_seq = candidate
                    self._scratch_count = self.scratch[5]
                    return True
        return False

    def anchor_in(self, seq, buffer):
        """(run, run_epoch_s, run_uncertainty_s, synced_s) that the sector of `seq` states; None when it is bad."""
        if not self.load(seq, buffer):
            return None
        return unpack_from("<HIHI", buffer, 20)


def write_header(buffer, count, stride, ring_id, seq, acked_to, anchor):
    """Write bytes 0 to 31 of a sector and zero what lies between its last record and the CRC."""
    pack_into(_HEADER, buffer, 0, MAGIC, VERSION, count, stride, ring_id, seq, acked_to, *anchor)
    end = BODY_AT + stride * count
    buffer[end:CRC_AT] = bytes(CRC_AT - end)
