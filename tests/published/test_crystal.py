"""Tuning-fork crystals: what data sheets print, from the same parabola that the oscillator uses."""

import pytest

from hostsim.oscillator import CRYSTAL_PPM_PER_C2, Oscillator

PPM_TO_S_PER_DAY = 0.0864


def parabola_ppm(k_ppm, t0_degc, t_degc):
    """The data sheets' formula, df/f = k (T - T0)^2, scaled from our own curve to their k and T0."""
    ours = Oscillator().rate_ppm(25 + t_degc - t0_degc, 0)
    return ours * k_ppm / CRYSTAL_PPM_PER_C2


def test_a_crystal_data_sheet():
    # 32.768 kHz crystal data sheet, document 008-0353 rev C: -0.030 (45 - 25)^2 = -12.0 ppm
    assert parabola_ppm(-0.030, 25, 45) == pytest.approx(-12.0)


def test_the_worst_month_of_an_rtc_chip():
    # MAX6902 data sheet p. 14: k -0.04, T0 20 degC, at 45 degC -> -25 ppm (-0.8192 Hz of 32768); with 20 ppm
    # initial error 45 ppm, in a month of 31 days 120.528 s
    warm_ppm = parabola_ppm(-0.04, 20, 45)
    assert warm_ppm == pytest.approx(-25.0)
    assert 32768 * warm_ppm * 1e-6 == pytest.approx(-0.8192)
    slow = Oscillator(offset_ppm=-20 + warm_ppm).rate_ppm(25, 0)
    assert -slow * 1e-6 * 31 * 86400 == pytest.approx(120.528)


def test_about_a_second_a_day():
    # RTC-9701JE manual MQ-362-03 p. 19: df/f 11.574e-6 is about 1 s a day
    assert Oscillator(offset_ppm=11.574).rate_ppm(25, 0) * PPM_TO_S_PER_DAY == pytest.approx(1.0, abs=1e-4)


def test_calibration_steps_of_an_rtc_chip():
    # M41T00AUD data sheet p. 25: a step of +2.034 / -4.068 ppm is 5.35 / 10.7 s a month
    month_s = 365.25 / 12 * 86400
    assert Oscillator(2.034).rate_ppm(25, 0) * 1e-6 * month_s == pytest.approx(5.35, abs=0.005)
    assert Oscillator(-4.068).rate_ppm(25, 0) * 1e-6 * month_s == pytest.approx(-10.7, abs=0.005)


# arithmetic from k = -0.034 (typical; data sheets print -0.034 .. -0.04)
@pytest.mark.parametrize(
    ("t_degc", "ppm", "s_per_day"),
    [
        (0, -21.25, -1.836),
        (5, -13.6, -1.175),
        (-10, -41.65, -3.5986),
        (-20, -68.85, -5.9486),
        (40, -7.65, -0.661),
    ],
)
def test_a_day_at_one_temperature(t_degc, ppm, s_per_day):
    rate = Oscillator().rate_ppm(t_degc, 0)
    assert rate == pytest.approx(ppm)
    assert rate * PPM_TO_S_PER_DAY == pytest.approx(s_per_day, abs=5e-4)


def test_one_ppm_is_half_a_minute_a_year():
    # arithmetic: 365 days x 86400 s x 1e-6 = 31.536 s
    assert Oscillator(1.0).rate_ppm(25, 0) * 1e-6 * 365 * 86400 == pytest.approx(31.536)


@pytest.mark.parametrize(("lowest", "highest", "bound_ppm"), [(0, 40, 2.0), (-40, 85, 3.5)])
def test_a_compensated_oscillator_keeps_its_promise(lowest, highest, bound_ppm):
    """From memory, data sheets of compensated chips: +-2 ppm (0 to 40 degC), +-3.5 ppm (-40 to 85 degC)."""
    oscillator = Oscillator(kind="compensated")
    assert max(abs(oscillator.rate_ppm(t, 0)) for t in range(lowest, highest + 1)) <= bound_ppm
