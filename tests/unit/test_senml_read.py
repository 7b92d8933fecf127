"""reading() must take exactly the layout of a node's reading and keep every number as written."""

import json
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hostsim.senml_read import SenmlError, reading, resolve

HEAD = '{"bn":"urn:dev:mac:0011223344556677_","bt":1798761600,"n":"seq","v":12}'
RING = '{"n":"ring","vs":"0badcafe"}'
TIME = '{"n":"time-uncertainty","u":"s","v":2}'
NO_TIME_HEAD = HEAD.replace('"bt":1798761600,', "")
RUN = '{"n":"run","v":3},{"n":"run-time","u":"s","v":1234}'


def pack(*records):
    return ("[" + ",".join(records) + "]").encode()


def test_a_reading_of_known_time():
    assert reading(
        pack(
            HEAD,
            RING,
            TIME,
            '{"n":"flags","v":9}',
            '{"n":"temperature","u":"Cel","v":23.10}',
            '{"n":"temperature.flags","v":5}',
            '{"n":"illuminance","u":"lx","v":700}',
            '{"n":"frost","u":"Cel","v":-0.05}',
            '{"n":"count","v":0}',
            '{"n":"absent.flags","v":1}',
        )
    ) == {
        "device": "0011223344556677",
        "seq": 12,
        "ring": "0badcafe",
        "time_s": 1798761600,
        "uncertainty_s": 2,
        "run": None,
        "run_s": None,
        "values": {"temperature": (2310, -2), "illuminance": (700, 0), "frost": (-5, -2), "count": (0, 0)},
        "units": {"temperature": "Cel", "illuminance": "lx", "frost": "Cel"},
        "flags": {"temperature": 5, "absent": 1},
        "record_flags": 9,
    }


def test_a_reading_of_unknown_time():
    got = reading(pack(NO_TIME_HEAD, RING, RUN))
    assert (got["time_s"], got["uncertainty_s"], got["run"], got["run_s"]) == (None, None, 3, 1234)
    assert (got["values"], got["flags"], got["record_flags"]) == ({}, {}, 0)


def test_a_reading_may_tell_both():
    got = reading(pack(HEAD, RING, TIME, RUN))
    assert (got["time_s"], got["uncertainty_s"], got["run"], got["run_s"]) == (1798761600, 2, 3, 1234)


@given(st.integers(-(2**31), 2**31), st.integers(-9, 0))
def test_a_number_comes_back_as_digits_and_exponent(value, exponent):
    text = f"{Decimal(value).scaleb(exponent):f}"
    got = reading(pack(HEAD, RING, TIME, f'{{"n":"x","u":"V","v":{text}}}'))["values"]["x"]
    assert got == (value, exponent)


def test_a_number_with_an_exponent_keeps_its_value():
    for text, wanted in (("1.5e3", (15, 2)), ("-2e-3", (-2, -3)), ("1E2", (1, 2))):
        assert reading(pack(HEAD, RING, TIME, f'{{"n":"x","u":"V","v":{text}}}'))["values"]["x"] == wanted


def test_it_agrees_with_the_general_reader():
    payload = pack(HEAD, RING, TIME, '{"n":"a","u":"Cel","v":-12.50}', '{"n":"b","u":"%RH","v":60}')
    mine = reading(payload)
    general = {record["n"].partition("_")[2]: record for record in resolve(payload)}
    assert {record["t"] for record in general.values()} == {mine["time_s"]}
    assert general["ring"]["vs"] == mine["ring"]
    for name, (digits, exponent) in mine["values"].items():
        assert general[name]["v"] == Decimal(digits).scaleb(exponent)
        assert general[name]["u"] == mine["units"][name]


GOOD = (HEAD, RING, TIME, '{"n":"x","u":"V","v":1.5}')
BROKEN = {
    "no head": (RING, TIME),
    "no ring": (HEAD, TIME),
    "no uncertainty": (HEAD, RING),
    "uncertainty without a time": (NO_TIME_HEAD, RING, TIME, RUN),
    "neither time nor run": (NO_TIME_HEAD, RING),
    "half a run": (HEAD, RING, TIME, '{"n":"run","v":3}'),
    "relative time": (HEAD.replace("1798761600", "100"), RING, TIME),
    "fractional time": (HEAD.replace("1798761600", "1798761600.5"), RING, TIME),
    "no device": (HEAD.replace('"bn":"urn:dev:mac:0011223344556677_",', ""), RING, TIME),
    "device of 15 digits": (HEAD.replace("7_", "_"), RING, TIME),
    "device in capitals": (HEAD.replace("0011", "00AA"), RING, TIME),
    "device without _": (HEAD.replace("_", ""), RING, TIME),
    "seq 0": (HEAD.replace("12}", "0}"), RING, TIME),
    "seq -1": (HEAD.replace("12}", "-1}"), RING, TIME),
    "seq 2**32": (HEAD.replace("12}", "4294967296}"), RING, TIME),
    "seq 12.0": (HEAD.replace("12}", "12.0}"), RING, TIME),
    "seq true": (HEAD.replace("12}", "true}"), RING, TIME),
    "seq as text": (HEAD.replace("12}", '"12"}'), RING, TIME),
    "a unit on seq": (HEAD.replace('"v"', '"u":"V","v"'), RING, TIME),
    "ring in capitals": (HEAD, RING.replace("bad", "BAD"), TIME),
    "ring of 7": (HEAD, RING.replace("0bad", "bad"), TIME),
    "ring as number": (HEAD, '{"n":"ring","v":12345678}', TIME),
    "uncertainty in ms": (HEAD, RING, TIME.replace('"s"', '"ms"')),
    "uncertainty without unit": (HEAD, RING, '{"n":"time-uncertainty","v":2}'),
    "negative uncertainty": (HEAD, RING, TIME.replace("2}", "-2}")),
    "ring twice": (*GOOD, RING),
    "seq twice": (*GOOD, '{"n":"seq","v":12}'),
    "value twice": (*GOOD, '{"n":"x","u":"V","v":1.5}'),
    "value twice, once without unit": (*GOOD, '{"n":"x","v":1.5}'),
    "flags twice": (*GOOD, '{"n":"x.flags","v":1}', '{"n":"x.flags","v":1}'),
    "zero flags": (*GOOD, '{"n":"x.flags","v":0}'),
    "17-bit flags": (*GOOD, '{"n":"x.flags","v":65536}'),
    "negative flags": (*GOOD, '{"n":"flags","v":-1}'),
    "flags with a unit": (*GOOD, '{"n":"flags","u":"V","v":1}'),
    "number as text": (*GOOD, '{"n":"y","u":"V","v":"1.5"}'),
    "value null": (*GOOD, '{"n":"y","u":"V","v":null}'),
    "value NaN": (*GOOD, '{"n":"y","u":"V","v":NaN}'),
    "value true": (*GOOD, '{"n":"y","u":"V","v":true}'),
    "value a list": (*GOOD, '{"n":"y","u":"V","v":[]}'),
    "empty unit": (*GOOD, '{"n":"y","u":"","v":1}'),
    "unit a number": (*GOOD, '{"n":"y","u":1,"v":1}'),
    "capital in a name": (*GOOD, '{"n":"Y","u":"V","v":1}'),
    "empty name": (*GOOD, '{"n":"","u":"V","v":1}'),
    "name a number": (*GOOD, '{"n":1,"u":"V","v":1}'),
    "name a list": (*GOOD, '{"n":[],"u":"V","v":1}'),
    "flags of no name": (*GOOD, '{"n":".flags","v":1}'),
    "unknown field": (*GOOD, '{"n":"y","u":"V","v":1,"t":1}'),
    "unknown field for the unit": (*GOOD, '{"n":"y","t":1,"v":1}'),
    "no value": (*GOOD, '{"n":"y","u":"V"}'),
    "a label twice": (*GOOD, '{"n":"y","u":"V","v":1,"v":2}'),
    "white space": (*GOOD, '{"n":"y", "u":"V", "v":1}'),
    "a line feed": (*GOOD, '{"n":"y",\n"u":"V","v":1}'),
    "a label twice behind white space": (*GOOD, '{"n":"y","u":"V","v" :1,"v":2}'),
    "a label twice behind a tab": (*GOOD, '{"n":"y","u":"V","v"\t:1,"v":2}'),
    "not an object": (*GOOD, "1"),
    "an array inside": (*GOOD, "[]"),
}


def test_the_good_neighbour_of_the_broken_ones_is_taken():
    assert reading(pack(*GOOD))["values"] == {"x": (15, -1)}


@pytest.mark.parametrize("records", BROKEN.values(), ids=BROKEN)
def test_what_is_not_a_reading_is_refused(records):
    with pytest.raises(SenmlError):
        reading(pack(*records))


@pytest.mark.parametrize("payload", [b"", b"[]", b"{}", b"[", b"1", b'"x"', b"\xff", b"[" * 100000, b"\x00"])
def test_what_is_no_pack_at_all(payload):
    with pytest.raises(SenmlError):
        reading(payload)


def test_no_prefix_and_no_tail_of_a_reading_is_a_reading():
    whole = pack(*GOOD)
    for count in range(len(whole)):
        with pytest.raises(SenmlError):
            reading(whole[:count])
    for tail in (b" ", b"x", b"]", b"[]", b"\n"):
        with pytest.raises(SenmlError):
            reading(whole + tail)


@given(st.binary(max_size=80), st.integers(0, 200), st.integers(0, 40))
def test_damage_raises_nothing_but_senml_error(noise, at, count):
    whole = pack(*GOOD)
    for payload in (noise, whole[:at] + noise + whole[at + count :]):
        for read in (reading, resolve):
            try:
                read(payload)
            except SenmlError:
                pass


@given(st.recursive(st.none() | st.booleans() | st.integers() | st.text(max_size=5), st.lists, max_leaves=4))
def test_any_json_in_the_place_of_a_value(value):
    text = json.dumps(value, separators=(",", ":"))
    payload = pack(*GOOD, f'{{"n":"y","u":"V","v":{text}}}')
    if type(value) is int:
        assert reading(payload)["values"]["y"] == (value, 0)
    else:
        with pytest.raises(SenmlError):
            reading(payload)
