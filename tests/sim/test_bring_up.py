"""Bring-up names each fault that can be planted, on each runtime, and nothing on a whole board."""

import json
import re
import sys
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
import typer

from deploy import bringup
from hostsim import bring_up, rehearse
from hostsim.bring_up_faults import FAULTS
from hostsim.runtimes import RuntimeAbsent
from hostsim.secrecy import secrets

RUNTIMES = ("fast", "circuitpython", "micropython")
NODE = "yard-mast"  # it has two networks in reach at midnight
# spelled out, so that the lines of the bus can be looked at on every runtime
BUS = '\n[[bus]]\nname = "i2c"\nscl = "SCL"\nsda = "SDA"\n'
PAGE = Path(__file__).parents[2] / "docs" / "bringup.md"


def scenario(*changes):
    """The bundled one with a [[bus]] section, and (old, new) texts replaced in every settings file."""
    found = rehearse.load(None, days=1)
    plans = []
    for plan in found.nodes:
        text = plan.settings_toml.decode() + BUS
        for old, new in changes:
            assert old in text, old
            text = text.replace(old, new)
        plans.append(replace(plan, settings_toml=text.encode(), settings=tomllib.loads(text)))
    return replace(found, nodes=plans)


def brought(runtime, *faults, task="run", changes=(), **arguments):
    try:
        (board,) = bring_up.bring_up(scenario(*changes), runtime, faults, [NODE], task, arguments)
    except RuntimeAbsent as absent:
        pytest.skip(str(absent))
    return board


def named(board):
    return {item["fault"] for item in board.record["items"] if item["result"] == "fail"}


def promised():
    """{fault: {runtime: name}} by the table in docs/bringup.md."""
    found = {}
    text = PAGE.read_text(encoding="utf-8").partition("| planted |")[2].partition("\n\n")[0]
    for row in text.splitlines()[2:]:
        planted, _, names = (cell.strip() for cell in row.strip("|").split("|"))
        usual = re.findall("`([a-z-]+)`", names)[0]
        by_runtime = dict.fromkeys(RUNTIMES, usual)
        for runtime, name in re.findall("on (CircuitPython|MicroPython)[^`]*`([a-z-]+)`", names):
            by_runtime[runtime.lower()] = name
        found[planted.strip("`")] = by_runtime
    return found


NAMES = promised()
CASES = [(runtime, fault) for fault in FAULTS for runtime in FAULTS[fault].runtimes]


def test_the_page_has_every_fault_and_no_other():
    assert set(NAMES) == set(FAULTS)


@pytest.mark.parametrize("runtime", RUNTIMES)
def test_a_whole_board_passes(runtime):
    board = brought(runtime)
    assert board.ended == ""
    assert named(board) == set(), board.lines
    items = {item["item"]: item for item in board.record["items"]}
    for item in ("bus i2c", "sensor temperature", "clock ds3231", "battery", "voltage supply", "card contents"):
        assert items[item]["result"] == "pass"
    for item in ("card speed", "card cut", "radio", "join yard-office", "time time.yard.example"):
        assert items[item]["result"] == "pass"
    assert items["broker over yard-office"]["result"] == "pass"
    assert board.record["chip"] == _eui(board)
    assert board.record["label"] == board.record["node"] == NODE
    assert abs(board.record["time_s"] - scenario().start_epoch_s) < 600


def _eui(board):
    from hostsim.events import Events
    from hostsim.world import World

    world = World(scenario(), Events(None), "", lambda *_: None)
    return next(node.eui.hex() for node in world.nodes if node.name == board.node)


@pytest.mark.parametrize(("runtime", "fault"), CASES, ids=[f"{runtime}-{fault}" for runtime, fault in CASES])
def test_each_fault_is_named(runtime, fault):
    board = brought(runtime, fault)
    assert NAMES[fault][runtime] in named(board), board.lines
    told = [line for line in board.lines if f"({NAMES[fault][runtime]}): " in line]
    if board.ended:
        assert board.lines[-1] == "now         join yard-office"
    else:
        # the line itself says what to do about it
        assert told
        assert all(line.startswith("fail ") or line.startswith("note ") for line in told)


def test_what_a_fault_leaves_alone_still_passes():
    items = {item["item"]: item["result"] for item in brought("fast", "sensor-absent").record["items"]}
    assert items["sensor lux"] == items["clock ds3231"] == items["card contents"] == "pass"
    assert items["broker over yard-office"] == "pass"


def test_a_certificate_that_cannot_be_checked_for_want_of_time_is_no_bad_certificate():
    assert "tls-untimed" in named(brought("fast", "time-silent"))
    assert "tls-refused" not in named(brought("fast", "time-silent"))
    assert "tls-untimed" not in named(brought("fast", "tls-refused"))


def test_two_faults_are_both_named():
    assert {"part-absent", "card-absent", "broker-down"} <= named(
        brought("fast", "sensor-absent", "card-absent", "broker-down")
    )


def test_rails_are_on_before_the_scan():
    board = brought("fast")
    order = [line.split(":")[0].split(" ", 1)[1].strip() for line in board.lines if line.startswith("pass")]
    assert order.index("rail sensors") < order.index("bus i2c") < order.index("sensor temperature")


def test_a_bus_whose_pull_ups_hang_on_a_dead_rail():
    board = brought("fast", "rail-dead", changes=[('sda = "SDA"\n', 'sda = "SDA"\nrail = "sensors"\n')])
    line = next(line for line in board.lines if "bus-unpulled" in line)
    assert "SCL floating, SDA floating" in line
    assert "rail sensors gives nothing (rail-dead)" in line


def test_what_is_not_fitted_is_not_a_failure():
    board = brought(
        "fast",
        changes=[('led = "D13"\nbutton = "D0"', ""), ('rail = "card"', ""), ("[battery]\npin = ", "[battery]\n#")],
    )
    items = {item["item"]: item["result"] for item in board.record["items"]}
    assert items["light"] == items["button"] == items["battery"] == items["card cut"] == "not fitted"
    assert named(board) == set()


@pytest.mark.parametrize("runtime", RUNTIMES)
@pytest.mark.parametrize("fault", [None, "network-locked", "broker-refuses", "tls-refused", "network-hangs"])
def test_no_secret_is_ever_shown(runtime, fault):
    board = brought(runtime, *([fault] if fault else []))
    text = "\n".join(board.lines) + json.dumps(board.record)
    plan = next(plan for plan in scenario().nodes if plan.name == NODE)
    kept = [secret.decode() for secret in secrets(plan.settings)]
    assert "twelve-planks-high" in kept
    assert [secret for secret in kept if secret in text] == []


@pytest.mark.parametrize("runtime", RUNTIMES)
def test_a_night_passes(runtime):
    board = brought(runtime, task="soak", hours=1, every_s=120)
    assert board.ended == ""
    assert named(board) == set(), board.lines
    items = {item["item"]: item for item in board.record["items"]}
    assert "30 readings" in items["soak temperature"]["value"]
    assert items["soak card"]["value"] == "30 of 30 writes read back"
    assert any("does not burn" in line for line in board.lines)


def test_a_night_names_a_card_that_drops_writes():
    assert "soak-card" in named(brought("fast", "card-drops", task="soak", hours=1, every_s=60))


def test_a_night_names_a_sensor_that_is_absent():
    assert "soak-absent" in named(brought("fast", "sensor-absent", task="soak", hours=1, every_s=600))


@pytest.mark.parametrize("runtime", RUNTIMES)
def test_pauses_say_what_to_expect_and_end_in_sleep(runtime):
    board = brought(runtime, task="pauses", seconds=20)
    assert board.ended == ""
    text = "\n".join(board.lines)
    assert text.index("a lithium cell that is shorted") < text.index("now 20 s awake, every rail on")
    assert "now deep sleep for 20 s: expect 110 uA, 30% more or less (profile yard)" in text
    assert "20 s joined yard-office, radio on: expect 100 mA" in text


def test_a_survey_asks_the_radio_alone():
    board = brought("fast", task="survey")
    assert board.record["numbers"]["networks"] == [["yard-office", -71], ["kiln-shed", -83]]
    assert not [item for item in board.record["items"] if item["item"].startswith(("sensor", "card", "bus"))]
    assert "work at height" in "\n".join(board.lines)


def test_the_record_survives_a_board_that_reset():
    board = brought("fast", "network-hangs")
    last = board.record["items"][-1]
    assert (last["item"], last["result"], last["fault"]) == ("join yard-office", "fail", "join-hangs")
    assert board.record["failed"] == 1
    before = {item["item"]: item for item in board.record["items"]}
    assert before["sensor temperature"]["result"] == "pass"
    assert before["sensor temperature"]["limit"] == "-30.00 to 60.00, spread 1.00"


def test_a_node_lives_on_after_bring_up():
    """The ring is made beside what bring-up left, and the first reading arrives."""
    from hostsim.events import Events
    from hostsim.runtimes import bring_up as runtimes
    from hostsim.runtimes import fast
    from hostsim.world import World

    world = World(replace(scenario(), days=0.1), Events(None), "", fast.wake)
    node = world.nodes[0]
    judge = world.judges[node.name]
    node.begin_wake()
    judge.wake_began(node.now_ms, node.retained)
    retained = bytes(node.retained)
    lines, ended = runtimes.run("fast", node, world, judge, "run", {"label": "1"}, lambda wires: None)
    assert (ended, json.loads(lines[-1])["failed"]) == ("", 0)
    assert bytes(node.retained) == retained, "the diary is the node's"
    node.ports = None
    for _ in range(3):
        world._one_wake(node)
    assert node.card.names() == ["torpor.ring"]
    assert world.tallies[node.name].accepted


# --- the command ---------------------------------------------------------------------------------------------------


def exit_of(capsys, *arguments, **more):
    with pytest.raises(typer.Exit) as caught:
        bringup.rehearse_bring_up(*arguments, **more)
    shown = capsys.readouterr()
    return caught.value.exit_code, shown.out, shown.err


def test_the_command_prints_and_says_how_it_went(capsys):
    status, out, err = exit_of(capsys, None, nodes=[NODE])
    assert (status, err) == (0, "")
    assert out.startswith("== yard-mast ==\npass ")
    status, out, _ = exit_of(capsys, None, nodes=[NODE], faults=["card-absent"])
    assert status == 1
    assert "(card-absent): " in out


@pytest.mark.parametrize(
    "more",
    [
        {"nodes": ["nobody"]},
        {"faults": ["nothing"]},
        {"faults": ["card-full"], "runtime": "micropython"},
        {"scenario": Path("/nowhere/scenario.toml")},
    ],
)
def test_bad_input_is_one_line(capsys, more):
    status, out, err = exit_of(capsys, more.pop("scenario", None), **more)
    assert (status, out) == (2, "")
    assert err.startswith("torpor: ")
    assert err.count("\n") == 1


def test_boards_of_a_rehearsal_lie_side_by_side(capsys, tmp_path, monkeypatch):
    _, out, _ = exit_of(capsys, None)
    console = tmp_path / "console.txt"
    console.write_text(out)
    app = typer.Typer()
    bringup.register(app)
    monkeypatch.setattr(sys, "argv", ["boards", str(console)])
    with pytest.raises(SystemExit) as caught:
        app()
    assert caught.value.code == 0
    shown = capsys.readouterr().out
    assert "temperature [Cel]" in shown
    assert "3 board(s): nothing failed, and none stands out" in shown
