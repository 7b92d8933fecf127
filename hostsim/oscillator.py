"""Law: the rate is a pure function of temperature and age, so a run can be replayed in any steps.

A positive rate is a clock that runs fast: in `dt_s` true seconds it gains `dt_s * rate_ppm / 1e6` seconds.
1 ppm is 0.0864 s a day, 31.5 s a year.
"""

SECONDS_PER_YEAR = 365 * 86400
TURNOVER_DEGC = 25.0  # 25 +- 5 on data sheets
NOISE_BLOCK_S = 600  # an RC oscillator wanders in minutes; the noise is constant within a block
_MASK = (1 << 64) - 1

# ppm per degC squared: data sheets give -0.034 .. -0.04 for a 32.768 kHz tuning fork
CRYSTAL_PPM_PER_C2 = -0.034
# What temperature compensation leaves. Chosen to stay within the +-2 ppm (0..40 degC) and +-3.5 ppm (-40..85
# degC) that data sheets of compensated RTC chips promise (bounds from memory); the shape is our assumption.
COMPENSATED_PPM_PER_C2 = -0.0005
# Slope of an on-chip RC oscillator: our assumption (from memory); 50 degC move it by 1 %
RC_PPM_PER_C = 200.0

_SHAPES = {  # kind: (ppm per degC, ppm per degC squared)
    "crystal": (0.0, CRYSTAL_PPM_PER_C2),
    "compensated": (0.0, COMPENSATED_PPM_PER_C2),
    "rc": (RC_PPM_PER_C, 0.0),
}


class Oscillator:
    """A clock source: rate at the turnover temperature, ageing, and what temperature does to it.

    offset_ppm: rate at 25 degC when new; ageing_ppm_per_year: linear; kind: "crystal", "compensated" or "rc";
    rc_noise_ppm: standard deviation of the wander, "rc" only; seed: picks the wander.
    ValueError for an unknown kind, or noise on a kind that has none.
    """

    def __init__(self, offset_ppm=0.0, ageing_ppm_per_year=0.0, kind="crystal", rc_noise_ppm=0.0, seed=0):
        if kind not in _SHAPES:
            raise ValueError(f"unknown oscillator kind {kind!r}: one of {', '.join(sorted(_SHAPES))}")
        if rc_noise_ppm < 0 or (rc_noise_ppm and kind != "rc"):
            raise ValueError(f"rc_noise_ppm={rc_noise_ppm} does not fit kind {kind!r}")
        self.kind = kind
        self._offset_ppm = offset_ppm
        self._ppm_per_s = ageing_ppm_per_year / SECONDS_PER_YEAR
        self._ppm_per_c, self._ppm_per_c2 = _SHAPES[kind]
        self._noise_ppm = rc_noise_ppm
        self._seed = seed

    def rate_ppm(self, t_degc, age_s):
        """Rate, ppm, at a crystal (or die) temperature and an age in true seconds."""
        away_c = t_degc - TURNOVER_DEGC
        rate = self._offset_ppm + self._ppm_per_s * age_s + away_c * (self._ppm_per_c + self._ppm_per_c2 * away_c)
        if self._noise_ppm:
            rate += self._noise_ppm * _unit_noise(self._seed, int(age_s // NOISE_BLOCK_S))
        return rate


def _unit_noise(seed, block):
    """Near-normal number (mean 0, deviation 1, at most 3.5 either way) that depends on its arguments alone.

    Four 16-bit uniforms from one 64-bit mix (the finaliser of SplitMix64); their sum has variance 4/12.
    """
    x = (seed * 0x9E3779B97F4A7C15 + block * 0xD1B54A32D192ED03 + 0x632BE59BD9B4E019) & _MASK
    x = ((x ^ (x >> 30)) * 0xBF58476D1CE4E5B9) & _MASK
    x = ((x ^ (x >> 27)) * 0x94D049BB133111EB) & _MASK
    x ^= x >> 31
    total = (x & 0xFFFF) + ((x >> 16) & 0xFFFF) + ((x >> 32) & 0xFFFF) + (x >> 48)
    return (total / 65536.0 - 2.0 + 2.0 / 65536.0) * 1.7320508
