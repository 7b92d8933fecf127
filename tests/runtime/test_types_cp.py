"""The board port against the platform's type stubs: wrong names and keywords are found without a board."""

import importlib.util
import json
import pathlib
import shutil
import subprocess
import sys

import pytest

ROOT = pathlib.Path(__file__).parents[2]
CONFIG = "pyrightconfig.circuitpython.json"

pytestmark = [
    pytest.mark.skipif(importlib.util.find_spec("pyright") is None, reason="pyright is not installed"),
    pytest.mark.skipif(
        importlib.util.find_spec("alarm-stubs") is None, reason="circuitpython-stubs is not installed"
    ),
]


def problems(folder):
    """What pyright finds, as text; the number of files that it looked at."""
    words = [sys.executable, "-m", "pyright", "-p", folder / CONFIG, "--pythonpath", sys.executable, "--outputjson"]
    done = subprocess.run(words, capture_output=True, text=True, timeout=300)
    found = json.loads(done.stdout)
    return [entry["message"] for entry in found["generalDiagnostics"]], found["summary"]["filesAnalyzed"]


def test_the_port_fits_the_platform():
    found, files = problems(ROOT)
    assert found == []
    ours = list((ROOT / "firmware" / "torpor" / "boards").glob("cp_*.py"))
    assert files == len(ours) + 3, "the port's modules, boot.py and safemode.py"


@pytest.mark.parametrize(
    ("file", "right", "wrong"),
    [
        ("torpor/boards/cp_radio.py", "timeout=timeout_s", "timeout_s=timeout_s"),
        ("torpor/boards/cp_radio.py", "ipv4_dns=", "dns="),
        ("torpor/boards/cp_sleep.py", "monotonic_time=", "monotonic="),
        ("torpor/boards/cp_card.py", "baudrate=", "frequency="),
        ("torpor/boards/cp_pins.py", "frequency=frequency_hz", "freq=frequency_hz"),
        ("torpor/boards/cp_power.py", "WatchDogMode.RESET", "WatchDogMode.REBOOT"),
        ("safemode.py", "SafeModeReason.BROWNOUT", "SafeModeReason.BROWN_OUT"),
        ("boot.py", "runtime.autoreload", "runtime.auto_reload"),
    ],
)
def test_a_wrong_name_is_found(tmp_path, file, right, wrong):
    shutil.copy(ROOT / CONFIG, tmp_path)
    shutil.copytree(ROOT / "firmware", tmp_path / "firmware", ignore=shutil.ignore_patterns("__pycache__"))
    path = tmp_path / "firmware" / file
    text = path.read_text()
    assert right in text
    path.write_text(text.replace(right, wrong))
    found, _ = problems(tmp_path)
    assert found
