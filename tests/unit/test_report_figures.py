"""The figures of the report: nothing is drawn twice, left out, joined over a gap, or told by colour alone.

Law: every check here fails on a figure that shows other numbers than those that it was given.
"""

import json
import re

import pytest
from report_example import Page, changed, example, rendered

from hostsim.report import charge, course, fates, lanes, look


@pytest.fixture(scope="module")
def year() -> Page:
    return rendered(*example())


def test_no_two_nodes_and_no_two_fates_differ_by_colour_alone():
    assert len(set(look.NODE_DASHES)) == len(look.NODE_DASHES)
    patterns = [pattern for _, pattern in fates.FATES.values()]
    # delivered needs no hatching: it is the only one without
    assert len(set(patterns)) == len(patterns)


def test_all_panels_of_the_course_share_one_time_axis(year):
    figure = year.figures["figure-when"]
    assert [name for name in figure["layout"] if name.startswith("xaxis")] == ["xaxis"]
    assert all(trace.get("xaxis", "x") == "x" for trace in figure["data"])
    domains = sorted(axis["domain"] for name, axis in figure["layout"].items() if name.startswith("yaxis"))
    assert len(domains) == 1 + 1 + 3 + 1 + 1
    assert all(low[1] < high[0] for low, high in zip(domains, domains[1:], strict=False)), "panels overlap"


def test_every_axis_that_is_read_in_numbers_names_its_unit(year):
    for key, figure in year.figures.items():
        for name, axis in figure["layout"].items():
            if not re.fullmatch(r"[xy]axis\d*", name) or axis.get("showticklabels") is False or "ticktext" in axis:
                continue
            assert axis["title"]["text"], (key, name)


def test_a_gap_in_a_series_stays_a_gap():
    _, timeline = example(days=9, names=("north-stack",))
    timeline["nodes"]["north-stack"]["inside_degc_min"][4] = None
    traces = course.what_happened(timeline)["data"]
    band = next(trace for trace in traces if trace.get("fill"))
    # four points there and back, a gap, four points there and back, and a gap
    assert [x is None for x in band["x"]] == ([False] * 8 + [True]) * 2


def test_a_lane_keeps_its_count_and_length_even_where_bars_are_drawn_together():
    _, timeline = example(days=365, names=("north-stack",))
    windows = [{"lane": "broker", "kind": "down", "from_s": i * 3600, "to_s": i * 3600 + 900} for i in range(8000)]
    figure = course.what_happened(timeline | {"windows": windows})
    label = next(note["text"] for note in figure["layout"]["annotations"] if "broker" in note["text"])
    assert "down 8,000 ×, 83.3 days (neighbours drawn as one)" in label
    bars = [trace for trace in figure["data"] if trace["type"] == "bar"]
    assert sum(len(trace["x"]) for trace in bars) <= lanes.BARS_MAX


def test_a_window_outside_the_rehearsal_makes_no_lane():
    _, timeline = example(days=2, names=("north-stack",))
    windows = [{"lane": "broker", "kind": "down", "from_s": 3 * 86400, "to_s": 9e9, "node": None}]
    figure = course.what_happened(timeline | {"windows": windows})
    assert "bar" not in {trace["type"] for trace in figure["data"]}
    assert "broker" not in json.dumps(figure)


def test_windows_that_overlap_are_not_summed_twice():
    _, timeline = example(days=2, names=("north-stack",))
    spans = [(0, 7200), (3600, 10800), (4000, 5000), (20000, 23600)]
    windows = [{"lane": "broker", "kind": "down", "from_s": a, "to_s": b, "node": None} for a, b in spans]
    notes = course.what_happened(timeline | {"windows": windows})["layout"]["annotations"]
    assert any("down 4 ×, 4 h" in note["text"] for note in notes)


def test_a_window_that_reaches_over_the_ends_is_cut_to_the_rehearsal():
    _, timeline = example(days=2, names=("north-stack",))
    windows = [{"lane": "broker", "kind": "down", "from_s": -5000, "to_s": 9e9, "node": None}]
    figure = course.what_happened(timeline | {"windows": windows})
    bar = next(trace for trace in figure["data"] if trace["type"] == "bar")
    assert (bar["base"], bar["x"]) == ([timeline["start_epoch_s"] * 1000], [2 * 86400 * 1000])


def test_the_bars_add_up_to_every_reading_that_was_due():
    results, _ = example()
    changed(results, delivered=50000, overwritten=2000, lost=527, waiting=6)
    figure = fates.where_readings_went(results)
    upper = [trace for trace in figure["data"] if trace["yaxis"] == "y"]
    for row, node in enumerate(results["nodes"]):
        assert sum(trace["x"][row] for trace in upper) == node["due"]
    lower = {trace["name"] for trace in figure["data"] if trace["yaxis"] == "y2"}
    assert lower == {"waiting", "overwritten", "missed", "lost"}


def test_the_delay_table_names_the_edge_by_which_the_share_is_reached():
    bins = fates.delay_bins({"delay_histogram": {"edges_s": [0, 10, 60, 3600, None], "counts": [0, 50, 45, 5]}})
    assert bins == [(1, 10, 0), (10, 60, 50), (60, 3600, 45), (3600, 36000, 5)]
    assert [fates.within_s(bins, share) for share in (0.5, 0.51, 0.95, 1)] == [60, 3600, 3600, 36000]
    assert fates.within_s([(1, 10, 0)], 0.5) is None


def test_the_cumulative_share_ends_at_all_readings():
    figure = fates.how_long(example(days=3)[1])
    for trace in figure["data"]:
        if trace.get("yaxis", "y") == "y":
            assert trace["y"][0] == 0
            assert trace["y"][-1] == 100
            assert trace["y"] == sorted(trace["y"])


def test_charge_and_time_are_shared_out_to_a_hundred_percent_with_unknown_states_kept():
    results, timeline = example(days=3)
    timeline["nodes"]["north-stack"]["charge_by_state_mah"]["blinking"] = 500.0
    figure = charge.where_charge_went(timeline, results)
    for row in range(6):
        assert sum(trace["x"][row] for trace in figure["data"]) == pytest.approx(100, abs=0.01)
    assert "blinking" in {trace["name"] for trace in figure["data"]}


def test_no_two_states_of_the_cycle_look_alike():
    looks = charge.state_paints(example(days=1)[1]["nodes"])
    assert list(looks) == ["wake", "sample", "store", "join", "sync", "send", "sleep", "service"]
    assert len(set(looks.values())) == len(looks)
    assert looks["sleep"] == charge.ASLEEP_PAINT


def test_the_forecast_runs_straight_from_the_last_charge_to_the_stated_day():
    _, timeline = example(days=100, names=("north-stack",))
    solid, dotted = charge.how_long_battery(timeline)["data"]
    life_days = timeline["nodes"]["north-stack"]["life_days"]
    assert dotted["x"][1] == (timeline["start_epoch_s"] + life_days * 86400) * 1000
    assert dotted["y"] == [solid["y"][-1], 0]


def test_a_cell_that_is_already_spent_gets_no_forecast():
    _, timeline = example(days=100, names=("north-stack",))
    timeline["nodes"]["north-stack"] |= {"life_days": 40.0}
    assert len(charge.how_long_battery(timeline)["data"]) == 1
