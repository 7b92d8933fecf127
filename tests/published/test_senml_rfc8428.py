"""hostsim.senml_read against RFC 8428 (SenML, August 2018): every JSON example of section 5.1, and the rules.

Source of the packs: the RFC's text. Source of the resolved forms: section 5.1.4 where the RFC prints one; for
the rest the RFC's prose and rules (sections 4.1, 4.5, 4.6), which the test names.
"""

import json
from decimal import Decimal, localcontext

import pytest

from hostsim.senml_read import SenmlError, resolve

OW = "urn:dev:ow:10e2073a01080063"


def rows(pack, *labels):
    return [tuple(record.get(label) for label in labels) for record in resolve(pack)]


def test_5_1_1_single_data_point():
    pack = b'[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]'
    # "approximately now": no time, so time 0, which is relative (4.5.3)
    assert resolve(pack) == [{"n": OW, "u": "Cel", "v": Decimal("23.1"), "t": 0, "relative": True}]


def test_5_1_2_multiple_data_points_now():
    pack = b"""[{"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},
                {"n":"current","u":"A","v":1.2}]"""
    assert rows(pack, "n", "u", "v", "relative") == [
        (OW + ":voltage", "V", Decimal("120.1"), True),
        (OW + ":current", "A", Decimal("1.2"), True),
    ]


def test_5_1_2_version_times_and_units():
    pack = b"""[{"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,
                 "n":"voltage","u":"V","v":120.1},
                {"n":"current","t":-5,"v":1.2},{"n":"current","t":-4,"v":1.3},{"n":"current","t":-3,"v":1.4},
                {"n":"current","t":-2,"v":1.5},{"n":"current","t":-1,"v":1.6},{"n":"current","v":1.7}]"""
    name = "urn:dev:ow:10e2073a0108006:"
    got = rows(pack, "n", "u", "t", "v", "bver", "relative")
    # the version stays in every record because it is not 10 (4.6); records in chronological order (4.6)
    currents = [
        (name + "current", "A", Decimal("1276020071.001") + at, Decimal("1.2") + at * Decimal("0.1"), 5, None)
        for at in range(5)
    ]
    now = Decimal("1276020076.001")
    assert got == [
        *currents,
        (name + "voltage", "V", now, Decimal("120.1"), 5, None),
        (name + "current", "A", now, Decimal("1.7"), 5, None),
    ]


def test_5_1_2_stream():
    pack = b"""[{"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":21.2},
                {"t":10,"v":21.3},{"t":20,"v":21.4},{"t":30,"v":21.4},{"t":40,"v":21.5},{"t":50,"v":21.5},
                {"t":60,"v":21.5},{"t":70,"v":21.6},{"t":80,"v":21.7}]"""
    values = ["21.2", "21.3", "21.4", "21.4", "21.5", "21.5", "21.5", "21.6", "21.7"]
    assert rows(pack, "n", "u", "t", "v") == [
        (OW, "%RH", 1320067464 + 10 * at, Decimal(value)) for at, value in enumerate(values)
    ]


PACK_5_1_3 = b"""[{"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},
    {"u":"lon","v":24.30621},{"u":"lat","v":60.07965},
    {"t":60,"v":20.3},{"u":"lon","t":60,"v":24.30622},{"u":"lat","t":60,"v":60.07965},
    {"t":120,"v":20.7},{"u":"lon","t":120,"v":24.30623},{"u":"lat","t":120,"v":60.07966},
    {"u":"%EL","t":150,"v":98},
    {"t":180,"v":21.2},{"u":"lon","t":180,"v":24.30628},{"u":"lat","t":180,"v":60.07967}]"""
RESOLVED_5_1_4 = [
    ("%RH", "1.320067464e+09", "20"),
    ("lon", "1.320067464e+09", "24.30621"),
    ("lat", "1.320067464e+09", "60.07965"),
    ("%RH", "1.320067524e+09", "20.3"),
    ("lon", "1.320067524e+09", "24.30622"),
    ("lat", "1.320067524e+09", "60.07965"),
    ("%RH", "1.320067584e+09", "20.7"),
    ("lon", "1.320067584e+09", "24.30623"),
    ("lat", "1.320067584e+09", "60.07966"),
    ("%EL", "1.320067614e+09", "98"),
    ("%RH", "1.320067644e+09", "21.2"),
    ("lon", "1.320067644e+09", "24.30628"),
    ("lat", "1.320067644e+09", "60.07967"),
]


def test_5_1_3_resolves_to_5_1_4():
    wanted = [{"n": OW, "u": u, "t": Decimal(t), "v": Decimal(v)} for u, t, v in RESOLVED_5_1_4]
    assert resolve(PACK_5_1_3) == wanted


def test_5_1_4_is_its_own_resolution():
    once = resolve(PACK_5_1_3)
    assert resolve(once) == once


def test_5_1_5_multiple_data_types():
    pack = b"""[{"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
                {"n":"label","vs":"Machine Room"},{"n":"open","vb":false},{"n":"nfv-reader","vd":"aGkgCg"}]"""
    assert rows(pack, "n", "v", "vs", "vb", "vd") == [
        (OW + ":temp", Decimal("23.1"), None, None, None),
        (OW + ":label", None, "Machine Room", None, None),
        (OW + ":open", None, None, False, None),
        (OW + ":nfv-reader", None, None, None, b"hi \n"),
    ]


def test_5_1_6_collection_of_resources():
    pack = b"""[{"bn":"2001:db8::2/","bt":1.320078429e+09,"n":"temperature","u":"Cel","v":25.2},
                {"n":"humidity","u":"%RH","v":30},
                {"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},
                {"n":"humidity","u":"%RH","v":67}]"""
    # "the last record would use the Base Name from the 3rd record but the Base Time from the first"
    assert rows(pack, "n", "u", "t", "v") == [
        ("2001:db8::2/temperature", "Cel", 1320078429, Decimal("25.2")),
        ("2001:db8::2/humidity", "%RH", 1320078429, 30),
        ("2001:db8::1/temperature", "Cel", 1320078429, Decimal("12.3")),
        ("2001:db8::1/humidity", "%RH", 1320078429, 67),
    ]


def test_5_1_7_setting_an_actuator():
    pack = b"""[{"bn":"urn:dev:ow:10e2073a01080063:"},{"n":"temp","u":"Cel","v":23.1},
                {"n":"heat","u":"/","v":1},{"n":"fan","u":"/","v":0}]"""
    # the first record has base fields alone and stands for no measurement
    assert rows(pack, "n", "v") == [(OW + ":temp", Decimal("23.1")), (OW + ":heat", 1), (OW + ":fan", 0)]


def test_5_1_7_lights_off_a_tenth_of_a_second_later():
    pack = b"""[{"bt":1.320078429e+09,"bu":"/","n":"2001:db8::3","v":0.5},{"n":"2001:db8::4","v":0.5},
                {"n":"2001:db8::3","t":0.1,"v":0},{"n":"2001:db8::4","t":0.1,"v":0}]"""
    assert rows(pack, "n", "t", "v") == [
        ("2001:db8::3", 1320078429, Decimal("0.5")),
        ("2001:db8::4", 1320078429, Decimal("0.5")),
        ("2001:db8::3", Decimal("1320078429.1"), 0),
        ("2001:db8::4", Decimal("1320078429.1"), 0),
    ]


# --- the rules, section by section


def test_4_1_base_fields_hold_until_they_are_changed():
    pack = [
        {"bn": "a", "bv": 10, "bu": "V", "v": 1},
        {"v": 2},
        {"bn": "b", "bv": 0, "v": 3},
        {"u": "A", "v": 4},
    ]
    assert rows(pack, "n", "u", "v") == [("a", "V", 11), ("a", "V", 12), ("b", "V", 3), ("b", "A", 4)]


def test_4_2_one_value_unless_there_is_a_sum():
    assert rows([{"n": "a", "s": 5}], "v", "s") == [(None, 5)]
    assert rows([{"n": "a", "s": 5, "v": 1}], "v", "s") == [(1, 5)]
    for record in ({"n": "a"}, {"n": "a", "t": 3}, {"n": "a", "u": "V"}):
        with pytest.raises(SenmlError):
            resolve([record])
    for other in ({"vs": "x"}, {"vb": True}, {"vd": ""}):
        with pytest.raises(SenmlError):
            resolve([{"n": "a", "v": 1} | other])
        with pytest.raises(SenmlError):
            resolve([{"n": "a", "v": 1, "s": 2} | other])
        assert len(resolve([{"n": "a"} | other])) == 1


def test_4_5_4_base_sum_and_sum_each_count_as_zero_where_missing():
    pack = [{"n": "a", "s": 1}, {"bs": 100, "n": "b", "s": 2}, {"n": "c", "v": 7}]
    assert rows(pack, "n", "s", "v") == [("a", 1, None), ("b", 102, None), ("c", 100, 7)]


def test_4_4_unknown_labels():
    assert resolve([{"n": "a", "v": 1, "colour": "red"}]) == resolve([{"n": "a", "v": 1}])
    for label in ("colour_", "_"):
        with pytest.raises(SenmlError, match="4.4"):
            resolve([{"n": "a", "v": 1, label: 0}])


def test_4_4_versions():
    assert "bver" not in resolve([{"bver": 10, "n": "a", "v": 1}])[0]
    assert resolve([{"bver": 9, "n": "a", "v": 1}])[0]["bver"] == 9
    assert len(resolve([{"bver": 9, "n": "a", "v": 1}, {"bver": 9, "n": "a", "v": 1}])) == 2
    for pack in (
        [{"bver": 11, "n": "a", "v": 1}],
        [{"bver": 9, "n": "a", "v": 1}, {"bver": 10, "n": "a", "v": 1}],
        [{"n": "a", "v": 1}, {"bver": 9, "n": "a", "v": 1}],
        [{"bver": 0, "n": "a", "v": 1}],
        [{"bver": True, "n": "a", "v": 1}],
        [{"bver": 5.0, "n": "a", "v": 1}],
    ):
        with pytest.raises(SenmlError):
            resolve(pack)


@pytest.mark.parametrize("name", ["a", "0", "Z-:./_9", "urn:dev:mac:0024befffe804ff1_temp"])
def test_4_5_1_names_that_are_allowed(name):
    assert resolve([{"bn": name[:1], "n": name[1:], "v": 1}])[0]["n"] == name


@pytest.mark.parametrize("name", ["", "-a", ":a", ".a", "/a", "_a", "a b", "a%", "a?", "a\n", "h\u00f6he", "a,b"])
def test_4_5_1_names_that_are_not(name):
    with pytest.raises(SenmlError, match="4.5.1"):
        resolve([{"n": name, "v": 1}])


def test_4_5_3_relative_and_absolute_times():
    # 2**28 = 268435456 is 1978-07-04 21:24:16 UTC, the smallest absolute time
    pack = [{"n": "a", "v": 1, "t": t} for t in (2**28, 2**28 - 1, -60, 0)] + [
        {"bt": 2**28 - 5, "n": "a", "t": 5, "v": 1}
    ]
    assert rows(pack, "t", "relative") == [
        (2**28, None),
        (2**28, None),
        (-60, True),
        (0, True),
        (2**28 - 1, True),
    ]


def test_4_6_chronological_and_stable():
    pack = [{"bt": 2**30, "n": "a", "t": 5, "v": 1}, {"n": "b", "t": 3, "v": 2}, {"n": "c", "t": 5, "v": 3}]
    assert rows(pack, "n", "t") == [("b", 2**30 + 3), ("a", 2**30 + 5), ("c", 2**30 + 5)]
    assert not any(label[0] == "b" for record in resolve(pack) for label in record)


def test_5_types_of_table_2():
    wrong = {"bn": 1, "bt": "0", "bu": 1, "bv": "1", "bs": None, "bver": "10", "n": 1, "u": 1, "v": "1"}
    wrong |= {"vs": 1, "vb": 0, "vd": 1, "s": "1", "t": "1", "ut": "1"}
    for label, value in wrong.items():
        good = {"n": "a"} if label in ("v", "vs", "vb", "vd") else {"n": "a", "v": 1}
        with pytest.raises(SenmlError, match=f"^{label} is not of its type"):
            resolve([good | {label: value}])
    with pytest.raises(SenmlError):
        resolve([{"n": "a", "v": True}])


@pytest.mark.parametrize("data", ["aGkgCg==", "aGkg Cg", "aGk+", "aGk/", "a"])
def test_4_3_data_values_are_base64url_without_padding(data):
    with pytest.raises(SenmlError, match="4.3"):
        resolve([{"n": "a", "vd": data}])
    assert resolve([{"n": "a", "vd": "_-8"}])[0]["vd"] == b"\xff\xef"


@pytest.mark.parametrize(
    "pack",
    [
        b"",
        b"[",
        b"{}",
        b"[]",
        b"[1]",
        b"[[]]",
        b'"a"',
        b'[{"n":"a","v":1}]x',
        b'[{"n":"a","v":NaN}]',
        b'[{"n":"a","v":Infinity}]',
        b'[{"n":"a","v":1e400}]',
        b'[{"n":"a","v":1e-99999999999999999999}]',
        b'[{"n":"a","v":1.5E3}]',  # "the e MUST be in lower case"
        b'[{"n":"a","v":1,"v":2}]',
        b'[{"n":"a","vs":"\xff"}]',
        b'\xef\xbb\xbf[{"n":"a","v":1}]',
        '[{"n":"a","v":1}]'.encode("utf-16"),  # "Only the UTF-8 form of JSON is allowed"
        b"[" * 100000,
        b'[{"n":"a","v":' + b"9" * 5000 + b"}]",
    ],
)
def test_5_what_is_not_a_pack(pack):
    with pytest.raises(SenmlError):
        resolve(pack)


def test_5_the_range_of_doubles_is_kept_exactly():
    for text in (
        "1.7976931348623157e308",
        "5e-324",
        "-0.1",
        "23.10",
        "1e2",
        "123456789012345678901234567890",
    ):
        value = resolve(f'[{{"n":"a","v":{text}}}]'.encode())[0]["v"]
        assert value == Decimal(text)
    pack = '[{"bv":1.7976931348623157e308,"n":"a","v":5e-324}]'.encode()
    with localcontext(prec=800):
        assert resolve(pack)[0]["v"] - Decimal("1.7976931348623157e308") == Decimal("5e-324")


@pytest.mark.parametrize("label", ["v", "t", "s", "bt", "bv", "ut"])
@pytest.mark.parametrize("value", [float("nan"), float("inf"), Decimal("-Infinity"), Decimal("NaN")])
def test_a_list_with_what_json_cannot_say(label, value):
    with pytest.raises(SenmlError):
        resolve([{"n": "a", "v": 1, label: value}])


def test_a_list_resolves_as_its_bytes_do():
    assert resolve(json.loads(PACK_5_1_3)) == resolve(PACK_5_1_3)
    assert resolve([{"n": "a", "v": 0.1, "bv": 0.2}])[0]["v"] == Decimal("0.3")
