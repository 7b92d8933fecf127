"""Law: a pack is JSON that a general reader takes, and each number in it is exactly the integer stored."""

import json
import re
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from torpor import senml

BASE = "urn:dev:mac:0011223344556677_"
NOW_S = 1798761600
CHANNELS = [
    ("temperature", "Cel", -2),
    ("relative-humidity", "%RH", -2),
    ("light", "lx", 0),
    ("count", "", 2),
]
# RFC 9039 section 3.2, the "mac" form with components
DEVICE_URN = re.compile(r"urn:dev:mac:([0-9a-f]{2})+(_[A-Za-z0-9.-]+)+")


def pack(values, flags=(0, 0, 0, 0), bt=NOW_S, **more):
    return senml.pack(BASE, bt, 12, "0badcafe", 2, CHANNELS, values, flags, **more)


def test_a_pack_byte_for_byte():
    built = senml.pack(BASE, NOW_S, 12, "0badcafe", 2, [("temperature", "Cel", -2)], [2310], [5])
    assert built == (
        b'[{"bn":"urn:dev:mac:0011223344556677_","bt":1798761600,"n":"seq","v":12},'
        b'{"n":"ring","vs":"0badcafe"},{"n":"time-uncertainty","u":"s","v":2},'
        b'{"n":"temperature","u":"Cel","v":23.10},{"n":"temperature.flags","v":5}]'
    )


def test_unknown_time_goes_out_as_run_and_run_time():
    built = json.loads(pack([1, 2, 3, 4], bt=None, run=3, run_s=1234))
    assert built[0] == {"bn": BASE, "n": "seq", "v": 12}
    assert built[1:4] == [
        {"n": "ring", "vs": "0badcafe"},
        {"n": "run", "v": 3},
        {"n": "run-time", "u": "s", "v": 1234},
    ]
    assert not any("bt" in record or "t" in record or record["n"] == "time-uncertainty" for record in built)


def test_known_time_sends_no_run():
    names = [record["n"] for record in json.loads(pack([1, 2, 3, 4], run=3, run_s=1234))]
    assert "run" not in names
    assert "run-time" not in names


def test_a_time_that_would_read_as_relative_is_our_mistake():
    # RFC 8428 section 4.5.3: below 2**28 a time counts from now
    assert b'"bt":268435456,' in pack([1, 2, 3, 4], bt=2**28)
    with pytest.raises(AssertionError):
        pack([1, 2, 3, 4], bt=2**28 - 1)


def test_an_absent_channel_has_no_record_but_its_flags_say_why():
    records = {record["n"]: record for record in json.loads(pack([2310, None, None, 7], (0, 0, 64, 0)))}
    assert "relative-humidity" not in records
    assert "light" not in records
    assert records["light.flags"] == {"n": "light.flags", "v": 64}
    assert "relative-humidity.flags" not in records


def test_zero_is_a_value():
    records = {record["n"]: record["v"] for record in json.loads(pack([0, 0, 0, 0]))[2:]}
    assert records["temperature"] == 0
    assert records["light"] == 0


def test_flags_of_the_whole_reading():
    assert {"n": "flags", "v": 9} in json.loads(pack([1, 2, 3, 4], record_flags=9))
    assert b'"flags"' not in pack([1, 2, 3, 4])


def test_a_channel_without_a_unit():
    assert {"n": "count", "v": 700} in json.loads(pack([1, 2, 3, 7]))


I32 = st.integers(-(2**31), 2**31 - 1)


@given(
    st.lists(st.one_of(st.none(), I32), min_size=4, max_size=4),
    st.lists(st.integers(0, 65535), min_size=4, max_size=4),
    st.sampled_from([None, NOW_S, 2**32 - 1]),
    st.integers(0, 65535),
)
def test_every_pack_is_senml(values, flags, bt, record_flags):
    built = pack(values, flags, bt=bt, run=1, run_s=2**32 - 1, record_flags=record_flags)
    records = json.loads(built, parse_float=Decimal, parse_int=Decimal)
    found = {}
    for record in records:
        assert sum(label in record for label in ("v", "vs", "vb", "vd")) == 1  # RFC 8428 section 4.2
        assert set(record) <= {"bn", "bt", "n", "u", "v", "vs"}
        assert ("bn" in record) == (record is records[0])
        assert DEVICE_URN.fullmatch(BASE + record["n"])
        assert record["n"] not in found
        found[record["n"]] = record.get("v")
    for (name, _, exponent), value, flag in zip(CHANNELS, values, flags, strict=True):
        assert found.get(name) == (None if value is None else Decimal(value).scaleb(exponent))
        assert found.get(f"{name}.flags") == (flag or None)
    assert found.get("flags") == (record_flags or None)
    assert records[0].get("bt") == bt


@pytest.mark.parametrize(
    ("value", "exponent", "text"),
    [
        (-5, -2, "-0.05"),
        (5, -2, "0.05"),
        (2310, -2, "23.10"),
        (7, 2, "700"),
        (-7, 0, "-7"),
        (0, -2, "0.00"),
        (0, 3, "0"),
        (99, -2, "0.99"),
        (100, -2, "1.00"),
        (-100, -2, "-1.00"),
        (-(2**31) + 1, -9, "-2.147483647"),
        (2**31 - 1, -10, "0.2147483647"),
        (1, -1, "0.1"),
    ],
)
def test_decimal(value, exponent, text):
    assert senml.decimal(value, exponent) == text


@given(I32, st.integers(-12, 6))
def test_decimal_is_exact_and_is_a_json_number(value, exponent):
    text = senml.decimal(value, exponent)
    assert Decimal(text) == Decimal(value).scaleb(exponent)
    assert json.loads(text) == pytest.approx(value * 10.0**exponent, rel=1e-12)
    assert re.fullmatch(r"-?(0|[1-9][0-9]*)(\.[0-9]+)?", text)  # RFC 8259 section 6
