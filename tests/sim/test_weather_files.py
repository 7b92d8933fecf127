"""Law: a weather file in each format goes through the whole command, and what it says is what the node measures."""

from pathlib import Path

import pytest

from hostsim import rehearse

MONTH_DAYS = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)
DEGC, HUMIDITY = -7.5, 61
NODE = """node = "shed"
sample_every_s = 600
transmit_every_s = 1800
[broker]
host = "broker.yard.example"
tls = false
[[network]]
ssid = "kiln-shed"
password = "slow-and-even-heat"
[[sensor]]
driver = "adafruit_sht4x.SHT4x"
read = ["temperature", "relative_humidity"]
[card]
size_mib = 1
[time]
servers = ["time.yard.example"]
"""
SCENARIO = """name = "one shed"
days = 0.2
[[node]]
settings = "shed.toml"
enclosure = { preset = "shield", shade = 1 }
[[network]]
ssid = "kiln-shed"
password = "slow-and-even-heat"
"""


def csv():
    header = "hour,temperature_degc,humidity_percent,wind_m_s"
    return [header, *(f"{hour},{DEGC},{HUMIDITY},3" for hour in range(1, 25))]


def tmy3():
    header = "Date (MM/DD/YYYY),Time (HH:MM),GHI (W/m^2),Dry-bulb (C),RHum (%),Wspd (m/s)"
    lines = ['700000,"NORTH YARD",XX,-5.0,36.1,-79.9,273', header]
    for month, days in enumerate(MONTH_DAYS, start=1):
        for day in range(1, days + 1):
            lines += [f"{month:02}/{day:02}/1999,{hour:02}:00,0,{DEGC},{HUMIDITY},3" for hour in range(1, 25)]
    return lines


def epw():
    lines = ["LOCATION,North Yard,XX,XXX,TMY3,700000,36.1,-79.9,-5.0,273.0"]
    lines += [f"{name},0" for name in ("DESIGN CONDITIONS", "TYPICAL/EXTREME PERIODS", "GROUND TEMPERATURES")]
    lines += ["HOLIDAYS/DAYLIGHT SAVINGS,No,0,0,0", "COMMENTS 1,made up", "COMMENTS 2,"]
    lines.append("DATA PERIODS,1,1,Data,Sunday, 1/ 1, 1/ 1")
    for hour in range(1, 25):
        cells = ["1999", "1", "1", str(hour), "60", "?9?9?9", DEGC, -10, HUMIDITY, 101300]
        cells += [0, 0, 300, 0, 0, 0, 0, 0, 0, 0, 180, 3, 5, 5, 9.9, 77777, 9, 999999999, 15, 0.1, 0, 88, 0.2, 0, 1]
        lines.append(",".join(map(str, cells)))
    return lines


@pytest.fixture
def shed(tmp_path):
    (tmp_path / "shed.toml").write_text(NODE)
    (tmp_path / "scenario.toml").write_text(SCENARIO)
    return tmp_path


@pytest.mark.parametrize("lines", [csv, tmy3, epw])
@pytest.mark.parametrize("where", ["option", "scenario"])
def test_each_format_through_the_whole_command(torpor, shed, monkeypatch, lines, where):
    (shed / "year.txt").write_text("\n".join(lines()) + "\n")
    if where == "scenario":
        (shed / "scenario.toml").write_text(SCENARIO + '[weather]\nfile = "year.txt"\n')
    option = ["--weather", shed / "year.txt"] if where == "option" else []
    means = []
    drawn = rehearse.timeline
    monkeypatch.setattr(rehearse, "timeline", lambda world: means.append(drawn(world)) or means[-1])
    status, out, err = torpor("rehearse", shed, *option)
    assert (status, err) == (0, "")
    inside = means[0]["nodes"]["shed"]
    # a shield without sun has the temperature of the air, but for what it loses to the sky: none in full shade
    assert inside["inside_degc_mean"][2] == pytest.approx(DEGC, abs=0.05)
    assert inside["humidity_mean"][2] == pytest.approx(HUMIDITY, abs=0.5)


@pytest.mark.parametrize("lines", [csv, tmy3, epw])
def test_a_damaged_file_is_refused_with_its_line(refused, shed, lines):
    good = lines()
    (shed / "year.txt").write_text("\n".join([*good[:-1], good[-1].replace(str(DEGC), "warm")]) + "\n")
    line = refused("rehearse", shed, "--weather", shed / "year.txt")
    assert f"year.txt, line {len(good)}: temperature_degc is not a number" in line


def test_weather_of_the_command_line_comes_before_the_scenarios(torpor, shed):
    (shed / "year.txt").write_text("\n".join(csv()) + "\n")
    (shed / "scenario.toml").write_text(SCENARIO + '[weather]\nfile = "not-there.csv"\n')
    assert torpor("rehearse", shed, "--weather", shed / "year.txt")[0] == 0
    assert Path("rehearsal/report.html").exists()
