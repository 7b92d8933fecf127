"""The sound level against what others have published; the source stands beside each check."""

import cmath
import math
from array import array

import pytest
from torpor.sensors.sound import WEIGHTING, Level

# IEC 61672-1:2013 table 3, weighting A, as the package acoustics 0.2.6 has it (data/iec_61672_1_2013.csv);
# mid-band frequencies 1000 x 10^(n/10) Hz from n = -20 on, dB
TABLE_A = (
    -70.4, -63.4, -56.7, -50.5, -44.7, -39.4, -34.6, -30.2, -26.2, -22.5, -19.1, -16.1, -13.4, -10.9, -8.6, -6.6,
    -4.8, -3.2, -1.9, -0.8, 0, 0.6, 1.0, 1.2, 1.3, 1.2, 1.0, 0.5, -0.1, -1.1, -2.5, -4.3, -6.6, -9.3,
)  # fmt: skip
BANDS = [(1000 * 10 ** ((index - 20) / 10), level) for index, level in enumerate(TABLE_A)]
# IEC 61672-1:2013 table 3, class 2 acceptance limits around the curve, dB (from memory): the tightest is 1.0 at 1 kHz
CLASS_2_TIGHTEST = 1.0
# the table is rounded to 0.1 dB
ROUNDED = 0.05
SENSITIVITY = -260


def tone(hz, rms, rate_hz, seconds=1.25, offset=0):
    """A sine of that rms value in counts."""
    turn = 2 * math.pi * hz / rate_hz
    peak = rms * math.sqrt(2)
    return [round(offset + peak * math.sin(turn * n)) for n in range(int(rate_hz * seconds))]


def level_db(samples, rate_hz, weighting="Z", sensitivity=SENSITIVITY):
    """As `measure` does it: an eighth of a second goes by first."""
    level = Level(weighting, rate_hz, sensitivity)
    settle = rate_hz // 8
    level.feed(array("h", samples[:settle]).tobytes(), settle)
    level.restart()
    level.feed(array("h", samples[settle:]).tobytes(), len(samples) - settle)
    return level.level_tenths() / 10


# counts of a level at a microphone of -26 dBFS: 120 dB is a sine at full scale, 32768 / sqrt(2)
def counts(db):
    return 32768 / math.sqrt(2) * 10 ** ((db - 120) / 20)


def test_94_db_at_minus_26_dbfs_are_1161_counts():
    # Analog Devices, application note AN-1112: sensitivity is given at 94 dB, re a sine at full scale, so that -26
    # dBFS makes full scale 120 dB; 10^(-26/20) x 32768 = 1642.3 counts peak, 1161 rms
    assert counts(94) == pytest.approx(1161.2, abs=0.2)
    assert level_db(tone(1000, 1642.3 / math.sqrt(2), 16000), 16000) == pytest.approx(94.0, abs=0.05)
    assert level_db(tone(1000, 32767 / math.sqrt(2), 16000), 16000) == pytest.approx(120.0, abs=0.05)


def test_one_pascal_is_93_98_db():
    # re 20 uPa: 20 log10(1 / 20e-6) = 93.979; data sheets round it to 94, and so does the firmware
    assert 20 * math.log10(1 / 20e-6) == pytest.approx(94, abs=0.03)


@pytest.mark.parametrize(
    ("parts", "expected"),
    [
        # (level in dB, share of the time)
        # EngineeringToolbox, "Equivalent sound level": 0.02 and 0.1 Pa for half of the time each: 60, 74, Leq 71.1 dB
        ([(60.0, 0.5), (73.979, 0.5)], 71.1),
        # a civil engineering exam of GATE: 60 dB for 30 min, 90 dB for 15 min, 75 dB for 30 min: 83.28 dB
        ([(60.0, 0.4), (90.0, 0.2), (75.0, 0.4)], 83.28),
        # Handbook for Acoustic Ecology (SFU), "equivalent level": 20, 50 and 80 dB for equal times: 75 dB
        ([(20.0, 1 / 3), (50.0, 1 / 3), (80.0, 1 / 3)], 75.2),
        # by the definition: 10 log10((10^8 + 10^9) / 2)
        ([(80.0, 0.5), (90.0, 0.5)], 87.40),
    ],
)
def test_leq_of_worked_examples(parts, expected):
    rate_hz = 16000
    samples = tone(1000, counts(parts[0][0]), rate_hz, 0.125)
    for db, share in parts:
        samples += tone(1000, counts(db), rate_hz, share)
    assert level_db(samples, rate_hz) == pytest.approx(expected, abs=0.1)


def response_db(hz, rate_hz):
    """What the filters of the firmware do to a tone, from their coefficients, exactly."""
    a1, a2, a3, a4, zero, pole, bits, gain = WEIGHTING[rate_hz]
    delay = cmath.exp(-2j * math.pi * hz / rate_hz)
    found = (1 + zero / 4096 * delay) / (1 + pole / 4096 * delay)
    for a in (a1, a2, a3, a4):
        found *= (1 - delay) / (1 - (1 - a / 4096) * delay)
    return 20 * math.log10(abs(found) * 4 / 2**bits) - gain / 1000


@pytest.mark.parametrize(("rate_hz", "top_hz", "error_db"), [(16000, 6400, 0.15), (48000, 20000, 0.1)])
def test_a_weighting_of_the_standard(rate_hz, top_hz, error_db):
    looked_at = 0
    for hz, expected in BANDS:
        if 19 < hz < top_hz:
            got = response_db(hz, rate_hz)
            assert abs(got - expected) <= error_db + ROUNDED, (hz, got, expected)
            looked_at += 1
    assert looked_at >= 26
    assert error_db + ROUNDED < CLASS_2_TIGHTEST


@pytest.mark.parametrize("rate_hz", sorted(WEIGHTING))
@pytest.mark.parametrize("hz", [31.62, 100.0, 251.2, 1000.0, 3981.0, 6310.0])
def test_tones_through_the_arithmetic_of_the_firmware(rate_hz, hz):
    # loud enough that rounding is not heard after 40 dB of weighting, and with the offset of a microphone
    expected = {round(band): level for band, level in BANDS}[round(hz)]
    got = level_db(tone(hz, counts(110), rate_hz, offset=400), rate_hz, "A")
    # 0.05 for the table's rounding and as much for our own tenths
    assert got - 110 == pytest.approx(expected, abs=0.15 + ROUNDED + 0.05)


def test_the_table_is_that_of_the_formula():
    # IEC 61672-1 annex E, with its exact pole frequencies; the table is for the exact mid-bands
    for hz, expected in BANDS:
        numerator = 12194.217**2 * hz**4
        denominator = (hz**2 + 20.598997**2) * (hz**2 + 12194.217**2)
        denominator *= math.sqrt((hz**2 + 107.65265**2) * (hz**2 + 737.86223**2))
        assert 20 * math.log10(numerator / denominator) + 2.0 == pytest.approx(expected, abs=0.0505)
