"""Microphones on MicroPython. Law: I2S only; the interpreter has no input for PDM.

Imported only where the settings have a [[sound]]. Such microphones send 24 bits in a word of 32; the upper 16 are
kept.
"""

from machine import I2S

from .mp_pins import pin

SAMPLES = 256
WORD = 4
# a tenth of a second at 16 kHz: what the filters leave behind must not be lost meanwhile
BUFFER_BYTES = 8192


class Microphone:
    """entry: a table [[sound]]. NotImplementedError for a PDM one; ValueError, OSError: pins or rate do not fit."""

    def __init__(self, entry):
        if not entry["word_select"]:
            raise NotImplementedError("no input for PDM on this interpreter")
        self._source = I2S(
            0,
            sck=pin(entry["clock"]),
            ws=pin(entry["word_select"]),
            sd=pin(entry["data"]),
            mode=I2S.RX,
            bits=32,
            format=I2S.MONO,
            rate=entry["rate_hz"],
            ibuf=BUFFER_BYTES,
        )
        self._words = bytearray(WORD * SAMPLES)

    def readinto(self, buffer):
        """Samples put into a buffer of bytes, signed and little endian. Raises OSError."""
        wanted = min(SAMPLES, len(buffer) // 2)
        words = memoryview(self._words)[: WORD * wanted]
        count = self._source.readinto(words) // WORD
        for at in range(count):
            buffer[2 * at] = words[WORD * at + 2]
            buffer[2 * at + 1] = words[WORD * at + 3]
        return count

    def close(self):
        self._source.deinit()
