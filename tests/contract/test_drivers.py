"""Vendor drivers, unmodified, in CPython and in the MicroPython VM: what they read of a part is what is there.

platform-facts sections 5 and 7: unmodified drivers run on the VM over a bus with CircuitPython's calls, and against
register-level models. What is not installed is skipped by name.
"""

import os
import sys
from pathlib import Path

import pytest

from hostsim.devices import catalogue, vendor

ROOT = Path(__file__).resolve().parents[2]
sys.path.append(str(ROOT / "docs"))
import make_sensors  # noqa: E402

DRIVERS = sorted(catalogue.FITTED)
NEEDED = {
    "adafruit_sht4x.SHT4x",
    "adafruit_veml7700.VEML7700",
    "adafruit_bh1750.BH1750",
    "adafruit_ds3231.DS3231",
    "adafruit_pcf8523.pcf8523.PCF8523",
}
INTERPRETERS = ("CPython", "MicroPython")


def run(interpreter, driver, folder, *fault):
    """What a driver does on an interpreter, on a board without hardware."""
    module = driver.split(".")[0]
    if vendor.find(module) is None:
        pytest.skip(f"{module} is not installed")
    if interpreter == "CPython":
        if vendor.find("adafruit_blinka") is None:
            pytest.skip("adafruit_blinka is not installed")
        return make_sensors.on_cpython(driver, *fault)
    if make_sensors.virtual_machine() is None:
        pytest.skip("no MicroPython VM for this machine")
    assert vendor.lay_out(folder, [driver]) == []
    return make_sensors.on_micropython(driver, folder, *fault)


def test_the_drivers_of_the_example_settings_and_both_clock_chips_have_models():
    assert set(DRIVERS) >= NEEDED


@pytest.mark.parametrize("interpreter", INTERPRETERS)
@pytest.mark.parametrize("driver", DRIVERS)
def test_it_reads_what_is_there(driver, interpreter, tmp_path):
    found = run(interpreter, driver, tmp_path)
    assert (found["import"], found["error"]) == (None, None)
    assert set(found["read"]) == set(catalogue.FITTED[driver].reads)
    for name, text in found["read"].items():
        assert make_sensors.right(driver, name, text), (name, text)
    # a driver costs 10 to 30 KB of a heap of 64 bits: one that costs more does not fit beside the node
    if interpreter == "MicroPython":
        assert 2_000 < found["heap"] < 40_000


@pytest.mark.parametrize("interpreter", INTERPRETERS)
@pytest.mark.parametrize("driver", DRIVERS)
def test_an_absent_part_is_a_value_error_at_once(driver, interpreter, tmp_path):
    # platform-facts section 5: ValueError "No I2C device at address"; a particle counter is sluggish: RuntimeError
    found = run(interpreter, driver, tmp_path, "absent")
    assert found["read"] == {}
    if driver == "adafruit_pm25.i2c.PM25_I2C":
        assert found["error"].startswith("RuntimeError: Unable to find")
        assert found["waits_ms"] == 5000
    else:
        assert found["error"].startswith("ValueError: No I2C device at address")
        assert found["waits_ms"] < 10


@pytest.mark.parametrize("interpreter", INTERPRETERS)
@pytest.mark.parametrize("driver", DRIVERS)
def test_a_bus_that_is_held_low_is_an_error_and_no_wait_without_an_end(driver, interpreter, tmp_path):
    found = run(interpreter, driver, tmp_path, "held-low")
    assert found["read"] == {}
    assert found["error"]
    assert "Hung" not in found["error"]


# what has a checksum finds out; what has none cannot
CHECKED = (
    "adafruit_sht4x.SHT4x", "adafruit_sht31d.SHT31D", "adafruit_scd4x.SCD4X", "adafruit_pm25.i2c.PM25_I2C",
)  # fmt: skip


@pytest.mark.parametrize("interpreter", INTERPRETERS)
@pytest.mark.parametrize("driver", CHECKED)
def test_a_disturbed_byte_is_found_out_where_there_is_a_checksum(driver, interpreter, tmp_path):
    # platform-facts section 5: a bad CRC is a RuntimeError
    found = run(interpreter, driver, tmp_path, "corrupted")
    assert found["read"] == {}
    assert found["error"].startswith("RuntimeError")


@pytest.mark.parametrize("interpreter", INTERPRETERS)
def test_a_clock_chip_has_no_checksum(interpreter, tmp_path):
    # why the node compares what a clock shows with what it should show
    found = run(interpreter, "adafruit_ds3231.DS3231", tmp_path, "corrupted")
    assert found["error"] is None
    assert found["read"]["datetime"].startswith("2027-12-01")


def test_the_probe_says_so_when_a_driver_is_not_there(tmp_path):
    if make_sensors.virtual_machine() is None:
        pytest.skip("no MicroPython VM for this machine")
    assert vendor.lay_out(tmp_path, ["no_such_part.Part"]) == ["no_such_part"]
    for found in (
        make_sensors.on_cpython("no_such_part.Part"),
        make_sensors.on_micropython("no_such_part.Part", tmp_path),
    ):
        assert "no module named 'no_such_part'" in found["import"].lower()
        assert found["read"] is None


def test_the_vm_needs_the_shims(tmp_path):
    # platform-facts section 5: two want the names busio or digitalio, and MicroPython has no struct_time
    driver = "adafruit_ds3231.DS3231"
    if make_sensors.virtual_machine() is None or vendor.find("adafruit_ds3231") is None:
        pytest.skip("no MicroPython VM for this machine, or no adafruit_ds3231")
    vendor.lay_out(tmp_path, [driver])
    code = "import time, sys; print(hasattr(time, 'struct_time'), hasattr(time, 'monotonic'))"
    said = []
    for path in (str(tmp_path), f"{make_sensors.SHIMS}:{tmp_path}"):
        environment = {**os.environ, "MICROPYPATH": path}
        done = make_sensors.subprocess.run(
            [make_sensors.virtual_machine(), "-c", code], capture_output=True, text=True, timeout=60, env=environment
        )
        said.append(done.stdout.strip())
    assert said == ["False False", "True True"]
