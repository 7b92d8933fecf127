"""The ring buffer on the card. Law: a reading is stored when its sector has been read back, and not before.

One aligned 512-byte write a reading; successive readings alternate between two halves of the file, and each sector
repeats the newest records before it, so that a sector (or an aligned group of 32) destroyed by a power cut
takes nothing with it that the other half does not hold. The format is docs/formats.md, "Ring".

This file holds what a sample-only wake needs. ring_recovery.py finds the head without a hint and repairs;
ring_layout.py creates a ring and reads and writes the layouts.
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
# smallest half: twice the span that recovery looks at
HALF_MIN = 64
WRITE_ATTEMPTS = 2


def half_sectors(sector_count):
    """Data sectors in each half of a file of `sector_count` sectors (may be below HALF_MIN: too small)."""
    return (sector_count - TAIL_GAP) // 2 - LAYOUT_SLOTS


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
        self._set_stride(stride)
        self.head = head
        self.acked_to = 0
        self.buffer = bytearray(SECTOR)  # the sector last written or about to be
        self.scratch = bytearray(SECTOR)  # the sector last read
        self._scratch_seq = 0
        self._scratch_count = 0

    def _set_stride(self, stride):
        self.stride = stride
        self.window = (CRC_AT - BODY_AT) // stride if stride else 0

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
        return self.valid(buffer, seq) and crc_ok(buffer)

    def valid(self, buffer, seq):
        magic, version, count, stride, ring_id, found = unpack_from(_HEADER, buffer, 0)[:6]
        return (
            found == seq
            and magic == MAGIC
            and ring_id == self.ring_id
            and version == VERSION
            and stride == self.stride
            and 0 < count <= self.window
        )

    def resume(self):
        """Believe the hinted head only after the card agrees; False sends the caller to recovery.

        Loads the head's sector, whose window the next append carries on, and looks whether newer ones follow
        (a reset between the write and the diary leaves the hint behind).
        """
        if self.head == 0 or self.half < HALF_MIN:
            return False
        if self.stride == 0:
            self.file.read(self.sector_of(self.head), self.buffer)
            self._set_stride(unpack_from("<H", self.buffer, 6)[0])
        for _ in range(8):
            if not self.load(self.head, self.buffer):
                return False
            if not self.load(self.head + 1, self.scratch):
                return True
            self.head += 1
        return False

    def append(self, record, anchor):
        """Store the `stride` bytes of `record` as reading head + 1 and return its seq.

        anchor: (run, run_epoch_s, run_uncertainty_s, synced_s) of the run that the record belongs to; zeros where
        not known. Raises CardError when the sector does not read back as it was written; nothing is stored then.
        """
        seq = self.head + 1
        buffer = self.buffer
        stride = self.stride
        held = min(self.head, self.window)
        if held == self.window:
            # a copy on the right: an overlapping move is not safe on every interpreter
            end = BODY_AT + stride * held
            buffer[BODY_AT : end - stride] = bytes(memoryview(buffer)[BODY_AT + stride : end])
            held -= 1
        at = BODY_AT + stride * held
        buffer[at : at + stride] = record
        count = held + 1
        write_header(buffer, count, stride, self.ring_id, seq, self.acked_to, anchor)
        seal(buffer)
        self.write_checked(seq)
        self.head = seq
        self._scratch_seq = 0
        return seq

    def write_checked(self, seq):
        """Write `buffer` to the sector of `seq` and read it back; CardError when it does not come back."""
        sector = self.sector_of(seq)
        for _ in range(WRITE_ATTEMPTS):
            self.file.write(sector, self.buffer)
            self.file.read(sector, self.scratch)
            if self.scratch == self.buffer:
                return
        raise CardError("a sector did not read back")

    def read(self, seq):
        """The record of `seq` as a memoryview valid until the next call, or None when no whole sector has it.

        Later sectors repeat it: the furthest one is tried first, because it serves the next ones as well.
        """
        if not self._scratch_seq - self._scratch_count < seq <= self._scratch_seq:
            last = min(seq + self.window - 1, self.head)
            for candidate in range(last, seq - 1, -1):
                if self.load(candidate, self.scratch):
                    self._scratch_seq = candidate
                    self._scratch_count = self.scratch[5]
                    break
            else:
                self._scratch_seq = self._scratch_count = 0
                return None
            if seq <= self._scratch_seq - self._scratch_count:
                return None
        index = self._scratch_count - 1 - (self._scratch_seq - seq)
        at = BODY_AT + self.stride * index
        return memoryview(self.scratch)[at : at + self.stride]

    def anchor_in(self, seq, buffer):
        """(run, run_epoch_s, run_uncertainty_s, synced_s) that the sector of `seq` states; None when it is bad."""
        self._scratch_seq = 0
        if not self.load(seq, buffer):
            return None
        return unpack_from("<HIHI", buffer, 20)


def write_header(buffer, count, stride, ring_id, seq, acked_to, anchor):
    """Write bytes 0 to 31 of a sector and zero what lies between its last record and the CRC."""
    pack_into(_HEADER, buffer, 0, MAGIC, VERSION, count, stride, ring_id, seq, acked_to, *anchor)
    end = BODY_AT + stride * count
    buffer[end:CRC_AT] = bytes(CRC_AT - end)
