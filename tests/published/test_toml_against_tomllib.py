"""The settings reader against tomllib, CPython's own TOML 1.0 reader (PEP 680).

What must hold: for any bytes at all, torpor.toml either refuses with a line and a reason, or gives exactly
what tomllib gives. And so that a reader which refuses everything does not pass: whatever the generator builds
from the subset is accepted. The snippets are our own; the judge of each is tomllib.
"""

import json
import tomllib

import pytest
from hypothesis import example, given
from hypothesis import settings as budget
from hypothesis import strategies as st
from torpor import toml


def read_both(data):
    """Ours as canonical JSON (None when refused), after checking it against tomllib."""
    ours, refusal = None, None
    try:
        ours = toml.parse(data)
    except toml.TomlError as error:
        refusal = error
    if refusal:
        assert 1 <= refusal.line <= data.count(b"\n") + 1
        assert len(refusal.reason.splitlines()) == 1
        return None
    canonical = json.dumps(ours, sort_keys=True)
    assert canonical == json.dumps(tomllib.loads(data.decode("utf-8")), sort_keys=True)
    return canonical


# A generator of texts in the subset.

SPACES = st.sampled_from(["", "", " ", "\t", "  \t"])
PRINTABLE = st.characters(exclude_categories=["Cs", "Cc"])
NAMED_ESCAPES = st.sampled_from(['\\"', "\\\\", "\\b", "\\t", "\\n", "\\f", "\\r"])
CODES = st.integers(0, 0x10FFFF).filter(lambda code: not 0xD800 <= code <= 0xDFFF)
ESCAPES = st.one_of(
    NAMED_ESCAPES,
    CODES.filter(lambda code: code < 0x10000).map(lambda code: f"\\u{code:04x}"),
    CODES.map(lambda code: f"\\U{code:08X}"),
)
BASIC = st.lists(st.one_of(PRINTABLE.filter(lambda c: c not in '"\\'), ESCAPES), max_size=8).map(
    lambda parts: '"' + "".join(parts) + '"'
)
LITERAL = st.text(PRINTABLE.filter(lambda c: c != "'"), max_size=8).map(lambda text: f"'{text}'")
INT64 = st.integers(-(2**63), 2**63 - 1)
NUMBERS = st.one_of(
    INT64.map(str),
    st.integers(0, 2**63 - 1).map(lambda n: f"+{n}"),
    INT64.map(lambda n: f"{n:_}"),
    st.integers(0, 2**63 - 1).map(hex),
    st.integers(0, 2**63 - 1).map(oct),
    st.integers(0, 2**63 - 1).map(lambda n: f"0b{n:_b}"),
    st.sampled_from(["0", "-0", "+0", "0x0000_00fF", "0o0", "0b0"]),
)
SCALARS = st.one_of(BASIC, LITERAL, NUMBERS, st.sampled_from(["true", "false"]))
NAMES = st.one_of(st.from_regex(r"[A-Za-z0-9_-]{1,6}", fullmatch=True), BASIC, LITERAL)
COMMENT = st.one_of(st.just(""), st.text(PRINTABLE, max_size=6).map("# {}".format))
LINE_END = st.sampled_from(["\n", "\n", "\r\n"])
GAP = st.tuples(SPACES, st.one_of(st.just(""), st.tuples(COMMENT, LINE_END).map("".join)), SPACES).map("".join)


def key_of(name):
    return next(iter(tomllib.loads(f"{name} = 1")))


def pairs_of(values, most):
    named = st.lists(st.tuples(NAMES, values), max_size=most, unique_by=lambda pair: key_of(pair[0]))
    return st.tuples(named, SPACES, SPACES).map(
        lambda drawn: [f"{name}{drawn[1]}={drawn[2]}{value}" for name, value in drawn[0]]
    )


def compound(values):
    items = st.lists(st.tuples(GAP, values, GAP).map("".join), max_size=4)
    array = st.tuples(items, st.booleans(), GAP).map(
        lambda drawn: "[" + ",".join(drawn[0]) + ("," if drawn[1] and drawn[0] else "") + drawn[2] + "]"
    )
    table = st.tuples(pairs_of(values, 3), SPACES).map(
        lambda drawn: "{" + drawn[1] + f"{drawn[1]},{drawn[1]}".join(drawn[0]) + drawn[1] + "}"
    )
    return st.one_of(array, table)


VALUES = st.one_of(SCALARS, compound(SCALARS), compound(compound(SCALARS)))


@st.composite
def documents(draw):
    """Bytes of a text in the subset: flat keys, then sections, each name once or as a repeated section."""
    names = draw(st.lists(NAMES, max_size=8, unique_by=key_of))
    flat = draw(st.integers(0, len(names)))
    lines = [f"{name}{draw(SPACES)}={draw(SPACES)}{draw(VALUES)}" for name in names[:flat]]
    for name in names[flat:]:
        repeats = draw(st.integers(0, 2))
        space = draw(SPACES)
        for _ in range(repeats or 1):
            lines.append(f"[[{space}{name}{space}]]" if repeats else f"[{space}{name}{space}]")
            lines += draw(pairs_of(VALUES, 3))
    text = "".join(draw(SPACES) + line + draw(SPACES) + draw(COMMENT) + draw(LINE_END) for line in lines)
    return text.encode()


@st.composite
def mutants(draw):
    """A document with some of its bytes changed, cut out, put in, or cut off at the end."""
    data = bytearray(draw(documents()))
    edits = st.tuples(st.sampled_from("xid"), st.integers(0, 4096), st.binary(min_size=1, max_size=3))
    for kind, place, new in draw(st.lists(edits, max_size=3)):
        at = place % (len(data) + 1)
        data[at : at + (0 if kind == "i" else len(new))] = b"" if kind == "d" else new
    keep = draw(st.one_of(st.none(), st.integers(0, 4096)))
    return bytes(data if keep is None else data[: keep % (len(data) + 1)])


@budget(max_examples=150, deadline=None)
@given(documents())
def test_whatever_is_in_the_subset_is_accepted_and_equal(data):
    try:
        tomllib.loads(data.decode("utf-8"))
    except tomllib.TOMLDecodeError:
        pytest.fail("the generator built no TOML")
    assert len(data) > toml.SIZE_MAX or read_both(data) is not None


@budget(max_examples=600, deadline=None)
@given(mutants())
@example(b"a = 1\r")
@example(b"a = '\xed\xa0\x80'")
def test_a_damaged_text_is_refused_or_equal(data):
    read_both(data)


@budget(max_examples=400, deadline=None)
@given(st.text(alphabet="ab=[]{}\"'#\\u0x-_.,\n\r\t 19true", max_size=24).map(str.encode))
def test_a_jumble_of_marks_is_refused_or_equal(data):
    read_both(data)


@budget(max_examples=150, deadline=None)
@given(st.binary(max_size=64))
def test_any_bytes_are_refused_or_equal(data):
    read_both(data)


# Snippets.

ACCEPTED = [
    "",
    "\n\r\n\t # nothing",
    "# no line end at the end",
    "a=1",
    "1 = 2\n- = 3\n_ = 4\ntrue = false\ninf = 5\n0x1 = 6",
    "'' = 0",
    '"" = 0',
    "\"a.b\" = 1\n'c d' = 2",
    '"\\u0061" = "\\U0001F332 \\u00e9 \\\\ \\" \\b\\t\\n\\f\\r"',
    "a = 'C:\\no\\escape'\nb = '#'\nc = \"# =[\"",
    "a = +9_223_372_036_854_775_807\nb = -9_223_372_036_854_775_808",
    "a = -0\nb = 0xDEAD_beef\nc = 0o755\nd = 0b1101_0",
    "a = 0x000000000000000000000000000000000000000000000000000000000000000000000000001",
    "a = []\nb = [ ]\nc = [1,]\nd = [[],[[]],]\ne = [1, 'x', true, {}]",
    "a = [ # one\n 1, # two\n # three\n 2\n\n , ]",
    "a = {}\nb = { }\nc = {x = 1, y = {z = []}}\nd = {x=[\n1,\n]}",
    "[a]\n[b]\n[ c ]\n['d']\n[\"e\"]",
    "[[a]]\n[[a]]\nx=1\n[b]\n[[a]]",
    "a = 1#c\nb = true#c\nc = [1]#c\n[d]#c\n[[e]] # c",
    "a = \"\ttab\"\nb = '\ttab'",
    "'é' = 1\n\"\u2028\" = '\x80\ufeff'",
]
# Refused by both: the text is no TOML 1.0.
NO_TOML = [
    "a",
    "a =",
    "a = \n1",
    "= 1",
    "a = 1 2",
    "a = 1 b = 2",
    "a b = 1",
    "é = 1",
    "a = 'x",
    'a = "x',
    "a = \"x'",
    'a = "\\x41"',
    'a = "\\e"',
    'a = "\\u12"',
    'a = "\\u+123"',
    'a = "\\u12_4"',
    'a = "\\ud800"',
    'a = "\\U00110000"',
    'a = "\\',
    "a = 'it''s'",
    'a = "" ""',
    "a = 01",
    "a = +01",
    "a = 1_",
    "a = _1",
    "a = 1__2",
    "a = +",
    "a = --1",
    "a = +0x1",
    "a = 0X1",
    "a = 0x",
    "a = 0x_1",
    "a = 0b2",
    "a = 0o8",
    "a = 0xg",
    "a = 1 000",
    "a = True",
    "a = yes",
    "a = truefalse",
    "a = none",
    "a = [1 2]",
    "a = [,]",
    "a = [1,,2]",
    "a = [1",
    "a = [1\n",
    "a = ]",
    "a = {",
    "a = {x=1,}",
    "a = {,}",
    "a = {x=1 y=2}",
    "a = {x=1\n}",
    "a = {\n}",
    "a = {x=1, x=2}",
    "a = {x}",
    "a = 1\na = 2",
    "a = 1\n'a' = 2",
    "[a]\n[a]",
    "a = 1\n[a]",
    "a = {}\n[a]",
    "a = []\n[[a]]",
    "a = [{}]\n[[a]]",
    "[a]\n[[a]]",
    "[[a]]\n[a]",
    "[a]\nb=1\nb=2",
    "[]",
    "[[]]",
    "[a",
    "[a\n]",
    "[[a]",
    "[[a] ]",
    "[ [a]]",
    "[a]]",
    "[a] b = 1",
    "[a b]",
    "a = 1\rb = 2",
    "a = 1\r",
    "# \x00",
    "# \x7f",
    "a = '\x01'",
    "\ufeffa = 1",
]
# TOML 1.0, but not read on a board: what a person must find in the reason.
BEYOND_THE_SUBSET = [
    ("a = 1.5", "smaller unit"),
    ("a = -0.5", "smaller unit"),
    ("a = 1e3", "smaller unit"),
    ("a = 6.02_2E+23", "smaller unit"),
    ("a = inf", "smaller unit"),
    ("a = -nan", "smaller unit"),
    ("a = 1979-05-27", "dates"),
    ("a = 1979-05-27T07:32:00Z", "dates"),
    ("a = 1979-05-27 07:32:00", "dates"),
    ("a = 07:32:00", "dates"),
    ('a = """x"""', "several lines"),
    ("a = '''\nx'''", "several lines"),
    ("a.b = 1", "dots"),
    ("a . b = 1", "dots"),
    ("[a.b]", "dots"),
    ("[[a.b]]", "dots"),
    ("a = {b.c = 1}", "dots"),
    ("a = 9223372036854775808", "64 bits"),
    ("a = -9223372036854775809", "64 bits"),
    ("a = 0x8000000000000000", "64 bits"),
    ("a = 1" + "0" * 300, "64 bits"),
    ("a = [[[[[[[[1]]]]]]]]", "deep"),
]


@pytest.mark.parametrize("text", ACCEPTED)
def test_valid_snippets_are_accepted(text):
    assert read_both(text.encode()) is not None


@pytest.mark.parametrize("text", NO_TOML)
def test_what_is_no_toml_is_refused(text):
    with pytest.raises(tomllib.TOMLDecodeError):
        tomllib.loads(text)
    assert read_both(text.encode()) is None


@pytest.mark.parametrize(("text", "clue"), BEYOND_THE_SUBSET)
def test_what_a_board_does_not_read_is_refused_with_a_clue(text, clue):
    tomllib.loads(text)
    with pytest.raises(toml.TomlError, match=clue):
        toml.parse(text.encode())


@pytest.mark.parametrize("text", ACCEPTED + NO_TOML + [text for text, _ in BEYOND_THE_SUBSET])
def test_every_cut_of_every_snippet_is_refused_or_equal(text):
    data = text.encode()
    for size in range(len(data)):
        read_both(data[:size])


@pytest.mark.parametrize(
    "data",
    [
        b"\x80",
        b"a='\xc3'",
        b"a='\xc0\xaf'",
        b"a='\xe0\x80\xaf'",
        b"a='\xed\xa0\x80'",
        b"a='\xf0\x80\x80\x80'",
        b"a='\xf4\x90\x80\x80'",
        b"a='\xf5\x80\x80\x80'",
        b"a='\xff'",
        b"#\xe2\x82",
    ],
)
def test_bad_utf8_is_refused_as_python_refuses_it(data):
    with pytest.raises(UnicodeDecodeError):
        data.decode("utf-8")
    assert read_both(data) is None


def test_every_short_utf8_sequence_is_judged_as_python_judges_it():
    tails = (0x41, 0x7F, 0x80, 0x8F, 0x90, 0x9F, 0xA0, 0xBF, 0xC0)
    for lead in range(0x80, 0x100):
        for second in tails:
            for rest in (b"", b"\x80", b"\x80\x80"):
                data = b"a='" + bytes((lead, second)) + rest + b"'"
                try:
                    valid = tomllib.loads(data.decode("utf-8")) is not None
                except (UnicodeDecodeError, tomllib.TOMLDecodeError):
                    valid = False
                assert (read_both(data) is not None) == valid, data
