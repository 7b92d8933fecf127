"""The MicroPython port against the platform's type stubs: wrong names and keywords are found without a board."""

import importlib.util
import json
import pathlib
import shutil
import subprocess
import sys
import sysconfig

import pytest

ROOT = pathlib.Path(__file__).parents[2]
CONFIG = "pyrightconfig.micropython.json"
# the stubs stand in for the standard library's, too: time, socket, ssl ...
STUBS = pathlib.Path(sysconfig.get_path("purelib"))

pytestmark = [
    pytest.mark.skipif(importlib.util.find_spec("pyright") is None, reason="pyright is not installed"),
    pytest.mark.skipif(not (STUBS / "esp32.pyi").exists(), reason="micropython-esp32-stubs is not installed"),
]


def problems(folder):
    """What pyright finds, as text; the number of files that it looked at."""
    words = [sys.executable, "-m", "pyright", "-p", folder / CONFIG, "--pythonpath", sys.executable]
    words += ["--typeshedpath", STUBS, "--outputjson"]
    done = subprocess.run(words, capture_output=True, text=True, timeout=300)
    found = json.loads(done.stdout)
    return [entry["message"] for entry in found["generalDiagnostics"]], found["summary"]["filesAnalyzed"]


def test_the_port_fits_the_platform():
    found, files = problems(ROOT)
    assert found == []
    assert files == len(list((ROOT / "firmware" / "torpor" / "boards").glob("mp_*.py"))) + 1


@pytest.mark.parametrize(
    ("file", "right", "wrong"),
    [
        ("mp_radio.py", "bssid=bssid", "channel=bssid"),
        ("mp_radio.py", "wlan.ifconfig", "wlan.if_config"),
        ("mp_pins.py", "atten=ADC", "attenuation=ADC"),
        ("mp_pins.py", "freq=frequency_hz", "frequency=frequency_hz"),
        ("mp_power.py", "WDT(timeout=", "WDT(timeout_ms="),
        ("mp_power.py", "machine.deepsleep", "machine.deep_sleep"),
        ("mp_power.py", "esp32.wake_on_ext0", "esp32.wake_on_pin"),
        ("mp_memory.py", "nvs.set_blob", "nvs.set_bytes"),
        ("mp_clock.py", "time.ticks_diff", "time.monotonic_diff"),
        ("mp_sound.py", "ibuf=", "buffer="),
    ],
)
def test_a_wrong_name_is_found(tmp_path, file, right, wrong):
    shutil.copy(ROOT / CONFIG, tmp_path)
    shutil.copytree(ROOT / "firmware", tmp_path / "firmware", ignore=shutil.ignore_patterns("__pycache__"))
    path = tmp_path / "firmware" / "torpor" / "boards" / file
    text = path.read_text()
    assert right in text
    path.write_text(text.replace(right, wrong))
    found, _ = problems(tmp_path)
    assert found
