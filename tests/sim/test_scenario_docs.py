"""Law: what docs/scenarios.md and docs/ci.md show runs as it stands, and the first one leaves no key out."""

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from hostsim import board, broker, enclosure, radio, timeserver
from hostsim.fault_names import FAULTS
from hostsim.scenario import REQUIREMENTS
from hostsim.scenario_fault import TIMING_KEYS
from hostsim.scenario_node import CELL_NUMBERS

DOCS = Path(__file__).parents[2] / "docs"
PAGE = (DOCS / "scenarios.md").read_text()
FAULTS_PAGE = (DOCS / "faults.md").read_text()
CI = (DOCS / "ci.md").read_text()


def examples():
    """{file name: text} of the blocks that begin with their file's name."""
    return {name: block for block, name in re.findall(r"```toml\n(# (\S+\.toml)\n.*?)```", PAGE, re.DOTALL)}


@pytest.fixture
def shed(tmp_path):
    folder = tmp_path / "scenarios" / "drying-shed"
    folder.mkdir(parents=True)
    for name, text in examples().items():
        (folder / name).write_text(text)
    return folder


def test_the_example_runs_and_meets_what_it_requires(torpor, shed):
    assert set(examples()) == {"scenario.toml", "shed.toml"}
    status, out, err = torpor("rehearse", shed)
    assert (status, err) == (0, "")
    assert "Ready to go out" in out


def test_no_key_is_left_out():
    keys = {*CELL_NUMBERS, *enclosure.PRESETS["box"], *enclosure.PRESETS["shield"], *REQUIREMENTS}
    keys |= {*board.STATES, *board.DURATIONS, *board.OSCILLATOR_NUMBERS, *board.OSCILLATORS}
    keys |= {*radio.KINDS, *broker.KINDS, *timeserver.BEHAVIOURS, *TIMING_KEYS}
    missing = [key for key in keys if f"`{key}`" not in PAGE and f'`"{key}"`' not in PAGE]
    assert missing == []


def test_each_fault_stands_on_its_page_with_what_it_takes():
    rows = {row.split("`")[1]: row for row in FAULTS_PAGE.split("\n") if row.startswith("| `")}
    for name, kind in FAULTS.items():
        assert name in rows, f"docs/faults.md says nothing of {name}"
        lasts = rows[name].split("|")[2].strip()
        assert lasts == ("yes" if kind.lasting else "no"), name
        for key, of in kind.extras.items():
            words = getattr(of, "words", ())
            assert all(f"`{word}`" in rows[name] for word in (key, *words)), f"{name}: {key}"


@pytest.mark.parametrize("preset", ["box", "shield"])
def test_the_figures_of_the_housings_are_the_codes(preset):
    column = ["box", "shield"].index(preset) + 2
    rows = [[cell.strip() for cell in row.strip("|").split("|")] for row in PAGE.split("\n") if row.startswith("| `")]
    shown = {row[0].strip("`"): float(row[column]) for row in rows if row[0].strip("`") in enclosure.PRESETS[preset]}
    assert shown == enclosure.PRESETS[preset]


def test_the_durations_are_the_codes():
    for name, ms in board.DURATIONS.items():
        assert re.search(rf"`{name}` {ms}\b", PAGE)


def test_the_script_for_a_shell_rehearses_each_scenario(shed, tmp_path):
    script = re.search(r"```sh\n(#!/bin/sh\n.*?)```", CI, re.DOTALL).group(1)
    install = "python3 -m venv .venv && .venv/bin/pip install --quiet ./torpor || exit 2\n"
    assert script.count(install) == 1
    # the installation takes a network; the rest is run with a command that answers as torpor does
    (tmp_path / "rehearse.sh").write_text(script.replace(install, ""))
    (tmp_path / "scenarios" / "barn").mkdir()
    command = tmp_path / ".venv" / "bin" / "torpor"
    command.parent.mkdir(parents=True)
    command.write_text('#!/bin/sh\necho "$@" >> calls\ncase $2 in *barn*) exit 1;; esac\nexit 0\n')
    command.chmod(0o755)

    def status():
        return subprocess.run(["sh", "rehearse.sh"], cwd=tmp_path, timeout=60).returncode

    assert status() == 1
    assert (tmp_path / "calls").read_text().split("\n")[:2] == [
        "rehearse scenarios/barn/ --out reports/barn",
        "rehearse scenarios/drying-shed/ --out reports/drying-shed",
    ]
    shutil.rmtree(tmp_path / "scenarios" / "barn")
    assert status() == 0
