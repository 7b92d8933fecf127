"""Law: a board profile is whole, within its bounds and gives its sources, or one line says what is not."""

import pytest

from hostsim import board
from hostsim.scenario_text import ScenarioError

YARD = (board.BUNDLED / "yard.toml").read_text()


@pytest.fixture
def write(tmp_path):
    def write(text):
        path = tmp_path / "mine.toml"
        path.write_text(text)
        return path

    return write


def test_the_bundled_profile():
    assert "yard" in board.bundled()
    found = board.load(board.BUNDLED / "yard.toml")
    assert tuple(found.states) == board.STATES
    assert set(found.durations) == set(board.DURATIONS)
    assert found.states["asleep"].current_ua == 110
    assert all(state.source for state in found.states.values())
    assert (found.clock["kind"], found.sleep_timer["noise_ppm"]) == ("compensated", 400.0)


def test_what_a_profile_leaves_out(write):
    short = YARD[: YARD.index("[durations]")].replace("retained_bytes = 2048", "").replace('name = "yard"', "")
    found = board.load(write(short + '[clock]\nkind = "crystal"\n[sleep_timer]\nkind = "rc"\n'))
    assert (found.name, found.durations, found.retained_bytes) == ("mine", board.DURATIONS, 2048)
    assert found.clock == {"kind": "crystal"}


def line_of(text, needle):
    return text[: text.index(needle)].count("\n") + 1


@pytest.mark.parametrize(
    ("old", "new", "needle", "reason"),
    [
        ("current_ua = 110\n", "current_ua = -1\n", "current_ua = -1", "states.asleep.current_ua must be a number"),
        ("current_ua = 110\n", "current_ua = 0\n", "current_ua = 0", "from 0.01"),
        ("current_ua = 110\n", "current_ua = nan\n", "current_ua = nan", "from 0.01"),
        ("current_ua = 110\n", "current_ua = true\n", "current_ua = true", "must be a number"),
        ("current_ua = 110\n", 'current_ua = "110"\n', 'current_ua = "110"', "must be a number"),
        ("current_ua = 110\n", "", "[states.asleep]", "current_ua is missing"),
        ("current_ua = 110\n", "current = 110\n", "current = 110", 'did you mean "current_ua"'),
        ("spread = 0.3\n", "spread = 1\n", "spread = 1", "from 0 to 0.99"),
        ("spread = 0.3\n", "sprd = 0.3\n", "sprd = 0.3", 'did you mean "spread"'),
        ('source = "awake,', 'source = ""\n# "awake,', 'source = ""', "must not be empty"),
        ('source = "awake,', '# "awake,', "[states.sensing]", "source is missing"),
        ("[states.online]", "[states.onlin]", "[states.onlin]", 'did you mean "online"'),
        ("[states.online]", "[states.drilling]\n[states.online]", "[states.drilling]", "is not known in states"),
        ("boot = 450", "boot = 450.5", "boot = 450.5", "whole number from 0 to 60000"),
        ("boot = 450", "boot = 60001", "boot = 60001", "from 0 to 60000"),
        ("boot = 450", "boots = 450", "boots = 450", 'did you mean "boot"'),
        ('kind = "compensated"', 'kind = "quartz"', 'kind = "quartz"', "one of crystal, compensated, rc"),
        ('kind = "compensated"', "", "[clock]", "clock.kind is missing"),
        ('kind = "compensated"', 'kind = "crystal"\nnoise_ppm = 1', "noise_ppm = 1", "only"),
        ("offset_spread_ppm = 1.5", "offset_spread_ppm = inf", "offset_spread_ppm = inf", "from 0"),
        ("retained_bytes = 2048", "retained_bytes = 100", "retained_bytes = 100", "from 256"),
        ("retained_bytes = 2048", 'retained_bytes = "2k"', 'retained_bytes = "2k"', "from 256"),
        ("nvm_slot_bytes = 4000", "nvm_slots = 4000", "nvm_slots = 4000", 'did you mean "nvm_slot_bytes"'),
        ('name = "yard"', "name = 1", "name = 1", "must be text"),
        ("[clock]", "[clock", "[clock", "closing bracket"),
        ("[clock]", "[[clock]]", "[[clock]]", "there is one of it"),
        ("[states.asleep]", "[states]\nasleep = 110\n[states.a]", "asleep = 110", "there is one of it"),
    ],
)
def test_a_slip_is_named_with_its_line(write, old, new, needle, reason):
    assert YARD.count(old) >= 1
    text = YARD.replace(old, new, 1)
    with pytest.raises(ScenarioError) as caught:
        board.load(write(text))
    assert reason in str(caught.value)
    assert caught.value.line == line_of(text, needle)
    assert "\n" not in str(caught.value)


def test_every_cut_of_a_profile_is_an_error_or_harmless(write):
    whole = board.load(write(YARD))
    end = len(YARD.rstrip())
    for length in range(0, end, 13):
        try:
            found = board.load(write(YARD[:length]))
        except ScenarioError as error:
            assert "\n" not in str(error)  # noqa: PT017 - both outcomes are right, for different lengths
        else:
            # only what has a default may be missing: the last table's last lines
            assert length > YARD.index("[sleep_timer]")
            assert found.states == whole.states
