"""Readings held in retained memory while there is no card. Law: a held reading is never reported as stored.

They lie behind the diary (retained.SIZE), under a volatile ring id that is drawn when the area is made, and go out
under it. When the area is full the oldest one is dropped and counted as unstored. The format is docs/formats.md,
"Held readings".
"""

from binascii import crc32
from struct import pack_into, unpack_from

from .retained import SIZE

_HEADER = "<IIIIHHHH"
HEADER_SIZE = 24


class Held:
    """The held readings: seqs head - count + 1 to head of the volatile ring `ring_id`."""

    def __init__(self, memory, stride, channels_crc, random_u32):
        """Load what is there; when it is garbage or of other channels, begin anew and say how many went in `lost`."""
        self._memory = memory
        self.stride = stride
        self.channels_crc = channels_crc & 0xFFFF
        self.capacity = max(0, (len(memory) - SIZE - HEADER_SIZE) // stride)
        self.lost = 0
        image = bytes(memory[SIZE:])
        if len(image) >= HEADER_SIZE:
            crc, ring_id, head, sent_to, count, found, channels, _ = unpack_from(_HEADER, image, 0)
            end = HEADER_SIZE + count * found
            # eight bytes of ones and then zeros have a right CRC as well, and name no ring
            if found and end <= len(image) and crc32(image[4:end]) == crc:
                self.ring_id, self.head, self.sent_to = ring_id, head, sent_to
                self._records = bytearray(image[HEADER_SIZE:end])
                if found == stride and channels == self.channels_crc and count <= self.capacity:
                    return
                self.lost = count
                self._records = bytearray()
                # else they would be counted again in every wake that looks
                self.save()
                return
        self.ring_id, self.head, self.sent_to = random_u32, 0, 0
        self._records = bytearray()

    def count(self):
        return len(self._records) // self.stride

    def first(self):
        """The oldest seq held; head + 1 when none is."""
        return self.head - self.count() + 1

    def read(self, seq):
        """The record of `seq`, which must be held."""
        at = (seq - self.first()) * self.stride
        return memoryview(self._records)[at : at + self.stride]

    def add(self, record):
        """Hold the `stride` bytes of `record`; return how many readings were dropped for lack of room (0 or 1)."""
        self.head += 1
        if self.capacity == 0:
            self.save()
            return 1
        dropped = 0
        if self.count() == self.capacity:
            self._records = bytearray(memoryview(self._records)[self.stride :])
            dropped = 1
        self._records += record
        self.save()
        return dropped

    def accept(self, seq):
        """Forget everything up to `seq`: it has been accepted."""
        gone = min(self.count(), max(0, seq - self.first() + 1))
        if gone:
            self._records = bytearray(memoryview(self._records)[gone * self.stride :])
            self.save()

    def save(self):
        image = bytearray(HEADER_SIZE)
        image += self._records
        if SIZE + len(image) > len(self._memory):
            return
        pack_into(
            _HEADER,
            image,
            0,
            0,
            self.ring_id,
            self.head,
            self.sent_to,
            self.count(),
            self.stride,
            self.channels_crc,
            0,
        )
        pack_into("<I", image, 0, crc32(memoryview(image)[4:]))
        self._memory[SIZE : SIZE + len(image)] = image
