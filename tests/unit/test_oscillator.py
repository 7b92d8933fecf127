"""Oscillator: the rate depends on its arguments alone and keeps the sign that the module states."""

import statistics

import pytest

from hostsim.oscillator import NOISE_BLOCK_S, Oscillator

YEAR_S = 365 * 86400


def test_offset_ageing_and_temperature_add_up():
    oscillator = Oscillator(offset_ppm=7, ageing_ppm_per_year=-3)
    assert oscillator.rate_ppm(25, 0) == 7
    assert oscillator.rate_ppm(25, 2 * YEAR_S) == pytest.approx(1)
    assert oscillator.rate_ppm(35, 2 * YEAR_S) == pytest.approx(1 - 3.4)


def test_a_crystal_is_fastest_at_its_turnover():
    rates = {t: Oscillator().rate_ppm(t, 0) for t in range(-40, 86)}
    assert max(rates, key=rates.get) == 25
    assert rates[15] == rates[35]


def test_kinds_differ_as_their_clocks_do():
    """A frosty night of 12 h costs a crystal seconds, a compensated one nothing, an RC oscillator minutes."""
    night_s = 12 * 3600
    gained_s = {
        kind: abs(Oscillator(kind=kind).rate_ppm(-10, 0)) * 1e-6 * night_s
        for kind in ("crystal", "compensated", "rc")
    }
    assert gained_s["compensated"] < 0.1 < 1 < gained_s["crystal"] < 3
    assert 120 < gained_s["rc"] < 1200


def test_noise_replays_in_any_order_and_differs_by_seed():
    ages = [0, 599, 600, 1e6, 12345.6, 3e8]
    first = Oscillator(kind="rc", rc_noise_ppm=500, seed=1)
    forward = [first.rate_ppm(20, age) for age in ages]
    backward = [Oscillator(kind="rc", rc_noise_ppm=500, seed=1).rate_ppm(20, age) for age in reversed(ages)]
    assert forward == backward[::-1]
    assert forward[0] == forward[1] != forward[2]
    other = Oscillator(kind="rc", rc_noise_ppm=500, seed=2)
    assert [other.rate_ppm(20, age) for age in ages] != forward


@pytest.mark.parametrize("seed", [0, 1, 2**31])
def test_noise_has_the_stated_size(seed):
    oscillator = Oscillator(kind="rc", rc_noise_ppm=500, seed=seed)
    rates = [oscillator.rate_ppm(25, block * NOISE_BLOCK_S) for block in range(20000)]
    assert abs(statistics.fmean(rates)) < 15
    assert statistics.pstdev(rates) == pytest.approx(500, rel=0.02)
    assert max(map(abs, rates)) <= 3.5 * 500
    pairs = [a * b for a, b in zip(rates, rates[1:], strict=False)]
    assert abs(statistics.fmean(pairs)) < 0.03 * 500**2  # neighbours are unrelated


@pytest.mark.parametrize(
    "arguments",
    [{"kind": "quartz"}, {"kind": "crystal", "rc_noise_ppm": 1}, {"kind": "rc", "rc_noise_ppm": -1}],
)
def test_impossible_oscillators_are_refused(arguments):
    with pytest.raises(ValueError):
        Oscillator(**arguments)
