"""Law: eras, offset and delay come out as RFC 5905 publishes them, its misprints named.

Sources: RFC 5905 figure 4 (dates), section 6 (eras), section 8 (offset and delay). Example values without a
published source are marked as computed.
"""

from fractions import Fraction

import pytest
from torpor import sntp

ERA_S = 2**32
MJD_1900 = 15020  # 1 January 1900, the NTP prime epoch
MJD_1970 = 40587

# RFC 5905 figure 4: (date, MJD, era, era offset in seconds), as printed but for the two corrections below
FIGURE_4 = [
    ("1 Jan -4712", -2400001, -49, 1795583104),
    ("1 Jan -1", -679306, -14, 139775744),
    ("1 Jan 0", -678941, -14, 171311744),
    ("1 Jan 1", -678575, -14, 202934144),
    ("4 Oct 1582", -100851, -3, 2873647488),
    ("15 Oct 1582", -100840, -3, 2874597888),
    ("31 Dec 1899", 15019, -1, 4294880896),
    ("1 Jan 1900", 15020, 0, 0),
    ("1 Jan 1970", 40587, 0, 2208988800),
    ("1 Jan 1972", 41317, 0, 2272060800),
    ("31 Dec 1999", 51543, 0, 3155587200),
    ("8 Feb 2036", 64731, 1, 63104),
]


@pytest.mark.parametrize(("date", "mjd", "era", "offset_s"), FIGURE_4)
def test_figure_4(date, mjd, era, offset_s):
    assert divmod((mjd - MJD_1900) * 86400, ERA_S) == (era, offset_s)
    epoch_s = (mjd - MJD_1970) * 86400
    # however the window of 2**32 seconds lies about the date, the seconds field names that date
    for before_s in (0, 1, 86400, ERA_S // 2, ERA_S - 1):
        assert sntp.epoch(offset_s, epoch_s - before_s) == epoch_s


@pytest.mark.parametrize(
    ("mjd", "offset_s"),
    [
        (-678491, 171311744),  # printed for 1 Jan 0; the day number must be -678941 (two digits exchanged)
        (-678575, 202939144),  # printed for 1 Jan 1; the offset must be 202934144 (found by this arithmetic)
    ],
)
def test_misprints_of_figure_4_do_not_hold(mjd, offset_s):
    assert (mjd - MJD_1900) * 86400 % ERA_S != offset_s


def test_era_1_begins_2036_02_07_06_28_16():
    # RFC 5905 section 6; 2085978496 is that moment as Unix time (computed)
    last_s = 2085978495
    assert sntp.epoch(ERA_S - 1, 1793491200) == last_s
    assert sntp.epoch(0, 1793491200) == last_s + 1
    assert sntp.epoch(0, last_s + 1) == last_s + 1


@pytest.mark.parametrize(
    ("ntp_s", "fraction", "expected"),
    [(ERA_S - 1, ERA_S - 1, (2085978495, 999)), (0, 1 << 31, (2085978496, 500)), (63104, 1, (2086041600, 0))],
)
def test_a_reply_on_either_side_of_the_era(ntp_s, fraction, expected):
    originate = b"8 bytes."
    stamp = ntp_s.to_bytes(4, "big") + fraction.to_bytes(4, "big")
    packet = b"\x24\x01" + bytes(22) + originate + stamp + stamp
    assert sntp.check(packet, originate, 1793491200, 1793491200 + 20 * 366 * 86400) == expected


def ms(seconds_text):
    """Decimal seconds as (s, ms), exactly."""
    total = Fraction(seconds_text) * 1000
    assert total.denominator == 1
    return int(total) // 1000, int(total) % 1000


@pytest.mark.parametrize(
    ("t1", "t2", "t3", "t4", "offset_ms", "delay_ms"),
    [
        # computed from the formula of RFC 5905 section 8; ntplib 0.4.0 agrees on the first
        ("1000.000", "1000.130", "1000.131", "1000.061", 100, 60),
        ("0", "10", "10.001", "0.041", 9980, 40),
        ("100", "100.020", "100.021", "100.041", 0, 40),
        ("100", "99.5", "99.6", "100.3", -600, 200),
    ],
)
def test_offset_and_delay(t1, t2, t3, t4, offset_ms, delay_ms):
    stamps = [ms(t) for t in (t1, t2, t3, t4)]
    assert sntp.offset_ms(*stamps) == offset_ms
    assert sntp.delay_ms(*stamps) == delay_ms


def test_apparent_delay_of_a_drifting_client():
    # RFC 5905 section 8: 100 ppm between the clocks, T4-T1 = 64 s: an apparent delay of -6.4 ms. In whole
    # milliseconds T3-T2 is 64.006 or 64.007 s.
    for server_s, delay_ms in (("64.006", -6), ("64.007", -7)):
        assert sntp.delay_ms((0, 0), (0, 0), ms(server_s), (64, 0)) == delay_ms


def test_offset_and_delay_across_the_era():
    # computed: FFFFFFFF.80000000, 0.0, 00000000.10000000, 00000000.80000000 -> 0.03125 s, 0.9375 s
    earliest_s = 2085978496 - 1000
    raw = [(ERA_S - 1, 0x80000000), (0, 0), (0, 0x10000000), (0, 0x80000000)]
    stamps = [(sntp.epoch(s, earliest_s), fraction * 1000 >> 32) for s, fraction in raw]
    assert stamps[0] == (2085978495, 500)
    assert sntp.offset_ms(*stamps) == 31  # 31.25, T3 = 62.5 ms rounded down
    assert sntp.delay_ms(*stamps) == 938  # 937.5, the same
