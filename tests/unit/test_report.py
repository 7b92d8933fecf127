"""The report: it opens offline, hides nothing that went wrong, and survives whatever is missing.

Law: every check here fails on a page that leaves out, or lets through, the thing it names.
"""

import json
import math
import random
import re
from html.parser import HTMLParser

import pytest
from rich.console import Console

from hostsim.report import figures, page, summary

HOSTILE = "<script>alert(1)</script>\"'&</script>[bold]"
NAMES = ("north-stack", "south-stack", "yard-mast")
INVARIANTS = ("stored is kept", "nothing invented", "measure, then radio", "each wake ends", "times hold")
INVARIANTS += ("ledger agrees", "no secret leaks", "each slot has a record")
CURRENTS = {"wake": 38000, "service": 41000, "sample": 12500, "store": 31000, "join": 118000, "sync": 96000}
CURRENTS |= {"send": 104000, "sleep": 18}


def example(days: int = 365, names=NAMES, seed: int = 7) -> tuple[dict, dict]:
    """A year in the timber yard, made up, but with the outages and numbers that such a year has."""
    rng = random.Random(seed)
    series = {name: _node_series(rng, index, days) for index, name in enumerate(names)}
    results = {"schema": 1, "scenario": "timber-yard-year", "runtime": "fast", "seed": seed, "days": float(days)}
    results |= {
        "start": "2027-01-01T05:00:00Z",
        "nodes": [_node_results(name, series[name], days) for name in names],
        "invariants": [
            {"id": i, "name": name, "state": "held", "evidence": f"{1000 * i} checked", "replay": None}
            for i, name in enumerate(INVARIANTS, 1)
        ],
        "requirements": [
            {"key": "must_last_days", "wanted": 365, "got": 377.4, "met": True},
            {"key": "lost_max", "wanted": 0, "got": 0, "met": True},
        ],
        "speed": {"wakes": 144 * days * len(names), "wall_s": 24.31},
    }
    spans = {"start_epoch_s": 1798779600, "bin_s": 86400, "bins": days, "windows": _windows(rng, days)}
    sources = {"join": "measured with a shunt, 20 runs", "sleep": "chip data sheet, table 4-6, and regulator 8 µA"}
    currents = [
        {"state": state, "current_ua": float(ua), "spread": 0.15, "source": sources.get(state, "chip data sheet")}
        for state, ua in CURRENTS.items()
    ]
    return results, {**spans, "nodes": series, "currents": currents}


def _windows(rng: random.Random, days: int) -> list[dict]:
    def window(lane, kind, from_day, length_days, node=None):
        ends = {"from_s": from_day * 86400, "to_s": (from_day + length_days) * 86400}
        return {"lane": lane, "kind": kind, **ends, "node": node}

    some = [window("network yard-office", "absent", 41, 12.5), window("network yard-office", "no address", 203, 3)]
    some += [window("network kiln-shed", "absent", 120, 30), window("network kiln-shed", "wrong password", 250, 60)]
    some += [window("network foreman-hotspot", "present", day + 0.4, 0.35) for day in range(days) if day % 7 < 5]
    some += [window("broker", "down", rng.uniform(0, days), rng.uniform(0.1, 2)) for _ in range(9)]
    some += [window("broker", "mute", 150, 5), window("card south-stack", "absent", 280, 4.2, "south-stack")]
    return [one for one in some if one["from_s"] < days * 86400]


def _node_series(rng: random.Random, index: int, days: int) -> dict:
    degc = [9 - 11 * math.cos(2 * math.pi * (d - 20) / 365) + rng.gauss(0, 2.6) for d in range(days)]
    swing = [rng.uniform(2, 5) + (index == 2) * rng.uniform(1, 9) for _ in range(days)]
    humidity = [78 + 9 * math.cos(2 * math.pi * d / 365) - 4 * index + rng.gauss(0, 4) for d in range(days)]
    waiting, level = [], 0
    for day in range(days):
        level = level + 144 if 41 <= day < 53 or (index == 1 and 120 <= day < 126) else max(0, level - 900)
        waiting.append(level or rng.choice((0, 3, 6)))
    life_days = (492.0, 377.4, 611.0)[index % 3]
    edges = [0, 1, 10, 60, 600, 1800, 3600, 7200, 21600, 86400, 259200, 604800, 1209600]
    shares = [0, 2, 60, 480, 2500, 4100, 2300, 420, 60, 40 + 20 * index, 120, 300]
    seconds = {"wake": 1.1e5, "sample": 8.4e4, "store": 1.4e4, "join": 1.3e4, "sync": 900, "send": 8200}
    seconds |= {"sleep": days * 86400 - 2.3e5, "service": 120}
    return {
        "stored": [144] * days,
        "delivered": [144] * days,
        "waiting": waiting,
        "missed": [9 if index == 0 and day in (77, 78, 301) else 0 for day in range(days)],
        "state_of_charge": [1 - day / life_days for day in range(days)],
        "battery_mv": [3600 - day for day in range(days)],
        "inside_degc_min": [t - s for t, s in zip(degc, swing, strict=True)],
        "inside_degc_mean": degc,
        "inside_degc_max": [t + 1.6 * s for t, s in zip(degc, swing, strict=True)],
        "humidity_mean": humidity,
        "emc_percent": [0.24 * h - 2.2 for h in humidity],
        "charge_by_state_mah": {key: CURRENTS[key] * s / 3.6e6 for key, s in seconds.items()},
        "time_by_state_s": seconds,
        "delay_histogram": {"edges_s": edges, "counts": shares},
        "life_days": life_days,
        "capacity_mah": 7800.0,
    }


def _node_results(name: str, series: dict, days: int) -> dict:
    due, missed, waiting = 144 * days, sum(series["missed"]), series["waiting"][-1]
    counts = {"stored": due - missed, "held": 12, "unstored": 0, "duplicates": 36, "overwritten": 0, "lost": 0}
    counts |= {"delivered": due - missed - waiting, "waiting": waiting}
    charge_mah = sum(series["charge_by_state_mah"].values())
    energy = {"charge_mah": charge_mah, "mean_ua": charge_mah * 1000 / 24 / days}
    energy |= {"battery_days": series["life_days"], "battery_empty_day": None}
    time = {"stated_s_p50": 3.0, "stated_s_p95": 21.0, "actual_s_p50": 0.41, "actual_s_p95": 5.2}
    sessions = {"tried": days * 24, "accepted": days * 23}
    return {"node": name, "wakes": due, "due": due, "missed": missed, "readings": counts, "energy": energy} | {
        "time": time,
        "sessions": sessions,
    }


class _Page(HTMLParser):
    """What a browser makes of the page: its elements with their attributes, its text, and its scripts."""

    def __init__(self, html: str):
        super().__init__()
        self.elements, self.words, self.scripts, self._in_script = [], [], [], False
        self.feed(html)
        self.text = " ".join(" ".join(self.words).split())

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        self._in_script = tag == "script"

    def handle_endtag(self, tag):
        if tag == "script":
            self._in_script = False

    def handle_data(self, data):
        (self.scripts if self._in_script else self.words).append(data)

    @property
    def figures(self) -> dict:
        """The drawings, read back from the page as the page itself reads them."""
        return json.loads(next(script for script in self.scripts if script.startswith("{")))


def rendered(results, timeline) -> _Page:
    return _Page(page.render(results, timeline))


def terminal(results) -> str:
    console = Console(width=80, record=True, file=open("/dev/null", "w"))  # noqa: SIM115
    for line in summary.lines(results):
        console.print(line)
    return console.export_text()


def broken(results: dict, number: int, **more) -> dict:
    """The results with one invariant broken."""
    changed = {"state": "broken", "evidence": "seq 4711: off by 12 s", "replay": "torpor rehearse yard --seed 7"}
    results["invariants"][number - 1] |= changed | more
    return results


def changed(results: dict, **counts) -> dict:
    """The results with other counts for the first node."""
    results["nodes"][0]["readings"] |= counts
    return results


@pytest.fixture(scope="module")
def year() -> _Page:
    return rendered(*example())


# ---- the page


def test_each_section_stands_in_the_page_with_what_it_is_for(year):
    ids = {attrs.get("id") for _, attrs in year.elements}
    assert ids >= {key for key, _ in page.SECTIONS}
    for _, title in page.SECTIONS:
        assert year.text.count(title) == 2, title  # once in the contents, once as the heading
    places = {attrs["id"] for tag, attrs in year.elements if attrs.get("class") == "figure"}
    assert places == set(year.figures)
    assert len(places) == 5


def test_nothing_is_fetched(year):
    for tag, attrs in year.elements:
        assert tag not in ("link", "iframe", "img", "object", "embed", "base"), tag
        assert "src" not in attrs
        assert attrs.get("href", "#").startswith("#"), attrs
    assert not re.search(r"url\(|@import|@font-face", page.CSS)
    assert "://" not in page.CSS + page.SCRIPT + json.dumps(year.figures)


def test_the_browser_is_told_to_refuse_every_request(year):
    policies = [attrs["content"] for _, attrs in year.elements if "http-equiv" in attrs]
    assert policies == [page.POLICY]
    allowed = dict(part.split(maxsplit=1) for part in policies[0].split("; "))
    assert allowed.pop("default-src") == "'none'"
    # whatever is let through is in the page itself
    assert set(" ".join(allowed.values()).split()) == {"'unsafe-inline'", "data:", "blob:"}


def test_plotly_is_embedded_once(year):
    assert sum("plotly.js v" in script for script in year.scripts) == 1


def test_every_axis_that_is_read_in_numbers_names_its_unit(year):
    for key, figure in year.figures.items():
        for name, axis in figure["layout"].items():
            if not re.fullmatch(r"[xy]axis\d*", name) or axis.get("showticklabels") is False or "ticktext" in axis:
                continue
            assert axis["title"]["text"], (key, name)


def test_all_panels_of_the_course_share_one_time_axis(year):
    figure = year.figures["figure-when"]
    assert [name for name in figure["layout"] if name.startswith("xaxis")] == ["xaxis"]
    assert all(trace.get("xaxis", "x") == "x" for trace in figure["data"])
    domains = sorted(axis["domain"] for name, axis in figure["layout"].items() if name.startswith("yaxis"))
    assert len(domains) == 1 + 1 + 3 + 1 + 1
    assert all(low[1] < high[0] for low, high in zip(domains, domains[1:], strict=False)), "panels overlap"


def test_no_two_nodes_and_no_two_fates_differ_by_colour_alone():
    assert len(set(figures.NODE_DASHES)) == len(figures.NODE_DASHES)
    patterns = [pattern for _, pattern in figures.FATES.values()]
    # delivered needs no hatching: it is the only one without
    assert len(set(patterns)) == len(patterns)


def test_every_text_of_the_figures_is_valid_json_even_from_numbers_that_are_not():
    results, timeline = example(days=40)
    node = timeline["nodes"]["north-stack"]
    node["inside_degc_mean"][3] = math.nan
    node["emc_percent"][4] = math.inf
    node["delay_histogram"]["edges_s"][-1] = math.inf
    shown = rendered(results, timeline)
    assert "NaN" not in json.dumps(shown.figures)
    assert "Infinity" not in json.dumps(shown.figures)


def test_a_hostile_name_stays_text_wherever_it_comes_from():
    results, timeline = example(days=40, names=(HOSTILE, "south-stack"))
    results["scenario"] = HOSTILE
    results["start"] = HOSTILE
    results["runtime"] = HOSTILE
    results["replay"] = HOSTILE
    results["requirements"][0] |= {"key": HOSTILE}
    broken(results, 1, name=HOSTILE, evidence=HOSTILE, replay=HOSTILE)
    results["invariants"][1] |= {"evidence": HOSTILE}
    timeline["windows"].append({"lane": HOSTILE, "kind": HOSTILE, "from_s": 0, "to_s": 9999, "node": HOSTILE})
    timeline["currents"][0] |= {"state": HOSTILE, "source": HOSTILE}
    timeline["nodes"][HOSTILE]["charge_by_state_mah"][HOSTILE] = 3.0
    html = page.render(results, timeline)
    shown = _Page(html)
    assert html.count("<script>alert") == 0
    assert sum(tag == "script" for tag, _ in shown.elements) == 3
    assert HOSTILE in shown.text
    # Plotly reads mark-up in its texts, so there too the name must be spelt out; a group is never shown
    for figure in shown.figures.values():
        for trace in figure["data"]:
            trace.pop("legendgroup", None)
        assert "<script" not in json.dumps(figure)


def test_a_broken_invariant_shows_its_evidence_and_how_to_replay_it():
    shown = rendered(broken(example(days=3)[0], 5), example(days=3)[1])
    assert "seq 4711: off by 12 s" in shown.text
    assert "Replay: torpor rehearse yard --seed 7" in shown.text
    assert "✗ broken" in shown.text
    assert "Not ready to go out: invariant 5 is broken (times hold)." in shown.text


def test_a_held_invariant_offers_no_replay():
    results, timeline = example(days=3)
    results["invariants"][0]["replay"] = "torpor rehearse elsewhere"
    assert "elsewhere" not in rendered(results, timeline).text


def test_the_page_gives_the_command_that_rehearses_the_same_again():
    results, timeline = example(days=3, seed=41)
    assert "torpor rehearse timber-yard-year --seed 41 --days 3" in rendered(results, timeline).text
    results["scenario"] = "a b; c"
    assert page.replay_command(results).startswith("torpor rehearse 'a b; c' ")


def test_the_page_says_that_no_board_took_part_and_that_a_forecast_is_no_promise(year):
    assert "No physical board took part" in year.text
    assert "not a promise" in year.text
    for current in example(days=1)[1]["currents"]:
        assert current["source"] in year.text


@pytest.mark.parametrize("timeline", [{}, {"start_epoch_s": 0, "bin_s": 86400, "bins": 1, "nodes": {}}])
def test_nothing_at_all_still_makes_a_page(timeline):
    results = {"schema": 1, "scenario": "empty", "runtime": "fast", "seed": 0, "days": 0.0, "nodes": []}
    shown = rendered(results, timeline)
    assert shown.figures == {}
    assert "no reading was due" in shown.text
    assert summary.lines(results)


@pytest.mark.parametrize("days", [1, 2, 400])
def test_one_node_of_any_length_is_drawn(days):
    shown = rendered(*example(days=days, names=("north-stack",)))
    assert set(shown.figures) == {f"figure-{key}" for key in ("when", "went", "delay", "charge", "battery")}


def test_whatever_is_optional_may_be_none_or_missing():
    results, timeline = example(days=5)
    first, second, third = timeline["nodes"]
    for key in timeline["nodes"][first]:
        timeline["nodes"][first][key] = None
    timeline["nodes"][second] = {}
    timeline["nodes"][third] = {key: [None] * 5 for key in ("waiting", "state_of_charge", "inside_degc_mean")}
    timeline["currents"] = timeline["windows"] = None
    for node in results["nodes"]:
        node |= {"energy": dict.fromkeys(node["energy"]), "time": dict.fromkeys(node["time"]), "sessions": {}}
        node["readings"] = dict.fromkeys(node["readings"])
    results["requirements"][0] |= {"got": None, "met": False}
    results["invariants"][0] |= {"evidence": None}
    results |= {"speed": None, "days": None, "start": None}
    shown = rendered(results, timeline)
    assert "not known" in shown.text
    assert terminal(results)


def test_a_gap_in_a_series_stays_a_gap():
    _, timeline = example(days=9, names=("north-stack",))
    timeline["nodes"]["north-stack"]["inside_degc_min"][4] = None
    traces = figures.what_happened(timeline)["data"]
    band = next(trace for trace in traces if trace.get("fill"))
    # four points there and back, a gap, four points there and back, and a gap
    assert [x is None for x in band["x"]] == ([False] * 8 + [True]) * 2


def test_a_lane_keeps_its_count_and_length_even_where_bars_are_drawn_together():
    _, timeline = example(days=365, names=("north-stack",))
    windows = [{"lane": "broker", "kind": "down", "from_s": i * 3600, "to_s": i * 3600 + 900} for i in range(8000)]
    figure = figures.what_happened(timeline | {"windows": windows})
    label = next(note["text"] for note in figure["layout"]["annotations"] if "broker" in note["text"])
    assert "down 8,000 ×, 83.3 days (neighbours drawn as one)" in label
    bars = [trace for trace in figure["data"] if trace["type"] == "bar"]
    assert sum(len(trace["x"]) for trace in bars) <= figures.LANE_BARS_MAX


def test_a_window_outside_the_rehearsal_makes_no_lane():
    _, timeline = example(days=2, names=("north-stack",))
    windows = [{"lane": "broker", "kind": "down", "from_s": 3 * 86400, "to_s": 9e9, "node": None}]
    figure = figures.what_happened(timeline | {"windows": windows})
    assert "bar" not in {trace["type"] for trace in figure["data"]}
    assert "broker" not in json.dumps(figure)


def test_windows_that_overlap_are_not_summed_twice():
    _, timeline = example(days=2, names=("north-stack",))
    spans = [(0, 7200), (3600, 10800), (4000, 5000), (20000, 23600)]
    windows = [{"lane": "broker", "kind": "down", "from_s": a, "to_s": b, "node": None} for a, b in spans]
    notes = figures.what_happened(timeline | {"windows": windows})["layout"]["annotations"]
    assert any("down 4 ×, 4 h" in note["text"] for note in notes)


def test_a_window_that_reaches_over_the_ends_is_cut_to_the_rehearsal():
    _, timeline = example(days=2, names=("north-stack",))
    windows = [{"lane": "broker", "kind": "down", "from_s": -5000, "to_s": 9e9, "node": None}]
    figure = figures.what_happened(timeline | {"windows": windows})
    bar = next(trace for trace in figure["data"] if trace["type"] == "bar")
    assert (bar["base"], bar["x"]) == ([timeline["start_epoch_s"] * 1000], [2 * 86400 * 1000])


def test_the_bars_add_up_to_every_reading_that_was_due():
    results, _ = example()
    changed(results, delivered=50000, overwritten=2000, lost=527, waiting=6)
    figure = figures.where_readings_went(results)
    upper = [trace for trace in figure["data"] if trace["yaxis"] == "y"]
    for row, node in enumerate(results["nodes"]):
        assert sum(trace["x"][row] for trace in upper) == node["due"]
    lower = {trace["name"] for trace in figure["data"] if trace["yaxis"] == "y2"}
    assert lower == {"waiting", "overwritten", "missed", "lost"}


def test_a_small_loss_is_written_out_and_not_left_to_a_thin_bar():
    results, timeline = example()
    text = rendered(changed(results, lost=1), timeline).text
    assert "● 1" in text
    assert "Not ready to go out: 1 reading lost." in text


def test_the_delay_table_names_the_edge_by_which_the_share_is_reached():
    bins = figures.delay_bins({"delay_histogram": {"edges_s": [0, 10, 60, 3600, None], "counts": [0, 50, 45, 5]}})
    assert bins == [(1, 10, 0), (10, 60, 50), (60, 3600, 45), (3600, 36000, 5)]
    assert [figures.within_s(bins, share) for share in (0.5, 0.51, 0.95, 1)] == [60, 3600, 3600, 36000]
    assert figures.within_s([(1, 10, 0)], 0.5) is None


def test_the_cumulative_share_ends_at_all_readings():
    figure = figures.how_long(example(days=3)[1])
    for trace in figure["data"]:
        if trace.get("yaxis", "y") == "y":
            assert trace["y"][0] == 0
            assert trace["y"][-1] == 100
            assert trace["y"] == sorted(trace["y"])


def test_charge_and_time_are_shared_out_to_a_hundred_percent_with_unknown_states_kept():
    results, timeline = example(days=3)
    timeline["nodes"]["north-stack"]["charge_by_state_mah"]["blinking"] = 500.0
    figure = figures.where_charge_went(timeline, results)
    for row in range(6):
        assert sum(trace["x"][row] for trace in figure["data"]) == pytest.approx(100, abs=0.01)
    assert "blinking" in {trace["name"] for trace in figure["data"]}


def test_no_two_states_of_the_cycle_look_alike():
    looks = figures.state_looks(example(days=1)[1]["nodes"])
    assert list(looks) == ["wake", "sample", "store", "join", "sync", "send", "sleep", "service"]
    assert len(set(looks.values())) == len(looks)
    assert looks["sleep"] == figures.ASLEEP_LOOK


def test_the_forecast_runs_straight_from_the_last_charge_to_the_stated_day():
    _, timeline = example(days=100, names=("north-stack",))
    solid, dotted = figures.how_long_battery(timeline)["data"]
    life_days = timeline["nodes"]["north-stack"]["life_days"]
    assert dotted["x"][1] == (timeline["start_epoch_s"] + life_days * 86400) * 1000
    assert dotted["y"] == [solid["y"][-1], 0]


def test_a_cell_that_is_already_spent_gets_no_forecast():
    _, timeline = example(days=100, names=("north-stack",))
    timeline["nodes"]["north-stack"] |= {"life_days": 40.0}
    assert len(figures.how_long_battery(timeline)["data"]) == 1


# ---- the verdict and the terminal


def test_a_clean_year_is_ready():
    state, sentence = summary.verdict(example()[0])
    assert state == summary.READY
    assert "157,680 readings due" in sentence
    assert "none lost" in sentence


@pytest.mark.parametrize(
    ("spoil", "word"),
    [
        (lambda results: changed(results, lost=1), "1 reading lost"),
        (lambda results: broken(results, 8), "invariant 8 is broken"),
        (lambda results: results["requirements"][1].update(met=False, got=7), "wanted 0, got 7"),
        (lambda results: results["requirements"][1].update(met=False, got=None), "got not known"),
    ],
)
def test_one_fault_of_any_kind_makes_it_not_ready(spoil, word):
    results = example(days=5)[0]
    spoil(results)
    state, sentence = summary.verdict(results)
    assert state == summary.NOT_READY
    assert word in sentence


@pytest.mark.parametrize(
    "spoil",
    [
        lambda results: results.update(invariants=[]),
        lambda results: [one.update(state="not covered") for one in results["invariants"]],
        lambda results: [node.update(due=0) for node in results["nodes"]],
        lambda results: changed(results, lost=None),
    ],
)
def test_what_was_not_shown_is_never_called_ready(spoil):
    results = example(days=5)[0]
    spoil(results)
    assert summary.verdict(results)[0] == summary.NOT_SHOWN


def test_a_share_just_short_of_what_was_wanted_does_not_read_as_reached():
    results = example(days=5)[0]
    results["requirements"][0] = {"key": "delivered", "wanted": 1.0, "got": 0.99998, "met": False}
    assert "wanted 1, got 0.99998" in summary.verdict(results)[1]


def test_invariants_that_were_not_covered_are_counted_in_the_verdict():
    results = example(days=5)[0]
    results["invariants"][6]["state"] = "not covered"
    assert "7 of 8 invariants held, 1 not covered" in summary.verdict(results)[1]


def test_the_summary_fits_a_terminal_of_80_columns_and_opens_with_the_verdict():
    results = broken(example(names=("a-node-with-a-very-long-name-of-its-own", "b"))[0], 2)
    shown = terminal(results)
    assert shown.startswith("Not ready to go out")
    assert max(len(line) for line in shown.splitlines()) <= 80
    assert "52,560" in shown
    for words in (
        "seq 4711: off by 12 s",
        "replay: torpor rehearse yard --seed 7",
        "must_last_days",
        "wakes in 24.3 s",
    ):
        assert words in shown, words


def test_markup_in_a_name_is_printed_as_it_stands():
    results = example(days=5, names=("[bold]x[/]",))[0]
    results["requirements"][0]["key"] = "[red]y"
    broken(results, 3, evidence="[blue]z", replay="torpor [link]")
    shown = terminal(results)
    for words in ("[bold]x[/]", "[red]y", "[blue]z", "torpor [link]"):
        assert words in shown


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(None, "not known"), (0.25, "0.2 s"), (42, "42 s"), (90, "1.5 min"), (86400, "24 h"), (200000, "2.3 days")],
)
def test_a_duration_is_told_in_the_unit_that_suits_it(seconds, words):
    assert figures.duration(seconds) == words


@pytest.mark.parametrize(
    ("value", "digits", "words"), [(1234.5, 1, "1,234.5"), (1000, 2, "1,000"), (None, 0, "not known")]
)
def test_a_number_keeps_its_zeros_and_drops_empty_decimals(value, digits, words):
    assert summary.number(value, digits) == words
