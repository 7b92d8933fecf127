"""Boards built alike: each gets what is shared and its own, nothing of another's; lines are the batch's."""

import tomllib

import pytest
from hypothesis import given
from hypothesis import settings as budget
from hypothesis import strategies as st

from deploy import batch
from deploy.batch_text import toml_text
from deploy.check_finding import ERROR
from deploy.check_look import Wishes, clashes, look
from deploy.check_show import block
from deploy.check_source import read
from hostsim import board
from hostsim.runtimes.settings_check import judged

YARD = board.load(board.BUNDLED / "yard.toml")
BATCH = """# three boards between the stacks
sample_every_s = 600
transmit_every_s = 3600

[broker]
host = "broker.joinery.lan"
tls = false
username = "yard"
password = "larch-and-spruce"

[[network]]
ssid = "yard-office"
password = "twelve-planks-high"

[[sensor]]
driver = "adafruit_sht4x.SHT4x"
read = ["temperature"]

[[node]]
name = "north-stack"

[[node]]
name = "south-stack"
transmit_every_s = 7200
broker.password = "only-its-own"

[[node]]
name = "yard-mast"
network = [{ ssid = "kiln-shed", password = "slow-and-even-heat" }]
[node.card]
size_mib = 128
"""


def source_of(folder, text, name="batch.toml"):
    (folder / name).write_text(text)
    return read(folder / name)


def errors(source):
    """[(line, key, names of the nodes)] of all errors, those between nodes too."""
    looked = look(source, Wishes(YARD, "yard"))
    for of, place, finding in clashes([source]):
        of.findings.append((place, finding))
    found = [(place.line, place.key, "") for place, finding in source.findings if finding.level == ERROR]
    for one in looked:
        found += [(place.line, place.key, one.subject.name) for place, two in one.findings if two.level == ERROR]
    return found


def test_each_board_gets_what_is_shared_and_its_own(tmp_path):
    source = source_of(tmp_path, BATCH)
    assert errors(source) == []
    north, south, mast = [subject.complete for subject in source.subjects]
    assert [one["node"] for one in (north, south, mast)] == ["north-stack", "south-stack", "yard-mast"]
    assert [one["transmit_every_s"] for one in (north, south, mast)] == [3600, 7200, 3600]
    assert [one["broker"]["password"] for one in (north, south)] == ["larch-and-spruce", "only-its-own"]
    assert south["broker"]["username"] == "yard"
    assert [one["card"]["size_mib"] for one in (north, south, mast)] == [64, 64, 128]
    # a repeated section of a board's own replaces all of the shared ones
    assert [[two["ssid"] for two in one["network"]] for one in (south, mast)] == [["yard-office"], ["kiln-shed"]]


def line(text, start, after=""):
    begin = text.index(after) if after else 0
    return text[: text.index(start, begin)].count("\n") + 1


# (what is replaced, by what, [(beginning of the line named, key, of which node)])
ALL = ("north-stack", "south-stack", "yard-mast")
MISTAKES = [
    ("sample_every_s = 600", "sample_every_s = 5", "sample_every_s", "sample_every_s", ALL),
    ("transmit_every_s = 7200", "transmit_every_s = 1", "transmit_every_s = 1", "transmit_every_s", ALL[1:2]),
    ("size_mib = 128", "size_mib = 0", "size_mib", "card.size_mib", ALL[2:]),
    ("slow-and-even-heat", "short", "network = [", "network#1.password", ALL[2:]),
    (', password = "slow-and-even-heat"', "", "network = [", "network#1.password", ALL[2:]),
    ("twelve-planks-high", "short", "password = \"short", "network#1.password", ALL[:2]),
    ('name = "south-stack"', 'name = "South Stack"', 'name = "South', "name", ("South Stack",)),
    ('name = "south-stack"', 'name = "north-stack"', 'name = "north-stack"\ntr', "name", ("",)),
    ('name = "south-stack"', "", "[[node]]\n\ntransmit", "node#2.name", ("",)),
    ('name = "south-stack"', "name = 7", "name = 7", "name", ("",)),
    ('host = "broker.joinery.lan"', "", "[broker]", "broker.host", ALL),
    ("sample_every_s = 600", "sample_every_s = 1.5", "sample_every_s", "sample_every_s", ALL),
    ("transmit_every_s = 7200", "transmit_every_s = 2027-05-27", "transmit_every_s = 2", "transmit_every_s",
     ALL[1:2]),
    ("size_mib = 128", "size_mib = 128\nsoze = 1", "soze", "card, a name", ALL[2:]),
    ("size_mib = 128", "size_mib = 128\n[node.kard]\nx = 1", "[node.kard]", "a name", ALL[2:]),
]  # fmt: skip


@pytest.mark.parametrize("mistake", MISTAKES, ids=[mistake[1] or mistake[0] for mistake in MISTAKES])
def test_a_mistake_is_told_with_its_line_in_the_batch(tmp_path, mistake):
    before, after, start, key, nodes = mistake
    assert before in BATCH
    text = BATCH.replace(before, after)
    assert errors(source_of(tmp_path, text)) == [(line(text, start), key, node) for node in nodes]


def test_two_of_one_client_id_are_an_error(tmp_path):
    twice = BATCH.replace('username = "yard"', 'username = "yard"\nclient_id = "mast"')
    found = errors(source_of(tmp_path, twice))
    assert found == [(line(twice, "client_id"), "broker.client_id", "")] * 2
    own = BATCH.replace('broker.password = "only-its-own"', 'broker.client_id = "mast"')
    assert errors(source_of(tmp_path, own)) == []


def test_one_name_in_two_files_is_an_error_at_one_broker_only(tmp_path):
    one = source_of(tmp_path, BATCH)
    alone = toml_text(tomllib.loads(one.subjects[0].text))
    other = source_of(tmp_path, alone, "settings.toml")
    found = list(clashes([one, other]))
    assert [(source.path.name, place.key, finding.level) for source, place, finding in found] == [
        ("settings.toml", "node", ERROR)
    ]
    assert "batch.toml, line" in found[0][2].reason
    elsewhere = source_of(tmp_path, alone.replace("broker.joinery.lan", "kiln.lan"), "settings.toml")
    assert list(clashes([one, elsewhere])) == []


@pytest.mark.parametrize("text", ["[node]\nname = 'a'\n", "node = []\n", "node = [1]\n"])
def test_a_list_of_boards_that_is_none(tmp_path, text):
    source = source_of(tmp_path, text)
    assert (source.is_batch, source.subjects) == (True, [])
    assert [(place.line, finding.level) for place, finding in source.findings] == [(1, ERROR)]


# What is written for a board is what it reads.

TEXT = st.text(st.characters(codec="utf-8"), max_size=12)
SCALAR = st.booleans() | st.integers(-(2**63), 2**63 - 1) | TEXT
VALUE = (
    SCALAR
    | st.lists(SCALAR, max_size=3)
    | st.lists(st.dictionaries(TEXT, SCALAR, max_size=2), min_size=1, max_size=2)
)


@given(st.dictionaries(TEXT, VALUE | st.dictionaries(TEXT, VALUE, max_size=3), max_size=5))
def test_whatever_is_written_is_read_back(settings):
    assert tomllib.loads(toml_text(settings)) == settings


@given(TEXT, TEXT)
def test_the_board_reads_a_password_as_it_was(ssid, password):
    settings = {
        "node": "n",
        "broker": {"host": "b", "password": password},
        "network": [{"ssid": "s" + ssid, "password": ""}],
        "analog": [{"name": "a", "pin": "A0"}],
    }
    complete, problems = judged(toml_text(settings).encode())
    if not problems:
        assert complete["broker"]["password"] == password
        assert complete["network"][0]["ssid"] == "s" + ssid
    else:
        # control characters, and names that are too long, are no settings
        assert {one.key for one in problems} <= {"broker.password", "network#1.ssid"}


@given(st.dictionaries(st.sampled_from("abc"), st.dictionaries(st.sampled_from("xyz"), st.integers())), st.data())
def test_what_is_put_over_changes_nothing_else(shared, data):
    own = data.draw(st.dictionaries(st.sampled_from("abc"), st.dictionaries(st.sampled_from("xyz"), st.integers())))
    before = repr(shared)
    merged = batch.merged(shared, own)
    assert repr(shared) == before
    for section in "abc":
        expected = {**shared.get(section, {}), **own.get(section, {})}
        assert merged.get(section, {}) == expected


@budget(max_examples=80, deadline=None)
@given(st.data(), st.text(st.sampled_from('[]{}="\\n#.,x0-_ '), max_size=8))
def test_whatever_is_typed_is_told_and_never_raises(tmp_path_factory, data, typed):
    at = data.draw(st.integers(0, len(BATCH)))
    text = BATCH[:at] + typed + BATCH[at + data.draw(st.integers(0, 12)) :]
    folder = tmp_path_factory.mktemp("typed")
    source = source_of(folder, text)
    looked = look(source, Wishes(YARD, "yard"))
    list(clashes([source]))
    block(source, looked)
    lines = text.count("\n") + 2
    assert all(0 <= place.line <= lines for one in looked for place, _ in one.findings)
