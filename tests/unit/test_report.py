"""The report: it opens offline, hides nothing that went wrong, and survives whatever is missing.

Law: every check here fails on a page that leaves out, or lets through, the thing it names.
"""

import json
import math
import re

import pytest
from report_example import HOSTILE, Page, broken, changed, example, rendered, terminal

from hostsim.report import page, summary


@pytest.fixture(scope="module")
def year() -> Page:
    return rendered(*example())


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
    shown = Page(html)
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


@pytest.mark.parametrize("nothing", [None, ""])
def test_only_what_held_needs_no_evidence(nothing):
    results, timeline = example(days=3)
    for one, state in zip(results["invariants"], ("held", "broken", "not covered"), strict=False):
        one |= {"state": state, "evidence": nothing}
    shown = rendered(results, timeline).text
    assert "1 stored is kept ✓ held – 2" in shown
    assert "2 nothing invented ✗ broken none given 3" in shown
    assert "3 measure, then radio – not covered none given 4" in shown


def test_the_page_gives_the_command_that_rehearses_the_same_again():
    results, timeline = example(days=3, seed=41)
    assert "torpor rehearse timber-yard-year --seed 41 --days 3" in rendered(results, timeline).text
    results["scenario"] = "a b; c"
    assert page.replay_command(results).startswith("torpor rehearse 'a b; c' ")


def test_the_results_own_command_is_given_before_any_that_could_be_made_of_them():
    results, timeline = example(days=3, seed=41)
    results["replay"] = (
        "torpor rehearse yard.toml --weather 'a wet year.csv' --seed 41 --days 3 --broker 10.0.0.2:1883"
    )
    shown = rendered(results, timeline).text
    assert f"The same rehearsal again: {results['replay']}" in shown
    assert "torpor rehearse timber-yard-year" not in shown
    results["replay"] = None
    assert "torpor rehearse timber-yard-year --seed 41" in rendered(results, timeline).text


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


def test_a_small_loss_is_written_out_and_not_left_to_a_thin_bar():
    results, timeline = example()
    text = rendered(changed(results, lost=1), timeline).text
    assert "● 1" in text
    assert "Not ready to go out: 1 reading lost." in text
