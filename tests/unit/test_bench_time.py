"""tests/bench/bench_time.py. Law: its figures are those calculated by hand, and it finds a time that is wrong."""

import json
import math
import random
import statistics
import sys
from pathlib import Path

import pytest

pytest.importorskip("sqlalchemy", reason="the collector's store needs SQLAlchemy")

sys.path.append(str(Path(__file__).parents[1] / "bench"))

import bench_time  # noqa: E402 - the folders of tests are no packages
import times_table  # noqa: E402
from times_cases import CLOCKS, CRYSTAL, TOLD, Case, cases, scenario  # noqa: E402
from times_figures import failed, figures, percentile, row  # noqa: E402
from times_watch import Spans, Stated  # noqa: E402

from hostsim.oscillator import Oscillator  # noqa: E402
from hostsim.runtimes import fast  # noqa: E402
from hostsim.weather import bundled  # noqa: E402

DAY_MS = 86_400_000
QUIET = Case("none", CRYSTAL)


@pytest.mark.parametrize("count", [1, 2, 3, 19, 20, 21, 99, 100, 101, 1000])
def test_percentiles_are_those_of_statistics_and_of_counting(count):
    values = [random.Random(count).uniform(-5, 5) for _ in range(count)]
    assert percentile(values, 0.5) == statistics.median_low(values)
    assert percentile(values, 1.0) == max(values)
    found = percentile(values, 0.95)
    assert sum(value <= found for value in values) >= math.ceil(count * 95 / 100)
    assert sum(value < found for value in values) < math.ceil(count * 95 / 100)


def test_percentiles_are_those_of_numpy():
    numpy = pytest.importorskip("numpy")
    values = [random.Random(1).gauss(0, 1) for _ in range(4321)]
    for share in (0.5, 0.95, 1.0):
        assert percentile(values, share) == numpy.percentile(values, 100 * share, method="inverted_cdf")
    assert percentile([], 0.5) is None


def test_what_may_be_stated_follows_from_when_the_clock_was_set():
    spans = Spans(100)
    assert spans.bound_s(5000) == (None, False)
    spans.all[0].set_ms += [DAY_MS, 2 * DAY_MS]
    # before the first time: the whole way there; afterwards: since the last time. 100 ppm of a day are 8.64 s
    assert spans.bound_s(5000) == (pytest.approx(10.64), False)
    assert spans.bound_s(DAY_MS) == (2, False)
    assert spans.bound_s(DAY_MS * 3 // 2) == (pytest.approx(6.32), False)
    assert spans.bound_s(3 * DAY_MS) == (pytest.approx(10.64), False)
    spans.lost(4 * DAY_MS)
    assert spans.bound_s(4 * DAY_MS - 1)[0] == pytest.approx(2 + 17.28)
    assert spans.bound_s(4 * DAY_MS) == (None, False)


def test_a_hidden_jump_excuses_from_itself_to_the_next_synchronisation():
    spans = Spans(100)
    spans.all[0].set_ms += [DAY_MS, 2 * DAY_MS]
    spans.all[0].jumped_ms += [DAY_MS + 500]
    excused = {t_ms: spans.bound_s(t_ms)[1] for t_ms in (0, DAY_MS, DAY_MS + 499, DAY_MS + 500, 2 * DAY_MS)}
    assert list(excused.values()) == [False, False, False, True, False]
    spans.all[0].jumped_ms.insert(0, 700)
    # what is dated by the count up to the first synchronisation is wrong by it on either side
    assert spans.bound_s(0)[1]
    assert spans.bound_s(800)[1]


class Seen:
    """What a Watch has seen, by hand: readings every 10 minutes after a clock was set at 0, with 100 ppm."""

    start_ms = 1_800_000_000_000

    def __init__(self, stated):
        self.spans = Spans(100)
        self.spans.all[0].set_ms.append(0)
        self.stated = [
            Stated(
                "5eed1234", seq, 600_000 * seq, None if off_s is None else 1_800_000_000 + 600 * seq + off_s, told_s
            )
            for seq, off_s, told_s in stated
        ]


def test_figures_by_hand():
    found = figures(Seen([(1, 0, 2), (2, -1, 2), (3, 2, 2), (4, None, None)]))
    assert (found["delivered"], found["unknown"], found["outside"], found["above_bound"]) == (4, 1, 0, 0)
    assert found["actual_s"] == {"p50": 1.0, "p95": 2.0, "max": 2.0}
    assert found["stated_s"] == {"p50": 2, "p95": 2, "max": 2}
    assert found["bound_s"] == pytest.approx({"p50": 2.12, "p95": 2.18, "max": 2.18})
    assert found["of_bound"]["max"] == pytest.approx(2 / 2.06)


def test_a_time_that_is_off_and_one_that_states_too_much_are_counted_with_every_delivery():
    found = figures(Seen([(1, 3, 2), (1, 0, 2), (2, 0, 3), (3, 0, 2)]))
    assert (found["delivered"], found["outside"], found["above_bound"]) == (3, 1, 1)
    assert found["actual_s"]["max"] == 0.0


@pytest.mark.parametrize("case", [QUIET, Case("resets", CRYSTAL, (TOLD,))])
def test_two_days_are_told_truly(case):
    found = row(case, 2, 1)
    assert not failed(found)
    assert found["delivered"] == 289
    assert found["unknown"] == 0
    assert 0 < found["actual_s"]["p95"] <= found["stated_s"]["p95"] <= found["bound_s"]["p95"]


def test_a_clock_that_was_moved_in_secret_is_found():
    """The world is not told, so nothing excuses it."""

    def wake(node, world, judge):
        if node.wakes == 100:
            node.clock.set(node.now_ms, node.clock.shows(node.now_ms) + 150)
        fast.wake(node, world, judge)

    found = row(QUIET, 2, 1, wake)
    assert found["outside"] > 10
    assert found["actual_s"]["max"] > 140
    assert failed(found)


def test_a_jump_that_a_node_has_to_see_excuses_nothing():
    """+150 s is what a sleep explains: of a case that says otherwise every reading until the next time is outside."""
    jumps = (("clock-jump", {"seconds": 150}),)
    assert row(Case("jump", CRYSTAL, jumps), 2, 1)["outside"] > 10
    hidden = row(Case("jump", CRYSTAL, jumps, jumps_hide=True), 2, 1)
    assert not failed(hidden)
    assert 10 < hidden["hidden"]["outside"] <= hidden["hidden"]["readings"]
    assert 140 < hidden["hidden"]["off_s_max"] < 160


def test_readings_without_a_time_are_dated_by_the_collector():
    """Two resets while no server answers: the first run never meets the time."""
    found = row(Case("", CRYSTAL, (TOLD,), ("silent", "3 days of 6")), 5, 1)
    late = found["collector"]
    assert not failed(found)
    assert found["unknown"] == late["by_run"] + late["by_bracket"] + late["undated"] > 100
    assert late["by_bracket"] > 100
    assert late["actual_s"]["max"] <= late["stated_s"]["p50"]


def test_each_clock_keeps_what_it_is_specified_with():
    year = bundled()
    degc = [year.at(3600.0 * hour)[0] for hour in range(8760)]
    for case in [Case("", clock) for clock in CLOCKS]:
        oscillator, drift_ppm = CLOCKS[case.clock]
        about = dict(oscillator)
        spread, noise = about.pop("offset_spread_ppm", 0.0), 4 * about.pop("noise_ppm", 0.0)
        rates = [Oscillator(**about).rate_ppm(t, 365 * 86400) for t in (min(degc), max(degc) + 25, 25.0)]
        assert max(map(abs, rates)) + spread + noise <= drift_ppm
        assert scenario(case, 2, 1).nodes[0].settings["time"]["drift_ppm_max"] == drift_ppm


def test_the_page_keeps_every_other_byte(tmp_path, monkeypatch, capsys):
    page, kept = tmp_path / "page.md", tmp_path / "times.json"
    monkeypatch.setattr(bench_time.times_cases, "cases", lambda: [QUIET])
    page.write_bytes(b"# Page\n<!-- times: begin -->\nold\n<!-- times: end -->\nrest\r\n")
    assert bench_time.main(["--days", "2", "--json", str(kept), "--write"], page) == 0
    whole = page.read_bytes()
    assert whole.startswith(b"# Page\n<!-- times: begin -->\nWhat the node stated")
    assert whole.endswith(b"|\n<!-- times: end -->\nrest\r\n")
    assert b"| none | crystal | 100 | 289 | 0 |" in whole
    assert b"--write --days 2`" in whole
    assert json.loads(kept.read_text())["rows"][0]["delivered"] == 289
    page.write_bytes(b"# Page\n")
    assert bench_time.main(["--days", "2", "--write"], page) == 2
    assert "must have <!-- times: begin -->" in capsys.readouterr().err
    assert page.read_bytes() == b"# Page\n"


def test_what_failed_is_seen_and_decides_the_exit_status(monkeypatch, capsys):
    def off(case, days, seed):
        return {**row(case, days, seed), "outside": 7}

    monkeypatch.setattr(bench_time.times_cases, "cases", lambda: [QUIET])
    monkeypatch.setattr(bench_time, "row", off)
    assert bench_time.main(["--days", "2"]) == 1
    said = capsys.readouterr()
    assert "| none **failed** |" in said.out
    assert "none, crystal: 7 outside" in said.err


def test_the_rows_are_told_apart():
    names = [(case.fault, case.clock) for case in cases()]
    assert len(set(names)) == len(names)
    assert not any(name.startswith("`") for name, _ in names)
    assert times_table.COMMAND.split()[1] == "tests/bench/bench_time.py"
