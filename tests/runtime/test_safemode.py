"""Safe mode: a board that ran flat and was charged again comes back by itself, and says what happened."""

import pytest
from cp_bench import Bench

from hostsim import diary_format
from hostsim.runtimes import circuitpython

HOUR_MS = 3_600_000


@pytest.fixture
def bench():
    """A board whose first two wakes went well."""
    bench = Bench()
    bench.node.ports = (bench.chip,)
    bench.ends = []
    ended = bench.judge.wake_ended

    def noted(t_ms, end, battery_mv):
        bench.ends.append((end, bench.node.now_ms))
        ended(t_ms, end, battery_mv)

    bench.judge.wake_ended = noted
    wakes(bench, 2)
    return bench


def wakes(bench, count):
    """How long the board slept after each of these wakes, in s."""
    slept = []
    for _ in range(count):
        circuitpython.wake(bench.node, bench.world, bench.judge)
        slept.append((bench.node.now_ms - bench.ends[-1][1]) / 1000)
    return slept


def stored(bench):
    ledger = next(iter(bench.judge.ledgers.values()))
    return ledger.newest


def test_facts_2_a_brown_out_ends_in_safe_mode_where_main_does_not_run_and_the_board_leaves_it(bench):
    before = stored(bench)
    circuitpython.brown_out(bench.node)
    (rested_s,) = wakes(bench, 1)
    assert bench.ends[-1][0] == "sleep"
    assert stored(bench) == before, "main.py does not run in safe mode"
    assert rested_s == pytest.approx(60, rel=0.02)
    # the next boot knows the cause, counts it and rests; then the node is back
    wakes(bench, 1)
    assert diary_format.faults(bench.node.retained)["brown-out"] == 1
    assert stored(bench) == before
    wakes(bench, 3)
    assert stored(bench) > before
    # each slot that went by meanwhile is counted by the node, and by the judge, who knows of no brown-outs
    missed = diary_format.counts(bench.node.retained)[0]
    assert missed == bench.judge.slots.missed > 0
    assert {entry.id for entry in bench.world.invariants.all.values() if entry.state == "broken"} <= {8}


def test_it_rests_longer_each_time_in_a_row_up_to_six_hours_and_shorter_after_a_good_wake(bench):
    rests = []
    for _ in range(11):
        circuitpython.brown_out(bench.node)
        rests += wakes(bench, 1)
    expected = [min(21_600, 60 << n) for n in range(11)]
    assert rests == pytest.approx(expected, rel=0.03)
    # the boot that is told of it, and one from deep sleep
    wakes(bench, 3)
    circuitpython.brown_out(bench.node)
    assert wakes(bench, 1) == pytest.approx([60], rel=0.03)


@pytest.mark.parametrize(
    ("reason", "fault"), [("BROWNOUT", "brown-out"), ("HARD_FAULT", "watchdog"), ("WATCHDOG", "watchdog")]
)
def test_the_cause_reaches_the_node_once(bench, reason, fault):
    circuitpython.brown_out(bench.node)
    bench.chip.safe_mode = reason
    wakes(bench, 2)
    assert diary_format.faults(bench.node.retained)[fault] == 1
    wakes(bench, 3)
    assert diary_format.faults(bench.node.retained)[fault] == 1


def test_with_usb_connected_it_stays_in_safe_mode_for_the_person(bench):
    circuitpython.brown_out(bench.node)
    bench.chip.usb_connected = True
    before = bytes(bench.chip.nvm)
    wakes(bench, 1)
    # safemode.py came to its end: the board waits, awake, at its prompt
    assert bench.ends[-1][0] == "a return instead of sleep"
    assert bytes(bench.chip.nvm) == before


def test_a_safe_mode_that_cannot_count_still_ends(bench, monkeypatch):
    keep = bench.load("torpor.boards.cp_memory").Memory.keep
    assert keep
    circuitpython.brown_out(bench.node)
    monkeypatch.setattr(bench.chip, "nvm", bytearray(0))
    slept = wakes(bench, 1)
    assert bench.ends[-1][0] == "sleep"
    assert slept == pytest.approx([60], rel=0.03)


def test_the_clock_and_the_card_outlast_it(bench):
    before = stored(bench)
    circuitpython.brown_out(bench.node)
    wakes(bench, 8)
    counts = bench.world.finish()["yard-mast"]
    assert counts["lost"] == 0
    assert stored(bench) >= before + 4
    assert bench.node.now_ms < 3 * HOUR_MS
