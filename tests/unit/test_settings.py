"""The settings: complete when accepted, every mistake named when not, no secret repeated in either case."""

import json
import shutil
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import settings as budget
from hypothesis import strategies as st
from torpor import record, ring_layout, settings, settings_advice, settings_kinds, settings_table
from torpor.sensors.quantities import channels
from torpor.settings_table import DEFAULT, HIGH, KEY, KIND, LOW, RAIL, SECRET, SECTION, SECTIONS

ROOT = Path(__file__).resolve().parents[2]
TEMPLATE = (ROOT / "firmware" / "settings.toml").read_bytes()
ROWS = [row for section in SECTIONS for row in settings_table.explain(section[0])]
SMALLEST = """
node = "n"
[broker]
host = "b"
[[network]]
ssid = "s"
password = ""
[[analog]]
name = "a"
pin = "A0"
"""
REPEATED = [section[0] for section in SECTIONS if section[1]]
# what a section that the smallest file does not have must say
REQUIRED = {
    "sensor": 'driver = "m.C"\nread = ["p"]\n',
    "bus": 'name = "i2c"\nscl = "D1"\nsda = "D2"\n',
    "quantity": 'property = "p"\nunit = "m"\ndecimals = 1\n[[sensor]]\ndriver = "m.C"\nread = ["p"]\n',
    "sound": 'sensitivity_tenth_dbfs = -260\nclock = "D1"\ndata = "D2"\n',
}
NONSENSE = b"".join([b"key%d = 1\n" % number for number in range(500)])


def read(text):
    return settings.read(text.encode())


def problems(text):
    with pytest.raises(settings.SettingsError) as caught:
        read(text)
    return caught.value.problems


def keys(text):
    return [problem[1] for problem in problems(text)]


def with_key(row, written):
    """The smallest file with one key of one section set to `written`, instead of what stands there."""
    path = f"\n{row[KEY]} = "
    header = f"[[{row[SECTION]}]]" if row[SECTION] in REPEATED else f"[{row[SECTION]}]" if row[SECTION] else ""
    before, found, section = ("", "", SMALLEST) if not header else SMALLEST.partition(header)
    if not found and header:
        before, found, section = SMALLEST + header, "", "\n" + REQUIRED.get(row[SECTION], "")
    own, bracket, after = section.partition("\n[")
    lines = [line for line in own.split("\n") if line and not ("\n" + line).startswith(path)]
    return before + found + path + written + "\n" + "\n".join(lines) + "\n" + bracket + after


def called(row):
    repeated = row[SECTION] in REPEATED
    return (f"{row[SECTION]}{'#1' if repeated else ''}." if row[SECTION] else "") + row[KEY]


# What is accepted.


def test_the_template_is_read_and_survives_json():
    got = settings.read(TEMPLATE)
    assert json.loads(json.dumps(got)) == got
    assert got["node"] == "north-stack"
    assert [network["ssid"] for network in got["network"]] == ["yard-office", "kiln-shed", "foreman-hotspot"]
    assert [name for name, _, _, _ in channels(got)] == ["temperature", "relative-humidity", "lux", "wood-probe"]
    assert not any(key.startswith("CIRCUITPY") for key in got)


def test_every_key_of_the_table_is_there_and_no_other():
    got = settings.read(TEMPLATE)
    tables = {"": got} | {section[0]: got[section[0]] for section in SECTIONS[1:]}
    for section in SECTIONS:
        expected = {row[KEY] for row in settings_table.explain(section[0])}
        if section[0] == "":
            expected |= {other[0] for other in SECTIONS[1:]}
        for table in tables[section[0]] if section[1] else [tables[section[0]]]:
            assert section[0] == "rails" or set(table) == expected


def test_the_smallest_file_gets_every_default():
    got = read(SMALLEST)
    for row in ROWS:
        if row[DEFAULT] is not None and row[SECTION] not in REQUIRED and called(row) != "broker.port":
            place = got[row[SECTION]] if row[SECTION] else got
            place = place[0] if isinstance(place, list) else place
            assert place[row[KEY]] == row[DEFAULT], called(row)
    assert got["sensor"] == got["bus"] == []
    assert got["rails"] == {}


def test_settings_do_not_share_lists():
    read(SMALLEST)["time"]["servers"].append("x")
    assert read(SMALLEST)["time"]["servers"] == ["pool.ntp.org"]


@pytest.mark.parametrize(
    ("lines", "port"), [("", 8883), ("tls = true", 8883), ("tls = false", 1883), ("tls = false\nport = 7", 7)]
)
def test_the_port_is_resolved(lines, port):
    assert read(SMALLEST.replace("[broker]", f"[broker]\n{lines}"))["broker"]["port"] == port


@pytest.mark.parametrize("name", settings.JOINS_EARLY)
def test_keys_that_join_early_are_refused(name):
    ((line, key, reason, _),) = problems(f'{name} = "x"\n' + SMALLEST)
    assert (line, key) == (1, name)
    assert "before the sensors" in reason


def test_other_platform_keys_pass_at_the_top_and_only_there():
    assert read('CIRCUITPY_X = "x"\nCIRCUITPY_Y = 3\nCIRCUITPY_Z = false\n' + SMALLEST) == read(SMALLEST)
    ((_, key, _, remedy),) = problems(SMALLEST + "CIRCUITPY_X = 1\n")
    assert key == "analog#1.CIRCUITPY_X"
    assert "above the first section" in remedy


# The table itself.


def test_every_default_fits_its_own_row():
    for row in ROWS:
        assert row[DEFAULT] is None or settings_kinds.misfit(row, row[DEFAULT]) == "", called(row)


def test_the_secrets_are_the_passwords():
    assert [called(row) for row in ROWS if row[SECRET]] == ["broker.password", "network#1.password"]


def test_no_sentence_or_key_is_missing_and_no_key_stands_twice():
    assert len({(row[SECTION], row[KEY]) for row in ROWS}) == len(ROWS) == 84
    assert all(row[-1].endswith(".") and row[-1][0].isupper() for row in [*ROWS, RAIL])


@pytest.mark.parametrize("row", [row for row in ROWS if row[KIND] == "int"], ids=called)
def test_numbers_are_held_to_their_bounds(row):
    for value in (row[LOW], row[HIGH]):
        assert settings_kinds.misfit(row, value) == ""
    for value in (row[LOW] - 1, row[HIGH] + 1, -(2**63), 2**63 - 1):
        found = [problem for problem in problems(with_key(row, str(value))) if problem[1] == called(row)]
        assert [f"{row[LOW]} to {row[HIGH]}" in remedy for _, _, _, remedy in found] == [True]


@pytest.mark.parametrize("row", ROWS, ids=called)
def test_another_type_is_one_problem_at_its_own_line(row):
    wrong = {
        "int": ("true", '"5"', "[5]"),
        "bool": ("1", '"true"'),
        "props": ('"a"', "[1]", "{}"),
        "hosts": ("1",),
    }
    for written in wrong.get(row[KIND], ("1", "true", '["a"]', "{}")):
        text = with_key(row, written)
        line = text.split("\n").index(f"{row[KEY]} = {written}") + 1
        assert [problem[:2] for problem in problems(text)] == [(line, called(row))]


@pytest.mark.parametrize("row", [row for row in ROWS if row[DEFAULT] is None], ids=called)
def test_required_keys_are_asked_for(row):
    text = with_key(row, "1").replace(f"\n{row[KEY]} = 1", "")
    assert [problem[1:3] for problem in problems(text)] == [(called(row), "is missing")]


@pytest.mark.parametrize(
    ("section", "key", "good", "bad"),
    [
        ("", "node", ["a", "a-9", "n" * 32], ["", "A", "a_b", "ä", "n" * 33, "a b"]),
        (
            "broker",
            "host",
            ["h", "192.0.2.1", "a-b.c_d", "h" * 253],
            ["", "mqtt://h", "h:1883", "a b", "h" * 254],
        ),
        ("broker", "ca", ["/ca.pem"], ["c" * 129, "a\u0000", "a\n"]),
        ("broker", "username", ["", "é" * 32], ["é" * 33, "\u007f"]),
        ("broker", "password", ["", "p" * 128, " "], ["p" * 129, "\u0001"]),
        ("network", "ssid", ["s", "é" * 16, "a b"], ["", "é" * 17, "s" * 33]),
        ("network", "password", ["", "p" * 8, "p" * 64, "é" * 4], ["p", "p" * 7, "p" * 65, "é" * 33]),
        (
            "network",
            "dns",
            ["", "0.0.0.0", "255.255.255.255"],
            ["1.2.3", "1.2.3.256", "01.2.3.4", "1.2.3.4.5", "a.b.c.d"],
        ),
        ("network", "dns", ["10.0.0.1"], ["1.2.3.", "1.2.3.-4", "1.2.3.+4", " 1.2.3.4", "1.2.3.٤", "::1"]),
        (
            "sensor",
            "driver",
            ["m.C", "a.b.C", "_m._C"],
            ["m", "m.", ".C", "m..C", "1m.C", "m.C()", "mé.C", ""],
        ),
        ("sensor", "label", ["", "top", "t" * 16], ["T", "t" * 17, "a_b"]),
        ("bus", "name", ["i2c", "a-1"], ["", "A", "n" * 33]),
        ("bus", "scl", ["SCL", "GP1"], ["", "p" * 33, "a\n"]),
        ("analog", "name", ["a-1"], ["", "A", "n" * 33]),
        ("analog", "pin", ["A0"], ["", "p" * 33]),
        ("time", "rtc", ["internal", "ds3231", "pcf8523"], ["", "DS3231", "intern"]),
    ],
)
def test_texts_are_held_to_their_form(section, key, good, bad):
    (row,) = [row for row in ROWS if (row[SECTION], row[KEY]) == (section, key)]
    for text in good:
        read(with_key(row, json.dumps(text)))
    for text in bad:
        assert keys(with_key(row, json.dumps(text))) == [called(row)], text


@pytest.mark.parametrize(
    ("section", "key", "good", "bad"),
    [
        (
            "sensor",
            "read",
            [["p"], list("tuvwxyz"), ["p" * 32, "_9"]],
            [[], list("qrstuvwxy"), ["p", "p"], ["a-b"], ["1"], [""], ["a" * 33]],
        ),
        (
            "time",
            "servers",
            [[], ["a", "a", "b", "c"]],
            [list("abcde"), ["a b"], [""], ["h" * 254], ["a", 1]],
        ),
    ],
)
def test_lists_are_held_to_their_form(section, key, good, bad):
    (row,) = [row for row in ROWS if (row[SECTION], row[KEY]) == (section, key)]
    for items in good:
        read(with_key(row, json.dumps(items)))
    for items in bad:
        assert keys(with_key(row, json.dumps(items))) == [called(row)], items


# Rules between keys.

NETWORK = '[[network]]\nssid = "s{}"\npassword = ""\n'
SENSOR = '[[sensor]]\ndriver = "m.C"\nread = ["t"]\n'
BUS = '[[bus]]\nname = "far"\nscl = "D1"\nsda = "D2"\n'
QUANTITY = '[[quantity]]\nproperty = "t"\nunit = "kg/m3"\ndecimals = 2\n'
SOUND = '[[sound]]\nsensitivity_tenth_dbfs = -260\nclock = "D1"\ndata = "D2"\n'
ANALOG = '[[analog]]\nname = "b{}"\npin = "A1"\n'


@pytest.mark.parametrize(
    ("text", "key", "clue"),
    [
        ("sample_every_s = 601\ntransmit_every_s = 600" + SMALLEST, "transmit_every_s", "sample_every_s"),
        ("sample_every_s = 3601" + SMALLEST, "transmit_every_s", "sample_every_s"),
        (SMALLEST + "[radio]\nretry_base_s = 700\nretry_cap_s = 699", "radio.retry_cap_s", "retry_base_s"),
        (SMALLEST.replace("[broker]", '[broker]\nca = ""'), "broker.ca", "tls"),
        (SMALLEST + NETWORK.format(""), "network#2.ssid", "same"),
        (SMALLEST + NETWORK.format(1) + 'address = "10.0.0.2"', "network#2.address", "together"),
        (
            SMALLEST + NETWORK.format(1) + 'netmask = "10.0.0.2"\ngateway = "10.0.0.1"',
            "network#2.address",
            "together",
        ),
        (SMALLEST + "".join(map(NETWORK.format, range(8))), "network", "9 sections"),
        (SMALLEST.replace(NETWORK.format(""), ""), "network", "0 sections"),
        (SMALLEST + "".join(map(ANALOG.format, range(8))), "analog", "9 sections"),
        (SMALLEST + "divider_upper_ohm = 1", "analog#1.divider_lower_ohm", "two resistors"),
        (SMALLEST + "divider_lower_ohm = 1", "analog#1.divider_upper_ohm", "two resistors"),
        (SMALLEST + 'rail = "x"', "analog#1.rail", '"x"'),
        (SMALLEST + '[card]\nrail = "x"\n[rails]\ny = "D1"', "card.rail", '"x"'),
        (SMALLEST + SENSOR + 'rail = "x"', "sensor#1.rail", '"x"'),
        (SMALLEST + '[rails]\nBig = "D1"', "rails.Big", "name"),
        (SMALLEST + '[rails]\n"" = "D1"', "rails.", "name"),
        (SMALLEST + "[rails]\nx = 5", "rails.x", "quotes"),
        (SMALLEST + '[rails]\nx = ""', "rails.x", "empty"),
        (SMALLEST + "[rails]\n" + "".join(f'r{n} = "D1"\n' for n in range(17)), "rails", "17"),
        (SMALLEST + "[battery]\nradio_off_mv = 3501", "battery.radio_on_mv", "radio_off_mv"),
        (SMALLEST + "[battery]\nwrite_on_mv = 3401", "battery.radio_off_mv", "write_on_mv"),
        (SMALLEST + "[battery]\nwrite_on_mv = 3199", "battery.write_on_mv", "write_off_mv"),
        (SMALLEST + "[card]\nchannels_max = 1\n" + SENSOR, "card.channels_max", "2 channels"),
        (SMALLEST + SENSOR * 2, "sensor#2.read", "channel t "),
        (SMALLEST.replace('"a"', '"run-time"'), "analog#1.name", "every reading already has"),
        (SMALLEST + SENSOR.replace('"t"', '"a"'), "analog#1.name", "channel a "),
        (SMALLEST[: SMALLEST.index("[[analog]]")], "", "nothing"),
        (SMALLEST.replace("[[network]]", "[network]"), "network", "[[network]]"),
        ("sensor = 3" + SMALLEST, "sensor", "[[sensor]]"),
        (SMALLEST + BUS + BUS, "bus#2.name", "the same"),
        (SMALLEST + "".join(BUS.replace("far", f"far{n}") for n in range(5)), "bus", "5 sections"),
        (SMALLEST + SENSOR + 'bus = "far"', "sensor#1.bus", "i2c"),
        (SMALLEST + BUS + SENSOR, "sensor#1.bus", "far"),
        (SMALLEST + '[time]\nrtc = "ds3231"\nrtc_bus = "far"', "time.rtc_bus", "[[bus]]"),
        (SMALLEST + BUS + '[time]\nrtc = "ds3231"', "time.rtc_bus", "[[bus]]"),
        (SMALLEST + "[battery]\ndivider_upper_ohm = 1", "battery.divider_lower_ohm", "two resistors"),
        (SMALLEST + '[[card]]\nrail = "x"', "card", "[card]"),
        (SMALLEST + SENSOR + QUANTITY + QUANTITY, "quantity#2.property", "the same"),
        (SMALLEST + SENSOR + QUANTITY.replace('"t"', '"u"'), "quantity#1.property", "read from no"),
        (SMALLEST + SENSOR + QUANTITY.replace('"t"', '"a-b"'), "quantity#1.property", "no name of a property"),
        (SMALLEST + SOUND + 'weighting = "A"\nrate_hz = 44100', "sound#1.rate_hz", "48000"),
        (SMALLEST + SOUND + SOUND, "sound#2.name", "sound-level-z"),
        (SMALLEST + SOUND + 'rail = "x"', "sound#1.rail", '"x"'),
        ("rails = 3" + SMALLEST + 'rail = "x"', "rails", "[rails]"),
    ],
)
def test_rules_between_keys(text, key, clue):
    ((_, found, reason, remedy),) = problems(text)
    assert found == key
    assert clue in reason + remedy


def test_a_seventeenth_sensor_is_refused():
    many = SMALLEST + "[card]\nchannels_max = 37\n"
    many += "".join([SENSOR + f'label = "s{number}"\n' for number in range(16)])
    read(many)
    assert keys(many + SENSOR) == ["sensor"]


def test_what_the_rules_allow_at_the_edge():
    read("sample_every_s = 600\ntransmit_every_s = 600" + SMALLEST)
    read(SMALLEST + "[radio]\nretry_base_s = 600\nretry_cap_s = 600")
    read(SMALLEST + "[battery]\nwrite_off_mv = 9\nwrite_on_mv = 9\nradio_off_mv = 9\nradio_on_mv = 9")
    read(SMALLEST + "divider_upper_ohm = 1\ndivider_lower_ohm = 2")
    read(SMALLEST + SENSOR + SENSOR + 'label = "top"')
    read(SMALLEST + "".join(map(NETWORK.format, range(7))))
    read(SMALLEST.replace("[broker]", '[broker]\ntls = false\nca = ""'))
    fixed = 'address = "10.0.0.2"\nnetmask = "255.0.0.0"\ngateway = "10.0.0.1"'
    read(SMALLEST + NETWORK.format(1) + fixed)
    read(SMALLEST + BUS + SENSOR + 'bus = "far"')
    # a clock that is not used may name any bus
    read(SMALLEST + BUS + '[time]\nrtc = "internal"')
    rail = read(SMALLEST + 'rail = "x"\n[rails]\nx = "D1"')["analog"][0]["rail"]
    assert rail == "x"


def test_a_unit_of_the_settings_comes_before_the_nodes_own():
    text = SMALLEST + SENSOR.replace('"t"', '"uvi", "temperature"') + QUANTITY.replace('"t"', '"uvi"')
    text += QUANTITY.replace('"t"', '"temperature"').replace("kg/m3", "K") + "power_of_ten = -3"
    assert [channel[:3] for channel in channels(read(text))[:2]] == [("uvi", "kg/m3", -2), ("temperature", "K", -5)]


def test_a_sound_level_is_named_for_its_weighting_and_may_be_all_there_is():
    text = SMALLEST[: SMALLEST.index("[[analog]]")] + SOUND + SOUND + 'weighting = "A"\nname = "noise"'
    assert [channel[:3] for channel in channels(read(text))] == [("sound-level-z", "dB", -1), ("noise-a", "dB", -1)]


def test_labels_stand_before_the_channel_names():
    text = SMALLEST + SENSOR + 'label = "top"\n' + SENSOR
    assert [name for name, _, _, _ in channels(read(text))] == ["top-t", "t", "a"]


def test_one_mistake_is_reported_once():
    assert keys(SMALLEST + SENSOR.replace('"t"', '"a"') + 'label = "BAD"') == ["sensor#1.label"]
    assert keys("sample_every_s = 9\ntransmit_every_s = 5" + SMALLEST) == ["sample_every_s", "transmit_every_s"]


def test_all_problems_come_at_once_and_in_order():
    text = 'node = "N"\nsample_every_s = 1\n[broker]\nhots = "b"\n[[network]]\nssid = 5\n[[sensor]]\nread = []\n'
    found = problems(text)
    assert [problem[:2] for problem in found] == [
        (1, "node"),
        (2, "sample_every_s"),
        (3, "broker.host"),
        (4, "broker.hots"),
        (5, "network#1.password"),
        (6, "network#1.ssid"),
        (7, "sensor#1.driver"),
        (8, "sensor#1.read"),
    ]
    lines = str(settings.SettingsError(found)).split("\n")
    assert len(lines) == len(found)
    assert lines[0].startswith("line 1: node: ")


def test_a_file_of_nonsense_gets_a_bounded_answer():
    found = problems(NONSENSE.decode())
    assert len(found) == settings.PROBLEMS_MAX + 1
    assert "more problems" in found[0][2]
    exact = "".join([f"k{number} = 1\n" for number in range(settings.PROBLEMS_MAX // 2)])
    assert len(problems(exact + SMALLEST + exact)) == settings.PROBLEMS_MAX


# Unknown names.


@pytest.mark.parametrize(
    ("text", "key", "clue"),
    [
        ("sample_evry_s = 60" + SMALLEST, "sample_evry_s", "sample_every_s"),
        ("Transmit_Every_S = 60" + SMALLEST, "Transmit_Every_S", "transmit_every_s"),
        (SMALLEST + "[batery]\nx = 1", "batery", "battery"),
        (SMALLEST + "[[senzor]]\nx = 1", "senzor", "sensor"),
        (SMALLEST + SENSOR + "warm_up_s = 1", "sensor#1.warm_up_s", "warm_up_ms"),
        (SMALLEST + "[time]\nserver = 1", "time.server", "servers"),
        (SMALLEST + "sample_every_s = 60", "analog#1.sample_every_s", "above the first section"),
        ('ssid = "x"' + SMALLEST, "ssid", "[network]"),
        (SMALLEST + 'label = "x"', "analog#1.label", "[sensor]"),
        (SMALLEST + '"a\\u001b[31m\\n" = 1', "analog#1.a?[31m?", "nearest"),
        (SMALLEST + "k" * 500 + " = 1", "analog#1." + "k" * 32 + "...", "nearest"),
    ],
)
def test_unknown_names_are_answered_with_the_nearest(text, key, clue):
    ((_, found, _, remedy),) = problems(text)
    assert found == key
    assert clue in remedy


@cache
def plain_distance(a, b):
    if not a or not b:
        return len(a) + len(b)
    exchanged = plain_distance(a[1:], b[1:]) + (a[0] != b[0])
    return min(exchanged, plain_distance(a[1:], b) + 1, plain_distance(a, b[1:]) + 1)


@given(st.text("abc", max_size=6), st.text("abc", max_size=6))
def test_the_edit_distance_is_the_one_of_its_definition(a, b):
    assert settings_advice.edit_distance(a, b) == plain_distance(a, b)


# Messages from the broker.


@pytest.mark.parametrize("key", settings.REMOTE)
def test_remote_values_have_the_bounds_of_the_file(key):
    (row,) = [row for row in settings_table.explain("") if row[KEY] == key]
    assert settings.within(key, row[LOW])
    assert settings.within(key, row[HIGH])
    for value in (row[LOW] - 1, row[HIGH] + 1, True, "60", None, 60.0, [60], {}):
        assert not settings.within(key, value)


@pytest.mark.parametrize("key", ["node", "broker", "port", "sample_every", "", None, 5])
def test_nothing_else_is_remote(key):
    assert not settings.within(key, 60)
    assert not settings.within(key, "north-stack")


# Secrets.

MARK = "Zq7xKw9vTb3m"
LOADED = TEMPLATE.replace(b'"change this one"', f'"{MARK}"'.encode()).replace(
    b'"change this one too"', f'"{MARK}"'.encode()
)


def leaks(error):
    said = f"{error}{error!r}{error.args}{error.problems}"
    return [MARK[at : at + 4] for at in range(len(MARK) - 3) if MARK[at : at + 4] in said]


def test_the_loaded_template_is_loaded():
    got = settings.read(LOADED)
    assert got["broker"]["password"] == got["network"][0]["password"] == MARK


@budget(max_examples=400, deadline=None)
@given(st.lists(st.tuples(st.integers(0, len(LOADED)), st.integers(0, 3), st.binary(max_size=2)), max_size=4))
def test_a_damaged_file_gives_settings_or_problems_and_no_secret(edits):
    data = LOADED
    for at, cut, new in edits:
        data = data[:at] + new + data[at + cut :]
    refusal = None
    try:
        got = settings.read(data)
    except settings.SettingsError as error:
        refusal = error
    if refusal:
        assert refusal.problems == sorted(refusal.problems)
        assert leaks(refusal) == []
    else:
        assert json.loads(json.dumps(got)) == got


def test_every_cut_of_the_file_keeps_the_secret():
    found = []
    for size in range(len(LOADED)):
        try:
            settings.read(LOADED[:size])
        except settings.SettingsError as error:
            found += leaks(error)
    assert found == []


@pytest.mark.parametrize("written", ['"{}', "{}", '"{}\\q"', "['{}']", '{{x = "{}"}}', '"{}" x', '"{}{}{}{}{}{}"'])
@pytest.mark.parametrize("name", ["password", "pasword", "Password"])
def test_a_bad_password_line_says_nothing_of_the_password(name, written):
    text = f"{name} = " + written.replace("{{", "{").replace("}}", "}").replace("{}", MARK)
    with pytest.raises(settings.SettingsError) as caught:
        read(SMALLEST.replace('password = ""', text))
    assert leaks(caught.value) == []
    assert SMALLEST.split("\n")[caught.value.problems[0][0] - 2] == 'ssid = "s"' or name != "password"


@given(st.binary(max_size=80))
def test_any_bytes_give_settings_or_problems(data):
    with pytest.raises(settings.SettingsError):
        settings.read(data)


# What other readers make of the files.


def flat_keys_as_circuitpython_finds_them(text):
    """Lines up to the first that begins with "[", as its reader walks them (shared-module/os/getenv.c)."""
    found = {}
    for line in text.split("\n"):
        line = line.strip()
        if line.startswith("["):
            break
        if line and not line.startswith("#"):
            name, _, value = line.partition("=")
            found[name.strip()] = value.strip()
    return found


def test_circuitpython_finds_the_flat_keys_of_the_template():
    found = flat_keys_as_circuitpython_finds_them(TEMPLATE.decode())
    assert list(found) == [
        "node",
        "sample_every_s",
        "transmit_every_s",
        "must_last_days",
        "CIRCUITPY_SAFE_MODE_DELAY",
        "CIRCUITPY_SDCARD_USB",
    ]
    # its number reader takes at most 15 characters of a line, a trailing comment apart
    assert all(len(value) <= 15 for value in found.values())


def test_the_page_is_current():
    command = [sys.executable, ROOT / "docs" / "make_settings.py", "--check"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stdout


VM = shutil.which("micropython", path=str(Path(sys.executable).parent)) or shutil.which("micropython")
ON_THE_VM = """
import json, torpor.settings as s
with open({path!r}, "rb") as file:
    data = file.read()
try:
    print(json.dumps(s.read(data)))
except s.SettingsError as error:
    print(json.dumps([list(problem) for problem in error.problems]))
"""


def on_the_vm(path, heap_kib):
    command = [VM, "-X", f"heapsize={heap_kib}k", "-c", ON_THE_VM.format(path=str(path))]
    environment = {"MICROPYPATH": str(ROOT / "firmware")}
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, env=environment)
    assert done.returncode == 0, done.stderr + done.stdout
    return json.loads(done.stdout)


@pytest.mark.skipif(VM is None, reason="no MicroPython VM for this machine")
@pytest.mark.parametrize(
    "data",
    [TEMPLATE, TEMPLATE[:700], TEMPLATE.replace(b'ssid = "kiln', b'sid = "kiln'), b"node = 1.5", b"\xff", b""],
    ids=["template", "cut", "unknown", "decimal", "bytes", "empty"],
)
def test_micropython_reads_the_same_in_a_small_heap(data, tmp_path):
    path = tmp_path / "settings.toml"
    path.write_bytes(data)
    try:
        expected = settings.read(data)
    except settings.SettingsError as error:
        expected = [list(problem) for problem in error.problems]
    assert on_the_vm(path, 192) == expected


@pytest.mark.skipif(VM is None, reason="no MicroPython VM for this machine")
def test_a_file_too_large_for_the_heap_is_a_problem_like_any_other(tmp_path):
    path = tmp_path / "settings.toml"
    path.write_bytes(NONSENSE)
    ((line, key, reason, _),) = on_the_vm(path, 128)
    assert (line, key) == (1, "")
    assert "memory" in reason


@given(
    drivers=st.lists(st.integers(3, 96), min_size=0, max_size=8),
    node=st.integers(1, 32),
)
def test_channels_that_are_accepted_fit_into_a_layout_sector(drivers, node):
    text = SMALLEST.replace('"n"', '"' + "n" * node + '"') + "[card]\nchannels_max = 37\n"
    for number, length in enumerate(drivers):
        driver = "m." + "C" * (length - 2)
        text += f'[[sensor]]\ndriver = "{driver}"\nread = ["relative_humidity"]\nlabel = "s{number}"\n'
    refused = []
    try:
        accepted = settings.read(text.encode())
    except settings.SettingsError as error:
        refused = error.problems
    if refused:
        assert ["one sector" in reason for _, _, reason, _ in refused] == [True]
        return
    found = channels(accepted)
    ring_layout.encode(bytearray(512), 0, record.stride(37), 1, 100, bytes(8), accepted["node"], found)
