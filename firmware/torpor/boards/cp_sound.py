"""Microphones on CircuitPython. Law: PDM only; the interpreter has no input for I2S.

Imported only where the settings have a [[sound]]. Builds without audiobusio, and chips without PDM, raise something.
"""

from array import array

from audiobusio import PDMIn

from .cp_pins import pin

SAMPLES = 256


class Sound:
    def open(self, entry):
        """A microphone. NotImplementedError for an I2S one; ValueError, RuntimeError: pins or rate do not fit."""
        if entry["word_select"]:
            raise NotImplementedError("no input for I2S on this interpreter")
        return Microphone(
            PDMIn(
                pin(entry["clock"]),
                pin(entry["data"]),
                sample_rate=entry["rate_hz"],
                bit_depth=16,
                # the settings' warm-up has passed already
                startup_delay=0.0,
            )
        )


class Microphone:
    def __init__(self, source):
        self._source = source
        self._taken = array("H", bytes(2 * SAMPLES))

    def readinto(self, buffer):
        """Samples put into a buffer of bytes, signed and little endian. Raises OSError."""
        wanted = min(SAMPLES, len(buffer) // 2)
        count = min(wanted, self._source.record(self._taken, wanted))
        buffer[: 2 * count] = bytes(self._taken)[: 2 * count]
        # they come unsigned, with silence in the middle
        for high in range(1, 2 * count, 2):
            buffer[high] ^= 0x80
        return count

    def close(self):
        self._source.deinit()
