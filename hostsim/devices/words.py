"""A part with 16-bit registers, high byte first. Law: one pointer, set by the first byte of a write."""

from .part import Part


class WordPart(Part):
    """Subclasses keep the registers: _load(register) gives a word, _store(register, word) takes one."""

    def reset(self):
        self._pointer = 0

    def write(self, data):
        if not data:
            return
        self._pointer = data[0]
        if len(data) >= 3:
            self._store(self._pointer, data[1] << 8 | data[2])

    def read(self, count):
        word = self._load(self._pointer)
        return (bytes((word >> 8 & 0xFF, word & 0xFF)) * count)[:count]

    def _load(self, register):
        return 0

    def _store(self, register, word):
        """What cannot be written stays as it is."""
