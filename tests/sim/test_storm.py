"""Storms. Law: same seed, same storm, whoever lives through it; what breaks is found, made small, and replayed."""

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from concurrent.futures import Future, ProcessPoolExecutor
from pathlib import Path

import psutil
import pytest
from test_promises import BREAKS

from hostsim import storm, storm_run
from hostsim.faults import Fault
from hostsim.storm_pieces import Outage
from hostsim.storm_shrink import Failure, shrink
from hostsim.storm_sum import Sum

FIRMWARE = Path(__file__).parents[2] / "firmware" / "torpor"
LIMIT_S = 120


def command(*words, firmware=None, cwd=None):
    """`torpor rehearse` in a process of its own, with another firmware where one is given."""
    environment = dict(os.environ)
    if firmware is not None:
        environment["PYTHONPATH"] = str(firmware)
    words = [sys.executable, "-c", "from deploy.cli import main; main()", "rehearse", *map(str, words)]
    return subprocess.Popen(
        words, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=cwd
    )


def ran(process):
    try:
        out, err = process.communicate(timeout=LIMIT_S)
    except subprocess.TimeoutExpired:
        # workers that go on would take the time of the tests behind this one
        for each in (*psutil.Process(process.pid).children(recursive=True), process):
            each.kill()
        raise
    return process.returncode, out, err


# --- one seed, one storm --------------------------------------------------------------------------------------------


class Here:
    """An executor that does it here and now, the last one first."""

    def __init__(self, order=1):
        self.order = order

    def submit(self, work, *arguments):
        future = Future()
        future.set_result(work(*arguments))
        return future

    def shutdown(self, wait=True, cancel_futures=False):
        pass


def figures(seeds, days, make, jobs):
    total = Sum()
    for result in storm_run.all_of([(seed, days) for seed in seeds], make, jobs):
        total.take(result)
    found = total.figures()
    del found["cpu_s"]
    return json.dumps(found)


def test_who_lives_through_them_and_in_which_order_changes_nothing():
    seeds = [3, 11, 4, 8]
    here = figures(seeds, 1.0, Here, 1)
    assert figures(sorted(seeds), 1.0, Here, 3) == here
    assert figures(reversed(seeds), 1.0, lambda: ProcessPoolExecutor(2), 2) == here


def test_another_seed_and_other_days_are_another_storm():
    assert repr(storm.storm(5)) == repr(storm.storm(5))
    assert storm.storm(5).pieces != storm.storm(6).pieces


def test_a_storm_has_company():
    """A storm has dozens of troubles of several families, and most nodes live."""
    drawn = [storm.storm(seed) for seed in range(50)]
    troubles = [[piece for piece in one.pieces if isinstance(piece, (Fault, Outage))] for one in drawn]
    assert sorted(map(len, troubles))[25] > 8
    assert max(map(len, troubles)) < 1000
    total = Sum()
    for seed in range(5):
        total.take(storm_run.one(seed, 3.0))
    found = total.figures()
    assert len([family for family, count in found["families"].items() if count]) >= 2
    assert found["node_days"] > 0.8 * 3.0 * found["nodes"]
    assert found["readings"]["delivered"] > 0.3 * found["readings"]["stored"]
    assert found["readings"]["lost"] == 0


# --- who dies -------------------------------------------------------------------------------------------------------


def fatal(seed, days):
    if seed == 2:
        os._exit(9)
    if seed == 3:
        raise RuntimeError("nobody expects this")
    return {"seed": seed, "crashed": None}


def test_a_worker_that_dies_names_its_seed_and_the_others_go_on():
    tasks = [(seed, 1.0) for seed in range(6)]
    results = list(storm_run.all_of(tasks, lambda: ProcessPoolExecutor(2), 2, work=fatal))
    assert sorted(result["seed"] for result in results) == list(range(6))
    crashed = {result["seed"]: result["crashed"] for result in results if result["crashed"]}
    assert set(crashed) == {2, 3}
    assert "worker died" in crashed[2]
    assert "nobody expects this" in crashed[3]


def test_an_interruption_ends_it_at_once(tmp_path):
    process = command("--storm", "--seeds", "1:4000", "--jobs", 2, "--days", 60, cwd=tmp_path)
    time.sleep(4)
    assert process.poll() is None
    began = time.monotonic()
    process.send_signal(signal.SIGINT)
    status, out, err = ran(process)
    assert (status, out, err) == (130, "", "torpor: interrupted; nothing was written\n")
    assert time.monotonic() - began < 5
    assert list(tmp_path.iterdir()) == []


# --- what breaks is found -------------------------------------------------------------------------------------------


@pytest.fixture
def broken(tmp_path):
    """A copy of the firmware in which one line is another one: broken(what) -> (its invariant, its folder)."""

    def make(what):
        copy = tmp_path / "firmware" / "torpor"
        shutil.copytree(FIRMWARE, copy)
        invariant, file, good, bad = BREAKS[what]
        changes = [(file, good, bad)]
        if what == "a slot is sampled twice":
            changes.append(
                ("awake.py", "    if stored or schedule.is_early(time_s, cycle.sample_s):\n", "    if False:\n")
            )
        for name, before, after in changes:
            source = (copy / name).read_text()
            assert source.count(before) == 1, "the firmware has changed: mend this test"
            (copy / name).write_text(source.replace(before, after))
        return invariant, copy.parent

    return make


@pytest.mark.parametrize("what", BREAKS)
def test_a_few_storms_of_a_day_find_each_promise_that_is_broken(what, broken, tmp_path):
    invariant, firmware = broken(what)
    data = tmp_path / "figures.json"
    words = ("--storm", "--seeds", "20:24", "--days", 1, "--jobs", 1, "--shrink-s", 0, "--json", data)
    status, shown, err = ran(command(*words, firmware=firmware, cwd=tmp_path))
    assert (status, err) == (1, "")
    assert str(invariant) in json.loads(data.read_text())["violations"], shown


def test_a_broken_firmware_is_found_made_small_and_replayed(broken, tmp_path):
    _, broken_firmware = broken("one reading in fifty is taken for accepted and never sent")
    out, data = tmp_path / "out", tmp_path / "figures.json"
    words = ("--storm", "--seeds", "20:24", "--days", 2, "--jobs", 1, "--shrink-s", 8, "--json", data, "--out", out)
    status, shown, err = ran(command(*words, firmware=broken_firmware, cwd=tmp_path))
    assert (status, err) == (1, "")
    found = json.loads(data.read_text())
    failed = [entry for entry in found["failed"] if any(fact["id"] == 1 for fact in entry["broken"])]
    assert failed, shown
    assert found["violations"]["1"] == len(failed)

    small = next(entry for entry in found["shrunk"] if "has never arrived" in entry["evidence"])
    before, after = small["pieces"]
    assert after <= 3 < before
    scenario = (Path(small["folder"]) / "scenario.toml").read_text()
    assert scenario.count("[[fault]]") + scenario.count("kind = ") <= 3
    assert f"torpor rehearse {small['folder']}" in shown

    # the small one breaks the same promise of the same node, and so does the whole storm
    status, again, _ = ran(command(small["folder"], "--out", tmp_path / "again", firmware=broken_firmware))
    assert status == 1
    assert "✗ broken       1" in again
    assert small["evidence"] in " ".join(again.split())
    replay = re.search(rf"replay: torpor rehearse (--storm --seeds {small['seed']}:\S+ .*)", shown).group(1)
    status, again, _ = ran(command(*replay.split(), "--shrink-s", 0, firmware=broken_firmware, cwd=tmp_path))
    assert status == 1
    assert small["evidence"].split(",")[0] in again

    # and with the firmware as it is, the small one breaks nothing
    assert ran(command(small["folder"], "--out", tmp_path / "whole", firmware=FIRMWARE.parent))[0] == 0


def test_an_error_that_nobody_expects_is_made_small_too(monkeypatch):
    whole = storm.storm(9, 0.5)
    kept = [piece for piece in whole.pieces if getattr(piece, "what", "") == "light"][0]

    def lived(scenario):
        if any(plan.light == kept.value for plan in scenario.nodes):
            raise ZeroDivisionError("light")
        return {"broken": [], "traces": []}

    monkeypatch.setattr("hostsim.storm_shrink.lived", lived)
    found = shrink(whole, Failure(None, None, "ZeroDivisionError"), 20.0)
    assert found.storm.pieces == (kept,)
    assert found.in_time


def test_making_small_ends_in_time(monkeypatch):
    moments = iter(range(1000))
    whole = storm.storm(9, 0.5)
    breach = {"id": 1, "node": "alder", "t_s": 0.4 * 86400, "evidence": "so it is"}
    monkeypatch.setattr("hostsim.storm_shrink.lived", lambda scenario: {"broken": [breach], "traces": []})
    found = shrink(whole, Failure(1, "alder"), 5.0, clock=lambda: next(moments))
    assert 0 < len(found.storm.pieces) < len(whole.pieces)
    assert found.evidence == "so it is"
    assert not found.in_time
    assert found.lives <= 5


def test_what_does_not_fail_a_second_time_is_not_called_small():
    assert storm_run.small(9, 0.2, Failure(1, "alder"), 20.0)["storm"] is None


# --- bad use --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (("--storm",), "--seeds: must be A:B"),
        (("--storm", "--seeds", "5"), "--seeds: must be A:B"),
        (("--storm", "--seeds", "5:5"), "--seeds: must be A:B"),
        (("--storm", "--seeds", "1:9999999999"), "--seeds: must be A:B"),
        (("--storm", "--seeds", "1:2", "--jobs", "0"), "--jobs: must be a whole number"),
        (("--storm", "--seeds", "1:2", "--days", "0"), "--days: must be a number from 0.1"),
        (("--storm", "--seeds", "1:2", "--days", "nan"), "--days: must be a number from 0.1"),
        (("--storm", "--seeds", "1:2", "--shrink-s", "-1"), "--shrink-s: must be"),
        (("--storm", "--seeds", "1:2", "--seed", "4"), "--storm: draws scenario"),
        (("yard", "--storm", "--seeds", "1:2"), "--storm: draws scenario"),
        (("--storm", "--seeds", "1:2", "--runtime", "micropython"), "--storm: draws scenario"),
        (("--storm", "--seeds", "1:2", "--jobs", "1", "--dask", "tcp://127.0.0.1:1"), "--jobs: is for processes"),
        (("--seeds", "1:2"), "are for --storm"),
        (("--json", "a.json"), "are for --storm"),
        (("--jobs", "2"), "are for --storm"),
    ],
)
def test_bad_use_is_one_line(refused, words, line):
    assert line in refused("rehearse", *words)


# --- a cluster ------------------------------------------------------------------------------------------------------


def test_a_cluster_that_is_not_there_is_one_line(refused):
    pytest.importorskip("distributed", reason="Dask is not installed")
    from deploy import storm_executor

    storm_executor.CONNECT_S, was = 1, storm_executor.CONNECT_S
    try:
        line = refused("rehearse", "--storm", "--seeds", "1:2", "--dask", "tcp://127.0.0.1:9")
    finally:
        storm_executor.CONNECT_S = was
    assert "--dask: no cluster answers there" in line


def test_without_dask_its_option_says_what_to_install(refused, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    assert 'pip install "torpor[dask]"' in refused("rehearse", "--storm", "--seeds", "1:2", "--dask", "a:1")


def test_a_cluster_finds_the_same():
    distributed = pytest.importorskip("distributed", reason="Dask is not installed")
    from deploy.storm_executor import cluster

    here = figures([3, 11, 4, 8], 0.5, Here, 1)
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address=None, silence_logs=50
    ) as workers:
        make, threads = cluster(workers.scheduler_address)
        assert threads == 2
        assert figures([3, 11, 4, 8], 0.5, make, threads) == here
