"""Law: a scenario comes out whole, or one line names file, line and reason and repeats nothing of the file."""

import os
import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hostsim import board, scenario, scenario_notes, weather
from hostsim.faults import Fault
from hostsim.scenario_lines import lines_of
from hostsim.scenario_text import SIZE_MAX, ScenarioError, nearest

SECRET = "oak-beech-and-ash"
NODE = f"""node = "shed"
[broker]
host = "broker.yard.example"
password = "{SECRET}"
[[network]]
ssid = "kiln-shed"
password = "{SECRET}"
[[analog]]
name = "battery"
pin = "A0"
"""
SCENARIO = f"""name = "one shed"
start = 2027-03-01
days = 2

[[node]]
settings = "shed.toml"
cell = {{ capacity_mah = 1000 }}

[[network]]
ssid = "kiln-shed"
password = "{SECRET}"
outage = [
    {{ from_day = 0.1, to_day = 0.2, kind = "absent" }},
    {{ from_day = 0.3, to_day = 0.4, kind = "locked" }},
]

[broker]
outage = [{{ from_day = 1.0, to_day = 1.5, kind = "down" }}]

[[fault]]
name = "card-removed"
node = "shed"
from_day = 0.5
to_day = 0.6

[require]
lost_max = 0
"""


@pytest.fixture
def write(tmp_path):
    def write(text=SCENARIO, node=NODE):
        if node is not None:
            (tmp_path / "shed.toml").write_text(node)
        path = tmp_path / "scenario.toml"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    return write


def refused(path):
    with pytest.raises((ScenarioError, weather.WeatherError)) as caught:
        scenario.load(path)
    assert SECRET not in str(caught.value)
    assert "\n" not in str(caught.value)
    return caught.value


def changed(old, new, text=SCENARIO):
    assert text.count(old) >= 1
    return text.replace(old, new, 1)


def test_what_the_file_says_is_what_comes_out(write):
    found = scenario.load(write())
    assert (found.name, found.days, found.seed, found.start_epoch_s) == ("one shed", 2, 1, 1803877200)
    plan = found.nodes[0]
    assert (plan.name, plan.cell["capacity_mah"], plan.light, plan.board.name) == ("shed", 1000, 1.0, "yard")
    assert found.networks[0].windows == [(8640.0, 17280.0, "absent"), (25920.0, 34560.0, "locked")]
    assert found.broker_windows == [(86400.0, 129600.0, "down")]
    assert found.faults == [Fault("card-removed", "shed", 43200.0, 51840.0)]
    assert found.require == {"lost_max": 0}
    assert scenario_notes.notes(found) == []


def test_a_folder_stands_for_its_scenario(write):
    assert scenario.load(write().parent).name == "one shed"


def test_a_mark_at_the_beginning_and_dos_lines_change_nothing(write):
    plain = scenario.load(write())
    dos = scenario.load(write(b"\xef\xbb\xbf" + SCENARIO.replace("\n", "\r\n").encode()))
    assert (dos.name, dos.networks[0].windows) == (plain.name, plain.networks[0].windows)
    path = write(b"\xef\xbb\xbf" + changed("days = 2", "days = 2\nbogus = 1").replace("\n", "\r\n").encode())
    assert refused(path).line == 4


BAD = [
    # old, new, line, words of the reason
    ('name = "one shed"', "", None, "name is missing"),
    ('name = "one shed"', 'nmae = "one shed"', 1, 'did you mean "name"'),
    ('name = "one shed"', "name = 3", 1, "must be text in quotes"),
    ('name = "one shed"', 'name = ""', 1, "must not be empty"),
    ('name = "one shed"', "name = one shed", 1, "text stands in quotes"),
    ('name = "one shed"', f'name = "{SECRET}', 1, "closing quote"),
    ('name = "one shed"', f'"{SECRET}" = 1\n"{SECRET}" = 1', 2, "stands further up already"),
    ('name = "one shed"', f'name = "x"\n"{SECRET}" = 1', 2, "is not known; known: "),
    ('name = "one shed"', f'name = "x"\n{SECRET}', 2, "= is expected"),
    ('name = "one shed"', f'name = "x" {SECRET}', 1, "goes on after its value"),
    ("days = 2", "days = 0", 3, "from 0.01 to 3660"),
    ("days = 2", "days = -1", 3, "from 0.01 to 3660"),
    ("days = 2", "days = nan", 3, "from 0.01 to 3660"),
    ("days = 2", "days = inf", 3, "from 0.01 to 3660"),
    ("days = 2", "days = 1e999", 3, "from 0.01 to 3660"),
    ("days = 2", 'days = "2"', 3, "from 0.01 to 3660"),
    ("days = 2", "days = true", 3, "from 0.01 to 3660"),
    ("days = 2", "days = " + "9" * 5000, None, "thousands of digits"),
    ("days = 2", "days = 2\nseed = 4294967296", 4, "from 0 to 4294967295"),
    ("days = 2", "days = 2\nseed = 1.0", 4, "whole number"),
    ("days = 2", "days = 2\nsed = 1", 4, 'did you mean "seed"'),
    ("days = 2", "days = 2\ndays = 3", 4, "stands further up already"),
    ("start = 2027-03-01", 'start = "2027-03-01"', 2, "a date without quotes"),
    ("start = 2027-03-01", "start = 2027-03-01T00:00:00", 2, "a date without quotes"),
    ("start = 2027-03-01", "start = 2027-02-30", 2, "no such date"),
    ("start = 2027-03-01", "start = 2026-12-31", 2, "2027 to 2045"),
    ("start = 2027-03-01", "start = 1", 2, "a date without quotes"),
    ("[[node]]", "[node]", 5, "[[node]]"),
    ("[[network]]", "[network]", 9, "[[network]]"),
    ("[broker]", "[[broker]]", 17, "[broker]"),
    ("[broker]", "[brokr]", 17, 'did you mean "broker"'),
    ("[require]", "[require", 26, "closing bracket"),
    ('settings = "shed.toml"', "", 5, "settings is missing"),
    ('settings = "shed.toml"', 'setings = "shed.toml"', 6, 'did you mean "settings"'),
    ('settings = "shed.toml"', 'settings = "barn.toml"', 6, "No such file"),
    ('settings = "shed.toml"', 'settings = "../"', None, "is a folder"),
    ('settings = "shed.toml"', 'settings = "\\u0000"', 6, "cannot be the name of a file"),
    ('settings = "shed.toml"', f'settings = "{"x" * 3000}"', 6, "File name too long"),
    ('settings = "shed.toml"', f'settings = "{"x" * 5000}"', 6, "at most 4096 bytes"),
    ('settings = "shed.toml"', 'settings = "shed.toml"\nboard = "yrd"', 7, 'did you mean "yard"'),
    ('settings = "shed.toml"', 'settings = "shed.toml"\nboard = "x.toml"', 7, "No such file"),
    ('settings = "shed.toml"', 'settings = "shed.toml"\nlight = 2', 7, "from 0 to 1"),
    ('settings = "shed.toml"', 'settings = "shed.toml"\n[node.enclosure]\npreset = 1', 8, "must be text"),
    ('settings = "shed.toml"', 'settings = "shed.toml"\nenclosure = { preset = [] }', 7, "must be text"),
    ('settings = "shed.toml"', 'settings = "shed.toml"\nenclosure = { preset = "shild" }', 7, '"shield"'),
    ('settings = "shed.toml"', 'settings = "shed.toml"\nenclosure = { shde = 1 }', 7, 'did you mean "shade"'),
    ('settings = "shed.toml"', 'settings = "shed.toml"\nenclosure = { shade = 1.1 }', 7, "from 0 to 1"),
    ('settings = "shed.toml"', 'settings = "shed.toml"\nenclosure = { area_m2 = 1e6 }', 7, "makes no housing"),
    ('settings = "shed.toml"', 'settings = "shed.toml"\nenclosure = { board_heat_w = 1e6 }', 7, "makes no housing"),
    ('settings = "shed.toml"', 'settings = "shed.toml"\nenclosure = { shell_j_per_k = 0 }', 7, "from 0.0001"),
    ("capacity_mah = 1000", "capacity_mah = 0", 7, "from 1 to 1e+06"),
    ("capacity_mah = 1000", "capacity = 1000", 7, 'did you mean "capacity_mah"'),
    ("capacity_mah = 1000", 'kind = "lead"', 7, "one of lipo, nmc"),
    ("capacity_mah = 1000", "self_discharge_percent_per_month = 0", 7, "from 0.01 to 99"),
    ("cell = { capacity_mah = 1000 }", "cell = 1000", 7, "node#1.cell is a section"),
    ('ssid = "kiln-shed"', "", 9, "network#1.ssid is missing"),
    ('ssid = "kiln-shed"', 'sid = "kiln-shed"', 10, 'did you mean "ssid"'),
    ('ssid = "kiln-shed"', 'ssid = "' + "x" * 33 + '"', 10, "at most 32 bytes"),
    ('ssid = "kiln-shed"', 'ssid = "kiln-shed"\nreach = ["barn"]', 11, "one of shed"),
    ('ssid = "kiln-shed"', 'ssid = "kiln-shed"\nreach = "shed"', 11, "a list of names"),
    ('ssid = "kiln-shed"', 'ssid = "kiln-shed"\nreach = []', 11, "names nobody"),
    ('ssid = "kiln-shed"', 'ssid = "kiln-shed"\nrssi_dbm = 71', 11, "from -100 to 0"),
    ('ssid = "kiln-shed"', 'ssid = "kiln-shed"\nrtt_ms = 0', 11, "from 1 to 5000"),
    ('ssid = "kiln-shed"', 'ssid = "kiln-shed"\npresence = { from_hour = 22, to_hour = 6 }', 11, "after from_hour"),
    ('ssid = "kiln-shed"', 'ssid = "kiln-shed"\npresence = { from_hour = 7 }', 11, "to_hour is missing"),
    (
        'ssid = "kiln-shed"',
        'ssid = "kiln-shed"\npresence = { from_hour = 7, to_hour = 8, weekdays = ["sunday"] }',
        11,
        "one of mon, tue",
    ),
    ("to_day = 0.4", "to_day = 0.3", 14, "outage#2.to_day must be after from_day"),
    ("to_day = 0.4", "to_day = 0.2", 14, "outage#2.to_day must be after from_day"),
    ("from_day = 0.3", "from_day = 0.15", 14, "overlaps the outage from day 0.1 to 0.2"),
    ("from_day = 0.3", "from_dya = 0.3", 14, 'did you mean "from_day"'),
    ("from_day = 0.3", "from_day = -1", 14, "from 0 to 3660"),
    ("from_day = 0.3", "from_day = nan", 14, "from 0 to 3660"),
    ("from_day = 0.3, ", "", 14, "from_day is missing"),
    ("from_day = 0.1, to_day = 0.2, ", "", 13, "from_day is missing"),
    ("[[fault]]", "[[falt]]", 20, 'did you mean "fault"'),
    ('ssid = "kiln-shed"', 'ssid = "kiln-shed"\npresence = { to_hour = 7 }', 11, "from_hour is missing"),
    ('"locked"', '"loked"', 14, 'did you mean "locked"'),
    ('"locked"', f'"{SECRET}"', 14, "one of absent, locked"),
    (', kind = "down"', "", 18, "kind is missing"),
    ('kind = "down"', 'kind = "up"', 18, "one of down, refuses"),
    ('node = "shed"', 'node = "shad"', 22, 'did you mean "shed"'),
    ('"card-removed"', '"card-lost"', 21, "card-removed"),
    ("to_day = 0.6", "to_day = 0.6\nkind = 1", 25, "is not known"),
    ("lost_max = 0", "lost_mx = 0", 27, 'did you mean "lost_max"'),
    ("lost_max = 0", "lost_max = -1", 27, "from 0"),
    ("lost_max = 0", "delivered = 99.9", 27, "from 0 to 1"),
    ("lost_max = 0", "lost_max = true", 27, "must be a number"),
    ("[require]", 'colour = "green"\n[require]', 26, "is not known in fault#1"),
    ("[require]", '[weather]\nfile = "none.csv"\n[require]', 27, "No such file"),
    ("[require]", '[weather]\nfile = "shed.toml"\n[require]', 1, "neither TMY3 nor EPW"),
    ("[require]", '[weather]\nfil = "bundled"\n[require]', 27, 'did you mean "file"'),
    ("[require]", '[weather]\nfile = "\\u0000"\n[require]', 27, "cannot be the name"),
]


@pytest.mark.parametrize(("old", "new", "line", "reason"), BAD, ids=range(len(BAD)))
def test_a_slip_is_named_with_its_line(write, old, new, line, reason):
    error = refused(write(changed(old, new)))
    assert reason in str(error)
    assert error.line == line


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (b"", "is empty"),
        (b" \n\r\n", "is empty"),
        (b"\x00" * 100, ""),
        (bytes(range(256)), "UTF-8"),
        ("name = 'x'".encode("utf-16"), "UTF-8"),
        (b"x = " + b"[" * 100_000, "too deep"),
        (b"x = " + b"{a=" * 100_000, "too deep"),
        (b"x = " + b"[" * 500 + b"]" * 500, ""),
        (b"a." * 5000 + b"a = 1", ""),
        (b"#" * (SIZE_MAX + 1), "larger than 1024 KiB"),
    ],
)
def test_what_is_no_scenario_at_all(write, data, reason):
    path = write(data)
    error = refused(path)
    assert reason in str(error)
    assert str(path) in str(error)


def test_two_nodes_with_one_settings_file(write):
    assert refused(write(SCENARIO + '[[node]]\nsettings = "shed.toml"\n')).line == 29


@pytest.mark.parametrize("node", ["", "x = ", 'node = "', f'node = "x\npassword = "{SECRET}"', "node = 1", "a = 1"])
def test_settings_that_cannot_be_read_are_named(write, node):
    path = write(node=node)
    assert refused(path).path == path.parent / "shed.toml"


def test_refused_settings_carry_the_words_of_who_refuses(write):
    with pytest.raises(ScenarioError) as caught:
        scenario.load(write(), None, lambda data: (7, f"{len(data)} bytes"))
    assert (caught.value.line, caught.value.reason) == (7, f"{len(NODE)} bytes")
    assert scenario.load(write(), None, lambda data: None).name == "one shed"


def test_settings_may_lie_elsewhere_and_be_a_link(write, tmp_path):
    (tmp_path / "sub").mkdir()
    write()
    os.symlink(tmp_path / "shed.toml", tmp_path / "sub" / "link.toml")
    moved = tmp_path / "sub" / "scenario.toml"
    for name in ("../shed.toml", "link.toml", str(tmp_path / "shed.toml")):
        moved.write_text(changed("shed.toml", name))
        assert scenario.load(moved).nodes[0].name == "shed"


def test_a_link_to_itself_is_an_error_with_a_name(tmp_path):
    os.symlink(tmp_path / "a.toml", tmp_path / "a.toml")
    assert "a.toml" in str(refused(tmp_path / "a.toml"))


def test_a_profile_is_looked_for_beside_the_scenario(write, monkeypatch):
    path = write(changed("cell =", 'board = "mine.toml"\ncell ='))
    (path.parent / "mine.toml").write_bytes((board.BUNDLED / "yard.toml").read_bytes())
    monkeypatch.chdir("/")
    assert scenario.load(path).nodes[0].board.name == "yard"


@pytest.mark.parametrize(
    ("old", "new", "node_old", "node_new", "note"),
    [
        ('ssid = "kiln-shed"', 'ssid = "kiln-sheds"', "", "", "no node in its reach has it"),
        (f'password = "{SECRET}"', 'password = "another-one"', "", "", "its password is not the one"),
        ("", "", 'ssid = "kiln-shed"', 'ssid = "yard"', "nothing will be delivered"),
        ("", "", 'name = "battery"', 'name = "soil"', "nothing is simulated for soil"),
    ],
)
def test_contradictions_get_a_note_and_stop_nothing(write, old, new, node_old, node_new, note):
    found = scenario.load(write(changed(old, new), changed(node_old, node_new, NODE)))
    notes = scenario_notes.notes(found)
    assert any(note in line for line in notes)
    assert not any(SECRET in line or "another-one" in line for line in notes)


def test_the_nearest_name():
    assert nearest("Dayz", ["days", "seed"]) == "days"
    assert nearest(SECRET, ["days", "seed"]) is None


def paths_of(value, path=()):
    found = {path} if path else set()
    inside = enumerate(value) if isinstance(value, list) else value.items() if isinstance(value, dict) else ()
    for key, entry in inside:
        found |= paths_of(entry, (*path, key))
    return found


LINES = '''
a = 1
"b c".d = [ # comment ] "
  'x]', """y
" ]\\""""", { e = 1, "f" = [ {g = 2}
  ] }
]
[h . i]
j = 2027-01-01 00:00:00
[[k]]
[[k]]
l = \'\'\'
[[k]] # = \'\'\'
[k.m]
n = { o.p = 1 }
[[k.q]]
r.s = "\\\\"
'''


def test_every_name_has_its_own_line():
    lines = lines_of(LINES)
    assert set(lines) == paths_of(tomllib.loads(LINES))
    assert lines["b c", "d", 2, "f", 0, "g"] == 5
    assert (lines["k", 0], lines["k", 1], lines["k", 1, "m", "n"], lines["k", 1, "q", 0, "r"]) == (10, 11, 15, 17)


keys = st.text("abz_-9", min_size=1, max_size=4)
values = st.recursive(
    st.sampled_from(["1", "true", "2027-01-01", '"#[{\\""', "'\\'", '"""a\nb]"""', "-inf"]),
    lambda inner: (
        st.lists(inner, max_size=3).map(lambda items: "[\n" + ",\n# ]\n".join(items) + "]")
        | st.dictionaries(keys, inner, max_size=3).map(
            lambda items: "{" + ",".join(f" {key} ={value}" for key, value in items.items()) + "}"
        )
    ),
    max_leaves=8,
)


@settings(max_examples=200, deadline=None)
@given(st.dictionaries(keys, values, max_size=5), st.dictionaries(keys, values, max_size=3))
def test_lines_of_whatever_is_toml(flat, section):
    text = "".join(f"{key} = {value}\n" for key, value in flat.items())
    text += "[[section]]\n" + "".join(f"{key}={value}\n" for key, value in section.items())
    lines = lines_of(text)
    assert set(lines) == paths_of(tomllib.loads(text))
    for key in flat:
        assert text.split("\n")[lines[(key,)] - 1].startswith(f"{key} = ")
