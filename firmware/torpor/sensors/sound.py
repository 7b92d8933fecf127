"""The equivalent level of one second of sound. Law: the inner loops work on small integers, and of the sound itself
nothing is kept.

Level re 20 uPa = 94 dB + 10 log10(mean square / mean square of a sine at full scale) - sensitivity: the data sheet of
a digital microphone gives its sensitivity at 94 dB (1 Pa), re a sine at full scale. The mean is taken off, because
these microphones have an offset.

A weighting (IEC 61672-1, annex E): all its poles are real, so it is a chain of first-order sections; docs/sensors.md
has the error that is left. Products stay below 2**30, where MicroPython's small integers end on a board of 32 bits.
Samples near full scale may pass it: the result is as right then, and comes more slowly.
"""

import errno
import struct

SAMPLES = 256
REFERENCE_TENTHS = 940
FULL_SCALE_SQUARE_LOG2 = 29  # mean square of a sine of amplitude 32768
# the slowest filter has a time constant of 7.7 ms, and microphones start with a jump
SETTLE_PART = 8
# a board that needs longer for its second of sound is too slow for the rate
MEASURE_MS_MAX = 10000
# times in a row that a port may have nothing
EMPTY_MAX = 500

# By rate. Four high passes (20.6 Hz twice, 107.7 and 737.9 Hz): 1 - exp(-2 pi f / rate). Zero and pole of the one
# section that stands for the two low passes at 12194 Hz: fitted to the analog curve. All x 4096. Bits that are taken
# off again in the end. Gain of the chain at 1 kHz in 1/1000 dB.
WEIGHTING = {
    16000: (33, 33, 170, 1030, 340, -172, 2, 529),
    48000: (11, 11, 57, 377, 1560, -1264, 3, -1515),
}


class Level:
    """Sums over samples: feed() as often as there are some, level_tenths() in the end.

    weighting: "Z", or "A" at the rates of WEIGHTING (else KeyError); sensitivity_tenth_dbfs: of the microphone.
    """

    def __init__(self, weighting, rate_hz, sensitivity_tenth_dbfs):
        self._filter = WEIGHTING[rate_hz] if weighting == "A" else None
        self._offset = REFERENCE_TENTHS - sensitivity_tenth_dbfs
        self._kept = [0, 0, 0, 0, 0, 0]
        self.restart()

    def restart(self):
        """Begin the second: what is in the filters stays."""
        self._count = 0
        self._sum = 0
        self._high = 0
        self._low = 0

    def feed(self, buffer, count):
        """Take `count` samples from a buffer of signed 16-bit integers, little endian."""
        for at in range(0, count, SAMPLES):
            size = min(SAMPLES, count - at)
            samples = struct.unpack_from(f"<{size}h", buffer, 2 * at)
            if self._filter:
                self._feed_weighted(samples)
            else:
                self._feed_flat(samples)
            self._count += size

    def _feed_flat(self, samples):
        total = high = low = 0
        for x in samples:
            total += x
            x *= x
            # in two parts: the sum of a block of squares does not fit a small integer
            high += x >> 15
            low += x & 32767
        self._add(total, high, low)

    def _feed_weighted(self, samples):
        a1, a2, a3, a4, zero, pole, bits, _ = self._filter
        half = 1 << (bits - 1)
        s1, s2, s3, s4, x1, y1 = self._kept
        total = high = low = 0
        for x in samples:
            # two more bits, or the rounding of the sections would be heard in a quiet place
            x <<= 2
            x -= s1 >> 12
            s1 += x * a1
            x -= s2 >> 12
            s2 += x * a2
            x -= s3 >> 12
            s3 += x * a3
            x -= s4 >> 12
            s4 += x * a4
            y1 = x + (zero * x1 - pole * y1 >> 12)
            x1 = x
            x = y1 + half >> bits
            total += x
            x *= x
            high += x >> 15
            low += x & 32767
        self._kept = [s1, s2, s3, s4, x1, y1]
        self._add(total, high, low)

    def _add(self, total, high, low):
        self._sum += total
        self._high += high
        self._low += low

    def level_tenths(self):
        """The level in 0.1 dB re 20 uPa. ValueError where all samples were the same: that is no microphone."""
        count = self._count
        # count**2 times the variance
        squares = ((self._high << 15) + self._low) * count - self._sum * self._sum
        if squares <= 0:
            raise ValueError("no sound at all")
        log2 = log2_4096(squares) - log2_4096(count * count) - (FULL_SCALE_SQUARE_LOG2 << 12)
        # 10 log10(2) = 3.0103
        thousandths = log2 * 30103 // 40960 - (self._filter[7] if self._filter else 0)
        return self._offset + (thousandths + 50) // 100


def log2_4096(number):
    """log2 of a positive integer x 4096, good to 0.0005: bit by bit, by squaring a number of 15 bits."""
    whole = 14
    while number >= 32768:
        number >>= 1
        whole += 1
    while number < 16384:
        number <<= 1
        whole -= 1
    for _ in range(12):
        whole <<= 1
        number = number * number + 8192 >> 14
        if number >= 32768:
            number >>= 1
            whole += 1
    return whole


def measure(ports, sound):
    """One second of a microphone of the settings, as 0.1 dB. Raises what ports.sound does, OSError when it stalls."""
    level = Level(sound["weighting"], sound["rate_hz"], sound["sensitivity_tenth_dbfs"])
    source = ports.sound.open(sound)
    try:
        begun_ms = ports.clock.ticks_ms()
        _take(ports.clock, begun_ms, source, level, sound["rate_hz"] // SETTLE_PART)
        level.restart()
        _take(ports.clock, begun_ms, source, level, sound["rate_hz"])
    finally:
        source.close()
    return level.level_tenths()


def _take(clock, begun_ms, source, level, wanted):
    buffer = bytearray(2 * SAMPLES)
    empty = 0
    while wanted > 0:
        count = min(source.readinto(buffer), wanted)
        empty = 0 if count > 0 else empty + 1
        if empty > EMPTY_MAX or clock.elapsed_ms(begun_ms) > MEASURE_MS_MAX:
            raise OSError(errno.ETIMEDOUT, "the microphone stalls")
        level.feed(buffer, count)
        wanted -= count
