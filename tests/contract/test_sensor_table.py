"""docs/sensors.md says what comes out when its drivers are run: some of its rows, run again."""

import sys
from pathlib import Path

import pytest

from hostsim.devices import catalogue, vendor

ROOT = Path(__file__).resolve().parents[2]
sys.path.append(str(ROOT / "docs"))
import make_sensors  # noqa: E402

AGAIN = (
    "adafruit_sht4x.SHT4x",
    "adafruit_bme280.basic.Adafruit_BME280_I2C",
    "adafruit_scd4x.SCD4X",
    "adafruit_ina219.INA219",
    "adafruit_pcf8523.pcf8523.PCF8523",
    "adafruit_vl53l1x.VL53L1X",
    "adafruit_opt4048.OPT4048",
)


def lines():
    return [
        text for text in make_sensors.PAGE.read_text().splitlines() if text.startswith("| ") and "`adafruit" in text
    ]


def test_every_driver_of_the_list_has_its_row_and_no_other_has():
    shown = [text.split("|")[2].strip(" `") for text in lines()]
    assert shown == [driver for _, driver in make_sensors.DRIVERS]
    assert len(set(shown)) == len(shown) >= 24


def test_the_table_has_all_kinds_of_sensors():
    kinds = " ".join(kind for kind, _ in make_sensors.DRIVERS)
    for kind in ("temperature", "humidity", "pressure", "light", "CO2", "particles", "current", "distance", "clock"):
        assert kind in kinds


def test_what_has_a_model_was_read_and_what_has_none_was_not():
    for text in lines():
        driver = text.split("|")[2].strip(" `")
        assert ("not read" in text) == (driver not in catalogue.FITTED), text


@pytest.mark.parametrize("driver", AGAIN)
def test_a_row_comes_out_again(driver):
    for module in (driver.split(".")[0], "adafruit_blinka"):
        if vendor.find(module) is None:
            pytest.skip(f"{module} is not installed")
    if make_sensors.virtual_machine() is None:
        pytest.skip("no MicroPython VM for this machine")
    (cells,) = make_sensors.rows([driver])
    (written,) = [text for text in lines() if f"`{driver}`" in text]
    assert not make_sensors.apart(written, cells), make_sensors.line(cells)


def test_the_comparison_sees_a_difference():
    row = ["kind", "`a.B`", "imports", "imports", "12", "`lux`", "lux 742 lx", "0"]
    written = make_sensors.line(row)
    assert not make_sensors.apart(written, row)
    assert not make_sensors.apart(written, [*row[:4], "14", *row[5:]])
    assert make_sensors.apart(written, [*row[:4], "15", *row[5:]])
    for place in (2, 3, 5, 6, 7):
        assert make_sensors.apart(written, [*row[:place], "else", *row[place + 1 :]])


def test_a_wrong_reading_is_told_from_a_right_one():
    right = make_sensors.right
    assert right("adafruit_sht4x.SHT4x", "temperature", "-7.31 Cel")
    assert not right("adafruit_sht4x.SHT4x", "temperature", "-7.33 Cel")
    assert not right("adafruit_scd4x.SCD4X", "CO2", "0.000614 /")
    assert not right("adafruit_ds3231.DS3231", "datetime", "2027-12-01 00:00:01")
    host = {"read": {"lux": "742 lx"}, "error": None}
    board = {"read": {}, "error": "KeyError: 4"}
    said = make_sensors.reading("adafruit_bh1750.BH1750", host, board)
    assert said == "**lux: CPython 742 lx (None), MicroPython nothing (KeyError: 4)**"
