"""For how long a node may rest: as often as it failed in a row."""

import pytest

from hostsim.rests import BACK_OFF_S, BACK_OFF_SLACK, Rests

REST_MS = int(BACK_OFF_S * BACK_OFF_SLACK * 1000)


@pytest.mark.parametrize(
    ("ends", "rests"),
    [
        (["sleep"], [0]),
        (["reset"] * 3 + ["sleep"], [0, 0, 0, 0]),
        (["reset"] * 4 + ["sleep", "sleep"], [0, 0, 0, 0, 4, 0]),
        (["brown-out", "sleep", "sleep"], [0, 1, 0]),
        # what rested has not come through a wake yet
        (["brown-out", "sleep", "reset", "brown-out", "sleep", "reset", "sleep"], [0, 1, 0, 0, 3, 0, 4]),
        (["brown-out", "sleep", "sleep", "reset", "brown-out", "sleep"], [0, 1, 0, 0, 0, 2]),
        (["reset", "sleep", "sleep"] * 5, [0] * 15),
        (["power cut", "sleep"], [0, 0]),
    ],
)
def test_a_node_rests_as_long_as_it_failed_in_a_row(ends, rests):
    counted = Rests()
    assert [counted.after_ms(end) for end in ends] == [REST_MS * times for times in rests]
