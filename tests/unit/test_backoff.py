"""Law: a waiting time lies in [0, cap], grows with the failures, and is spread over all of its range."""

from hypothesis import given
from hypothesis import strategies as st
from torpor import backoff

FAILURES = st.integers(0, 255)
BASE_S = st.integers(60, 3600)
CAP_S = st.integers(3600, 86400)
U32 = st.integers(0, 2**32 - 1)


@given(FAILURES, BASE_S, CAP_S, U32)
def test_bounds(failures, base_s, cap_s, u32):
    ceiling_s = backoff.ceiling_s(failures, base_s, cap_s)
    assert min(base_s, cap_s) <= ceiling_s <= cap_s
    assert 0 <= backoff.wait_s(failures, base_s, cap_s, u32) <= ceiling_s
    assert ceiling_s <= backoff.ceiling_s(failures + 1, base_s, cap_s)


@given(BASE_S, CAP_S)
def test_many_failures_reach_the_cap(base_s, cap_s):
    assert backoff.ceiling_s(12, base_s, cap_s) == cap_s


def test_a_base_above_the_cap_is_cut():
    assert backoff.ceiling_s(1, 7200, 3600) == 3600


def test_boards_do_not_come_back_together():
    draws = [backoff.wait_s(5, 600, 21600, board * 2654435761 % 2**32) for board in range(100)]
    assert len(set(draws)) > 95
    assert max(draws) > 2 * min(draws) + 1000
