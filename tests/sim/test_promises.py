"""The judge finds each promise that the firmware breaks. Law: a judge that cannot say "broken" proves nothing.

Each case changes one line in a copy of the firmware and rehearses a few days with it.
"""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

FIRMWARE = Path(__file__).parents[2] / "firmware" / "torpor"

BREAKS = {
    "one reading in fifty is taken for accepted and never sent": (
        1,
        "delivery.py",
        "            if data:\n                if seq > sent_to:\n",
        "            if data and seq % 50:\n                if seq > sent_to:\n",
    ),
    "a sequence number is used twice": (
        2,
        "ring.py",
        "        seq = self.head + 1\n",
        "        seq = self.head + (self.head % 40 != 39)\n",
    ),
    "a value is changed on its way": (
        2,
        "senml.py",
        "def decimal(value, exponent):\n",
        "def decimal(value, exponent):\n    value += value == 2000 or value % 97 == 0\n",
    ),
    "the radio comes on before the sensors are read": (
        3,
        "cycle.py",
        "        if state == SAMPLE:\n",
        '        if state == SAMPLE and self.settings["network"]:\n'
        '            self.ports.radio.join(self.settings["network"][0], None, 0, 9000)\n'
        "        if state == SAMPLE:\n",
    ),
    "the service window is ten times as long as the settings say": (
        4,
        "awake.py",
        '["service_s"] * 1000\n',
        '["service_s"] * 10000\n',
    ),
    "a time is stated surer than it is": (
        5,
        "timekeeping.py",
        "BASE_UNCERTAINTY_S = 2\n",
        "BASE_UNCERTAINTY_S = 0\n",
    ),
    "a time is stated less sure than it could be": (
        5,
        "timekeeping.py",
        "BASE_UNCERTAINTY_S = 2\n",
        "BASE_UNCERTAINTY_S = 3\n",
    ),
    "the health message has a password in it": (
        7,
        "connecting.py",
        'cycle.network_name = network["ssid"]\n',
        'cycle.network_name = network["password"]\n',
    ),
    "a due slot is slept through": (
        8,
        "schedule.py",
        "    return max(SLEEP_S_MIN, start_s - time_s)\n",
        "    return max(SLEEP_S_MIN, start_s - time_s + (every_s if start_s // every_s % 37 == 0 else 0))\n",
    ),
    "a slot is sampled twice": (
        8,
        "schedule.py",
        "    return max(SLEEP_S_MIN, start_s - time_s)\n",
        "    return max(SLEEP_S_MIN, (start_s - time_s) // (2 if start_s // every_s % 37 == 0 else 1))\n",
    ),
}


def rehearse(*words, firmware=None):
    """Run the command in a process of its own, with another firmware where one is given."""
    environment = dict(os.environ)
    if firmware is not None:
        environment["PYTHONPATH"] = str(firmware)
    return subprocess.run(
        [sys.executable, "-c", "from deploy.cli import main; main()", "rehearse", *map(str, words)],
        env=environment,
        capture_output=True,
        text=True,
        timeout=300,
    )


@pytest.mark.parametrize("what", BREAKS)
def test_a_broken_promise_is_named(what, tmp_path):
    invariant, file, good, bad = BREAKS[what]
    copy = tmp_path / "firmware" / "torpor"
    shutil.copytree(FIRMWARE, copy)
    source = (copy / file).read_text()
    assert source.count(good) == 1, "the firmware has changed: mend this test"
    (copy / file).write_text(source.replace(good, bad))
    if what == "a slot is sampled twice":
        awake = (copy / "awake.py").read_text()
        guard = "    if stored or schedule.is_early(time_s, cycle.sample_s):\n"
        assert awake.count(guard) == 1, "the firmware has changed: mend this test"
        (copy / "awake.py").write_text(awake.replace(guard, "    if False:\n"))

    ran = rehearse("--days", 4, "--out", tmp_path / "out", firmware=copy.parent)

    assert ran.returncode == 1, ran.stdout + ran.stderr
    report = json.loads((tmp_path / "out" / "report.json").read_text())
    verdict = next(entry for entry in report["invariants"] if entry["id"] == invariant)
    assert verdict["state"] == "broken"
    assert verdict["evidence"]
    assert verdict["replay"] == "torpor rehearse --seed 1 --days 4"
    assert verdict["replay"] in " ".join(ran.stdout.split())


def test_the_firmware_as_it_is_keeps_them(tmp_path):
    ran = rehearse("--days", 4, "--out", tmp_path / "out", firmware=FIRMWARE.parent)
    report = json.loads((tmp_path / "out" / "report.json").read_text())
    assert [entry["id"] for entry in report["invariants"] if entry["state"] != "held"] == [6], ran.stdout
    assert all(entry["met"] for entry in report["requirements"])
    assert ran.returncode == 0
