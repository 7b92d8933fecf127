"""The verdict and the terminal: nothing broken, lost or unknown is ever called ready.

Law: every check here fails on a summary that is better than what the results say.
"""

import pytest
from report_example import broken, changed, example, terminal

from hostsim.report import summary
from hostsim.report.words import duration, number


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
    assert duration(seconds) == words


@pytest.mark.parametrize(
    ("value", "digits", "words"), [(1234.5, 1, "1,234.5"), (1000, 2, "1,000"), (None, 0, "not known")]
)
def test_a_number_keeps_its_zeros_and_drops_empty_decimals(value, digits, words):
    assert number(value, digits) == words
