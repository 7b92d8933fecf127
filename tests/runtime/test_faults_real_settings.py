"""Faults of settings, sensors and clock on the two real runtimes. Law: the real port meets what a board would meet.

The firmware's own main.py, its port and unmodified drivers; what the world did is asked of the world.
"""

import json
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from on_card import on_card

from deploy import install_image_disk
from hostsim.fault_names_settings import SETTINGS
from hostsim.faults import Fault
from hostsim.runtimes import RuntimeAbsent, circuitpython, fast, micropython
from hostsim.runtimes.micropython import board_image, flash
from hostsim.scenario_text import ScenarioError

sys.path.append(str(Path(__file__).parents[1] / "unit"))
from test_world import DAY_S, MAST, broken, lived, plan, scenario  # noqa: E402 - the folders of tests are no packages

WAKES = {"circuitpython": circuitpython.wake, "micropython": micropython.wake}
UNUSABLE = sorted(SETTINGS.keys() - {"settings-astray"})
FROM_S, TO_S = 0.1 * DAY_S + 30, 0.2 * DAY_S + 30  # between slots
HELD = 14  # slots in between
DAYS, SLOTS = 0.3, 44

on_both = pytest.mark.parametrize("runtime", sorted(WAKES))


def with_faults(runtime, *faults, days=DAYS, node=MAST, **more):
    """The world after these faults: (name, from_s, to_s, extras) each. Nothing is lost and every promise is held."""
    made = [Fault(name, node.name, from_s, to_s, extras) for name, from_s, to_s, extras in faults]
    try:
        world, counts, _ = lived(scenario(days, node, faults=made, **more), WAKES.get(runtime, fast.wake))
    except RuntimeAbsent as absent:
        pytest.skip(str(absent))
    assert broken(world) == {}
    assert world.events.traces == []
    assert counts[node.name]["lost"] == 0
    assert dict(world.nodes[0].faults.seen) == {name: 1 for name, *_ in faults}
    return world, counts[node.name]


def health(world):
    return json.loads(world.broker.retained[f"torpor/{MAST.name}/health"])


def values(world, name):
    """[scaled value, None where it is absent] of every reading on the card, oldest first."""
    readings = on_card(world.nodes[0])[1]
    return [readings[seq].get(name) for seq in sorted(readings)]


# --- settings -------------------------------------------------------------------------------------------------------


@on_both
@pytest.mark.parametrize("name", UNUSABLE)
def test_it_goes_on_with_the_last_good_ones_and_says_so(runtime, name):
    world, count = with_faults(runtime, (name, FROM_S, DAY_S, {}))
    assert (count["stored"], count["delivered"] + count["waiting"]) == (SLOTS, SLOTS)
    told = health(world)
    # one at each wake without a file of use
    assert told["faults"]["settings"] > 20
    assert "settings.toml" in told["settings_problem"] or "line" in told["settings_problem"]


@on_both
def test_with_networks_that_lock_it_out_it_comes_back_by_the_last_good_ones(runtime):
    world, count = with_faults(runtime, ("settings-astray", FROM_S, DAY_S, {}), days=0.8)
    assert count["stored"] == 116
    # those before the slots that failed, and most of those after them
    assert count["delivered"] > 80
    assert health(world)["faults"]["join"] >= 3


@on_both
@pytest.mark.parametrize("name", ["settings-missing", "settings-cut"])
def test_a_board_that_never_had_any_lives_and_begins_when_they_come(runtime, name):
    world, count = with_faults(runtime, (name, 0, TO_S, {}), days=0.4)
    # an hourly sample until then: held, or dropped and counted, since nobody said where the card is
    assert count["delivered"] + count["waiting"] == count["stored"] >= 0.2 * 144 - 2
    assert count["unstored"] + count["held"] >= 4
    assert health(world)["faults"]["settings"] >= 4


@on_both
def test_without_nvm_it_stores_on_a_card_that_needs_no_rail_and_says_so_later(runtime):
    bare = plan([('rail = "card"\n', "")])
    bare = replace(bare, board=replace(bare.board, nvm_slot_bytes=0))
    world, count = with_faults(runtime, ("settings-missing", FROM_S, TO_S, {}), node=bare)
    assert count["unstored"] == 0
    ledger = next(iter(world.judges[MAST.name].ledgers.values()))
    assert not ledger.volatile
    taken_s = [ledger.taken_ms[seq] / 1000 for seq in range(1, ledger.newest + 1)]
    # each hour while there are none
    assert len([at_s for at_s in taken_s if FROM_S < at_s < TO_S]) >= 2
    assert health(world)["faults"]["settings"] >= 2


@on_both
def test_the_file_on_the_board_is_the_spoilt_one(runtime):
    """What the firmware opens, and not what the world believes of it."""
    world, _ = with_faults(runtime, ("settings-refused", FROM_S, DAY_S, {}), days=0.15)
    chip = world.nodes[0].ports[0]
    lies = chip.files["/settings.toml"] if runtime == "circuitpython" else (chip.flash / "settings.toml").read_bytes()
    assert lies == b"sample_evry_s = 600\n" + MAST.settings_toml


def test_an_image_of_a_board_is_written_into_too(tmp_path):
    try:
        flash.modules()
    except RuntimeAbsent as absent:
        pytest.skip(str(absent))
    image = tmp_path / "board.img"
    install_image_disk.make(image, 3)
    for data in (MAST.settings_toml, MAST.settings_toml[:300]):
        flash.lay_settings(image, data)
        assert board_image.settings_of(image) == data
    flash.lay_settings(image, None)
    with pytest.raises(ScenarioError):
        board_image.settings_of(image)


# --- sensors --------------------------------------------------------------------------------------------------------


@on_both
@pytest.mark.parametrize(
    ("name", "extras"),
    [
        ("sensor-stuck", {"sensor": 1}),
        ("sensor-outlier", {"sensor": 2, "by": 500}),
        ("sensor-outlier", {"sensor": 1, "by": 40}),
    ],
)
def test_a_sensor_that_lies_says_what_it_says_on_the_fast_runtime(runtime, name, extras):
    to_s = FROM_S if name == "sensor-outlier" else TO_S
    real, quick, plainly = (
        with_faults(which, *faults)[0]
        for which, faults in [
            (runtime, [(name, FROM_S, to_s, extras)]),
            ("fast", [(name, FROM_S, to_s, extras)]),
            (runtime, []),
        ]
    )
    differing = 0
    for channel in ("temperature", "relative-humidity", "lux"):
        assert values(real, channel) == values(quick, channel)
        differing += sum(a != b for a, b in zip(values(real, channel), values(plainly, channel), strict=True))
    assert differing == 1 if name == "sensor-outlier" else differing > 3


@on_both
@pytest.mark.parametrize(("ms", "left_out"), [(10, False), (500, True)])
def test_a_clock_that_is_stretched_is_waited_for_up_to_the_limit_of_the_controller(runtime, ms, left_out):
    slow, quick = (
        with_faults(runtime, *faults)[0] for faults in ([("sensor-slow", FROM_S, TO_S, {"sensor": 1, "ms": ms})], [])
    )
    # none of the other sensor's are missing
    assert None not in values(slow, "lux")
    assert values(slow, "temperature").count(None) == (HELD if left_out else 0)
    meters = [world.nodes[0].meter for world in (slow, quick)]
    spent = [meter.ms[meter.names.index("sensing")] for meter in meters]
    if not left_out:
        # two values of each reading
        assert spent[0] - spent[1] == HELD * 2 * ms


@on_both
@pytest.mark.parametrize(
    ("name", "sensor", "channel"),
    [("sensor-half-fed", 1, "temperature"), ("sensor-half-fed", 2, "lux"), ("sensor-crc", 1, "temperature")],
)
def test_one_that_fails_now_and_then_is_left_out_then(runtime, name, sensor, channel):
    extras = {"sensor": sensor} | ({"share": 0.4} if name == "sensor-crc" else {})
    world, count = with_faults(runtime, (name, FROM_S, TO_S, extras))
    assert count["stored"] == SLOTS
    assert 1 < values(world, channel).count(None) < HELD
    assert None not in values(world, "lux" if channel == "temperature" else "temperature")
    assert health(world)["faults"]["sensor"] > 1


@on_both
def test_a_wrong_bit_of_a_part_without_checksums_is_not_taken_for_light(runtime):
    world, _ = with_faults(runtime, ("sensor-crc", FROM_S, TO_S, {"sensor": 2, "share": 1.0}))
    assert values(world, "lux").count(None) == HELD


def test_a_part_without_a_rail_is_never_half_fed():
    always = plan([('read = ["lux"]\nrail = "sensors"', 'read = ["lux"]')])
    world, _ = with_faults("circuitpython", ("sensor-half-fed", 0, DAY_S, {"sensor": 2}), days=0.2, node=always)
    assert None not in values(world, "lux")


# --- the clock ------------------------------------------------------------------------------------------------------

RTCS = {
    "ds3231": [],
    "pcf8523": [('rtc = "ds3231"', 'rtc = "pcf8523"')],
    "internal": [('rtc = "ds3231"', 'rtc = "internal"')],
    "alarm": [('rtc = "ds3231"', 'rtc = "ds3231"\nrtc_alarm = "D7"')],
}


@on_both
@pytest.mark.parametrize(
    ("rtc", "name", "extras"),
    [
        ("ds3231", "clock-reset", {"told": "told"}),
        ("ds3231", "clock-reset", {"told": "silent"}),
        ("ds3231", "clock-years-off", {"years": 1}),
        ("ds3231", "clock-jump", {"seconds": 86_400}),
        ("ds3231", "clock-jump", {"seconds": -299}),
        ("pcf8523", "clock-reset", {"told": "told"}),
        ("internal", "clock-reset", {"told": "silent"}),
        ("internal", "clock-years-off", {"years": 1}),
        ("alarm", "clock-reset", {"told": "told"}),
        ("alarm", "clock-jump", {"seconds": 86_400}),
    ],
)
def test_time_repairs_itself(runtime, rtc, name, extras):
    world, count = with_faults(runtime, (name, FROM_S, FROM_S, extras), node=plan(RTCS[rtc]))
    assert count["delivered"] > 30
    tally = world.tallies[MAST.name]
    # a jump back within an interval is what a sleep explains: it is believed until the next network time
    assert extras == {"seconds": -299} or tally.off_s(0.5) <= tally.stated_s(0.5) <= 3
    # a node that saw nothing would have gone on in the same run; what a sleep explains it cannot see
    assert name == "clock-jump" or health(world)["run"] > 1


@on_both
def test_a_clock_that_is_reset_while_its_bus_is_held_is_found_when_the_bus_is_free(runtime):
    faults = [("clock-reset", FROM_S + 1000, FROM_S + 1000, {"told": "told"}), ("bus-held", FROM_S, TO_S, {})]
    world, count = with_faults(runtime, *faults, node=plan(RTCS["alarm"]))
    assert count["delivered"] > 30
    assert values(world, "temperature").count(None) == HELD
