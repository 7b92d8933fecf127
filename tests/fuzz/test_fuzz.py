"""Law: what fuzzing once found stays mended, and a few seconds of it with every change find nothing new."""

import json
from pathlib import Path

import fuzz
import fuzz_own_loop
import pytest
from fuzz_targets import TARGETS, Target

KEPT = Path(__file__).parent / "kept"
# of fuzzing itself; starting atheris takes about as long again
SECONDS = 2


def kept():
    return [path for path in sorted(KEPT.glob("*/*")) if path.suffix != ".md"]


@pytest.mark.parametrize("path", kept(), ids=lambda path: f"{path.parent.name}/{path.name}")
def test_what_was_found_stays_mended(path):
    TARGETS[path.parent.name].run(path.read_bytes())


@pytest.mark.parametrize("name", TARGETS)
def test_seeds_are_right_and_may_be_cut_anywhere(name):
    target = TARGETS[name]
    for data in target.seeds():
        target.run(data)
        for size in range(0, len(data), max(1, len(data) // 20)):
            target.run(data[:size])


@pytest.mark.parametrize("name", TARGETS)
def test_a_short_run_finds_nothing(name, tmp_path):
    engine = "atheris" if fuzz.atheris_is_here() else "own"
    figures = fuzz.run(name, SECONDS, engine, tmp_path)
    assert figures["findings"] == [], figures["told"]
    assert figures["executions"] > 50
    assert figures["coverage"] > 10


def test_the_command_says_what_it_found(tmp_path, monkeypatch, capsys):
    def run(data):
        # three steps that only coverage leads to
        if data[:1] == b"\xff":
            json.dumps(1)
            assert data[1:2] != b"\x80"

    monkeypatch.setitem(TARGETS, "planted", Target(run, lambda: [b"", b"\xff\x81"], [], 8))
    told = tmp_path / "figures.json"
    status = fuzz.main(
        ["planted", "--seconds", "5", "--engine", "own", "--findings", str(tmp_path), "--json", str(told)]
    )
    assert status == 1
    [figures] = json.loads(told.read_text())["targets"]
    [path] = figures["findings"]
    assert Path(path).read_bytes()[:2] == b"\xff\x80"
    assert "AssertionError" in capsys.readouterr().out


def test_the_own_loop_keeps_what_reaches_further():
    runs, reached, corpus, findings = fuzz_own_loop.fuzz(TARGETS["sntp"], 0.5, 1, pytest.fail)
    assert runs > 100
    assert reached >= 15
    assert len(TARGETS["sntp"].seeds()) <= corpus <= 60
    assert findings == 0
