"""Capped exponential backoff with full jitter against its published formula and figures.

Source of the formula: "Exponential Backoff And Jitter", AWS Architecture Blog, as the docstrings of the packages
tenacity (wait_random_exponential) and backoff (full_jitter) cite it: sleep = U(0, min(cap, base x 2^attempt)), the
first attempt being 0. The figures below follow from it by arithmetic.
"""

import pytest
from torpor import backoff

BASE_S, CAP_S = 1, 60
CEILINGS_S = [1, 2, 4, 8, 16, 32, 60, 60]


def full_jitter_ceiling_s(attempt):
    return min(CAP_S, BASE_S * 2**attempt)


@pytest.mark.parametrize("attempt", range(len(CEILINGS_S)))
def test_the_ceilings(attempt):
    assert full_jitter_ceiling_s(attempt) == CEILINGS_S[attempt]
    assert backoff.ceiling_s(attempt + 1, BASE_S, CAP_S) == CEILINGS_S[attempt]


def test_the_first_six_together():
    """First six: at most 63 s, 31.5 s in the mean (every value of a whole second equally likely)."""
    ceilings = [backoff.ceiling_s(failures, BASE_S, CAP_S) for failures in range(1, 7)]
    assert sum(ceilings) == 63
    means = []
    for failures, ceiling in enumerate(ceilings, 1):
        draws = [backoff.wait_s(failures, BASE_S, CAP_S, u32) for u32 in range(ceiling + 1)]
        assert sorted(draws) == list(range(ceiling + 1))
        means.append(sum(draws) / len(draws))
    assert sum(means) == 31.5
