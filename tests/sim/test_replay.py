"""Law: the same seed gives the same bytes, another seed gives others."""

import json

import pytest

from hostsim import rehearse


def run(out, seed):
    rehearse.Rehearsal(rehearse.load(None, seed=seed, days=3), None).run(out)
    report = json.loads((out / "report.json").read_text())
    del report["speed"]
    return (out / "events.jsonl").read_bytes(), report


@pytest.fixture(scope="module")
def first(tmp_path_factory):
    return run(tmp_path_factory.mktemp("first"), 7)


def test_the_same_seed_gives_the_same_bytes(first, tmp_path):
    assert run(tmp_path, 7) == first


def test_another_seed_gives_other_events(first, tmp_path):
    events, report = run(tmp_path, 8)
    assert events != first[0]
    assert report != first[1]
