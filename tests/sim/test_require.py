"""Law: each requirement decides the exit status alone: 0 where it is met, 1 where it is not."""

import json

import pytest

from deploy import cli
from hostsim import judge, rehearse
from hostsim.report import summary
from hostsim.scenario import REQUIREMENTS

NODE = """node = "shed"
sample_every_s = 600
transmit_every_s = 3600
[broker]
host = "broker.yard.example"
tls = false
[[network]]
ssid = "kiln-shed"
password = "slow-and-even-heat"
[[sensor]]
driver = "adafruit_sht4x.SHT4x"
read = ["temperature"]
[card]
size_mib = 1
[time]
servers = ["time.yard.example"]
[status]
service_s = 0
"""
SCENARIO = """name = "one shed"
days = 0.2
[[node]]
settings = "shed.toml"
{node}
[[network]]
ssid = "kiln-shed"
password = "slow-and-even-heat"
{outage}
{fault}
[require]
{require}
"""
NO_NETWORK = 'outage = [{ from_day = 0, to_day = 1, kind = "absent" }]'
NO_CARD = '[[fault]]\nname = "card-removed"\nnode = "shed"\nfrom_day = 0\nto_day = 1'
SMALL_CELL = "cell = { capacity_mah = 1 }"


@pytest.fixture
def status(tmp_path, monkeypatch):
    def status(require, node="", outage="", fault="", days=0.2):
        (tmp_path / "shed.toml").write_text(NODE)
        text = SCENARIO.format(node=node, outage=outage, fault=fault, require=require)
        (tmp_path / "scenario.toml").write_text(text)
        words = ["torpor", "rehearse", str(tmp_path), "--days", str(days), "--out", str(tmp_path / "out")]
        monkeypatch.setattr("sys.argv", words)
        with pytest.raises(SystemExit) as caught:
            cli.main()
        report = json.loads((tmp_path / "out" / "report.json").read_text())
        assert [entry["id"] for entry in report["invariants"] if entry["state"] == "broken"] == []
        return caught.value.code, report["requirements"]

    return status


CASES = {
    # key: (wanted and met, and what it takes), (wanted and not met, and what it takes)
    "delivered": ((0.5, {}), (0.5, {"outage": NO_NETWORK})),
    "missed_max": ((0, {}), (0, {"node": SMALL_CELL, "days": 1})),
    "unstored_max": ((0, {}), (0, {"outage": NO_NETWORK, "fault": NO_CARD, "days": 1})),
    "battery_days_min": ((20, {}), (100_000, {})),
    "stated_s_max": ((3, {}), (1, {})),
}


@pytest.mark.parametrize("key", CASES)
@pytest.mark.parametrize("met", [True, False])
def test_a_requirement_decides(status, key, met):
    wanted, world = CASES[key][0 if met else 1]
    code, requirements = status(f"{key} = {wanted}", **world)
    assert [(entry["key"], entry["met"]) for entry in requirements] == [(key, met)]
    assert requirements[0]["got"] is not None
    assert code == (0 if met else 1)


@pytest.mark.parametrize(("lost", "met"), [(0, True), (1, False)])
def test_lost_readings_decide(status, monkeypatch, lost, met):
    """The firmware loses none, so the judge's count is put up."""
    counted = judge.Judge.finish

    def with_lost(self, *words):
        count = counted(self, *words)
        return {**count, "lost": count["lost"] + lost}

    monkeypatch.setattr(judge.Judge, "finish", with_lost)
    code, requirements = status("lost_max = 0")
    assert [(entry["key"], entry["met"]) for entry in requirements] == [("lost_max", met)]
    assert code == (0 if met else 1)


def test_without_requirements_the_promises_decide(status, monkeypatch):
    assert status("") == (0, [])
    monkeypatch.setattr(rehearse, "failed", lambda results: True)
    assert status("")[0] == 1


def test_a_rehearsal_that_shows_nothing_is_no_success(status, monkeypatch):
    assert status("lost_max = 0")[0] == 0
    monkeypatch.setattr(summary, "verdict", lambda results: (summary.NOT_SHOWN, "Nothing was shown."))
    assert status("lost_max = 0")[0] == 1


def test_one_of_several_is_enough(status):
    code, requirements = status("lost_max = 0\nbattery_days_min = 100_000\ndelivered = 0")
    assert {entry["key"]: entry["met"] for entry in requirements} == {
        "delivered": True,
        "lost_max": True,
        "battery_days_min": False,
    }
    assert code == 1


def test_every_requirement_has_its_case():
    assert set(CASES) | {"lost_max"} == set(REQUIREMENTS)
