"""Firmware that is wrong in one place. Law: storms or the cut sweep find each of them, and name the broken promise.

tests/mutations/ has a patch for each; its first line says which invariant it breaks. docs/storms.md lists what found
which.
"""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
FIRMWARE = ROOT / "firmware" / "torpor"
PATCHES = ROOT / "tests" / "mutations"
LIMIT_S = 300
# patch: the storm that finds it, (seed, days). A new name of a fault adds to all storms: then the range is searched.
FOUND_BY = {
    "1-sent-is-accepted": (37, 3),
    "1-write-not-read-back": (20, 2),
    "2-held-name-kept": (20, 2),
    "3-radio-without-reading": (20, 2),
    "4-window-without-end": (20, 2),
    "5-silent-clock-believed": (26, 2),
    "7-password-in-the-log": (21, 2),
    "8-missed-not-counted": (34, 3),
}
SEARCHED = (20, 70)
# only cuts find these: tests/sim/test_cut_sweep.py does
FOUND_BY_CUTS = {"1-no-repair"}


def broken(folder, first, end, days):
    """Invariants that storms find broken, of the firmware in a folder."""
    figures = folder / "figures.json"
    words = ["--storm", "--seeds", f"{first}:{end}", "--days", days, "--shrink-s", 0, "--json", figures]
    done = subprocess.run(
        [sys.executable, "-c", "from deploy.cli import main; main()", "rehearse", *map(str, words)],
        env={**os.environ, "PYTHONPATH": str(folder / "firmware")},
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=LIMIT_S,
    )
    assert done.returncode in (0, 1), done.stderr
    return {int(invariant) for invariant in json.loads(figures.read_text())["violations"]}


def test_each_patch_has_what_finds_it():
    assert {path.stem for path in PATCHES.glob("*.patch")} == FOUND_BY.keys() | FOUND_BY_CUTS
    # every invariant that is covered, 6 is not
    assert {int(name[0]) for name in FOUND_BY} == {1, 2, 3, 4, 5, 7, 8}


@pytest.mark.parametrize("name", FOUND_BY)
def test_a_storm_finds_it(name, tmp_path):
    patch = PATCHES / f"{name}.patch"
    invariant = int(patch.read_text().split("\n")[0].removeprefix("Invariant: "))
    shutil.copytree(FIRMWARE, tmp_path / "firmware" / "torpor")
    subprocess.run(["git", "apply", "-p1", str(patch)], cwd=tmp_path, check=True)
    seed, days = FOUND_BY[name]
    if invariant not in broken(tmp_path, seed, seed + 1, days):
        assert invariant in broken(tmp_path, *SEARCHED, days), f"{name} is not found"


def test_the_firmware_as_it_is_breaks_nothing_there(tmp_path):
    shutil.copytree(FIRMWARE, tmp_path / "firmware" / "torpor")
    for seed, days in sorted(set(FOUND_BY.values())):
        assert broken(tmp_path, seed, seed + 1, days) == set(), (seed, days)
