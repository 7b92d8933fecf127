"""A clock chip that nothing reaches, on the two real runtimes. Law: a clock that may be anywhere states no time.

The microcontroller's own clock drifts through sleep as its sleep timer does: up to 0.8 % on the yard's boards.
"""

import sys
from dataclasses import replace
from pathlib import Path

import pytest
from test_faults_real_settings import FROM_S, RTCS, WAKES, health, with_faults

from hostsim.judge import Judge

sys.path.append(str(Path(__file__).parents[1] / "unit"))
from test_world import MAST, plan  # noqa: E402 - the folders of tests are no packages

on_both = pytest.mark.parametrize("runtime", sorted(WAKES))
HELD_S = 4 * 3600
SLOTS_HELD = 24
# a crystal in the cold is slower still
DRIFTS = [("drift_ppm_max = 5", "drift_ppm_max = 160")]


@on_both
@pytest.mark.parametrize("rtc", ["ds3231", "alarm"])
def test_times_are_true_while_the_chip_is_out_of_reach_and_after_it(runtime, rtc):
    world, count = with_faults(runtime, ("bus-held", FROM_S, FROM_S + HELD_S, {}), days=0.4, node=plan(RTCS[rtc]))
    assert count["unstored"] == 0
    assert count["stored"] >= 57
    tally = world.tallies[MAST.name]
    assert tally.off_s(0.99) <= tally.stated_s(0.99) <= 4
    # a run of its own in each wake, and one when the chip is back
    assert health(world)["run"] >= 1 + SLOTS_HELD
    assert kept(runtime, world) == 0


def kept(runtime, world):
    """What the board keeps of having set the time without its clock chip."""
    chip = world.nodes[0].ports[0]
    return chip.nvm[-2] if runtime == "circuitpython" else int(chip.nvs["torpor/passed_by"])


@on_both
def test_the_judge_hears_of_each_time_that_is_lost_or_set(runtime, monkeypatch):
    """From the world: what the node has from network time in a wake without its clock chip it has to state well."""
    heard = []

    def listened(name):
        was = getattr(Judge, name)

        def hear(self, t_ms, *more, **named):
            heard.append((name, t_ms))
            was(self, t_ms, *more, **named)

        monkeypatch.setattr(Judge, name, hear)

    listened("clock_out_of_sight")
    listened("clock_lost")
    listened("clock_set")
    with_faults(runtime, ("bus-held", FROM_S, FROM_S + 3600, {}), days=0.2)
    held = [name for name, t_ms in heard if FROM_S * 1000 < t_ms < (FROM_S + 3600) * 1000]
    assert held == ["clock_out_of_sight", "clock_set"] * 6
    after = [name for name, t_ms in heard if t_ms > (FROM_S + 3600) * 1000]
    # the first wake after it counts from anywhere, too, until the time is set
    assert after[0] == "clock_out_of_sight"
    assert after[-1] == "clock_set"
    assert (after.count("clock_out_of_sight"), after.count("clock_lost")) == (1, 1)


@on_both
def test_without_network_time_they_stay_unknown(runtime):
    silent = [(FROM_S - 600, FROM_S + HELD_S + 1800, "silent")]
    world, count = with_faults(runtime, ("bus-held", FROM_S, FROM_S + HELD_S, {}), days=0.5, time_windows=silent)
    assert count["unstored"] == 0
    # the newest of them were in one run when the time came back
    assert count["delivered"] >= 70
    assert health(world)["run"] >= 1 + SLOTS_HELD


@on_both
@pytest.mark.parametrize("rtc", ["ds3231", "pcf8523"])
def test_a_chip_that_is_back_is_not_as_sure_as_what_was_set_meanwhile(runtime, rtc):
    """It is 10 s slow after 30 hours without network time, as it may be; that comes in the meantime."""
    crystal = {"kind": "crystal", "offset_ppm": -90.0}
    slow = plan(RTCS[rtc] + DRIFTS)
    slow = replace(slow, board=replace(slow.board, clock=crystal))
    back_s = 1.3 * 86400 + 30
    silent = [(3600, back_s, "silent")]
    world, count = with_faults(
        runtime, ("bus-held", back_s, back_s + 3600, {}), days=1.5, node=slow, time_windows=silent
    )
    assert count["unstored"] == 0
    assert world.tallies[MAST.name].off_s(1.0) > 8
