"""The settings text: lines, limits, and that a refusal keeps quiet about what the file says."""

import contextlib

import pytest
from torpor import toml


def refused(data):
    with pytest.raises(toml.TomlError) as caught:
        toml.parse(data)
    return caught.value


def test_lines_of_names_and_sections():
    lines = {}
    toml.parse(b"\na = 1\r\n# x\n[s]\nb = [\n1,\n{ c = 2 },\n]\n[[n]]\n\n[[n]]\n'd' = 3\n", lines)
    assert lines == {
        ("a",): 2,
        ("s",): 4,
        ("s", "b"): 5,
        ("s", "b", 1): 7,
        ("s", "b", 1, "c"): 7,
        ("n",): 9,
        ("n", 0): 9,
        ("n", 1): 11,
        ("n", 1, "d"): 12,
    }


def test_asking_for_lines_changes_nothing():
    data = b"a = [{x = 1}]\n[[n]]\nb = 2\n"
    assert toml.parse(data, {}) == toml.parse(data)


@pytest.mark.parametrize(
    ("data", "line"),
    [
        (b"a = 1\nb = 1.5", 2),
        (b"a = 1\r\n\r\nb = x\r\n", 3),
        (b"a = [\n1,\n2\n\n3]", 5),
        (b"a = 'x\nb = 1", 1),
        (b"\n\n# \x07", 3),
        (b"\n\n'\xff'", 3),
        (b"a = 1\n[s]\na = 1\na = 2\n", 4),
        (b"[s]\n\n[s]", 3),
    ],
)
def test_the_line_of_a_refusal(data, line):
    refusal = refused(data)
    assert refusal.line == line
    assert str(refusal) == f"line {line}: {refusal.reason}"


def test_an_open_list_is_reported_by_where_it_begins():
    assert "begins on line 2" in refused(b"a = 1\nb = [\n1,\n2,\n").reason


def test_size_is_bounded_on_both_sides():
    filler = b"#" * (toml.SIZE_MAX - 6) + b"\na = 1"
    assert len(filler) == toml.SIZE_MAX
    assert toml.parse(filler) == {"a": 1}
    assert str(toml.SIZE_MAX) in refused(filler + b"\n").reason


def test_depth_is_bounded_on_both_sides():
    deepest = toml.DEPTH_MAX + 1  # the innermost list is empty, so nothing stands in it
    toml.parse(b"a = " + b"[" * deepest + b"]" * deepest)
    assert "deep" in refused(b"a = " + b"[" * (deepest + 1) + b"]" * (deepest + 1)).reason
    assert "deep" in refused(b"a = " + b"[" * 16000).reason
    assert "deep" in refused(b"a = " + b"{a = " * 3000).reason


def list_of(count):
    return b"a = [%s]\n" % (b"1," * (count - 1))


def names(count):
    return b"".join([b"a%d = 1\n" % number for number in range(count)])


@pytest.mark.parametrize("text", [list_of, names, lambda count: b"[[n]]\n" * count])
def test_the_number_of_values_is_bounded_on_both_sides(text):
    toml.parse(text(toml.VALUES_MAX))
    assert str(toml.VALUES_MAX) in refused(text(toml.VALUES_MAX + 1)).reason


def test_no_byte_in_any_place_raises_anything_else():
    frames = (b"%s", b"a = %s", b"a = '%s'", b'a = "%s"', b'a = "\\%s"', b"[%s]", b"a = [%s]", b"a = {%s}")
    for frame in frames:
        for byte in range(256):
            with contextlib.suppress(toml.TomlError):
                toml.parse(frame % bytes((byte,)))


SECRET = "Zq7xKw9vTb3m"


@pytest.mark.parametrize(
    "text",
    [
        "password = {}",
        "password = '{}",
        'password = "{}',
        'password = "{}\\q"',
        'password = "\\{}"',
        "password = '''{}'''",
        'password = """{}"""',
        "password = '{}' x",
        "password = '' {}",
        "password = [{}]",
        "password = [ '{}' 'b' ]",
        "password = {{ {} }}",
        "password '{}'",
        "password: '{}'",
        "password = 0{}",
        "password = 1.5{}",
        "password = 2020-{}",
        "password = 'a'{}",
        "{} = ",
        "[{}",
        "{} = 1\n{} = 1",
        "[{}]\n[{}]",
    ],
)
def test_a_refusal_never_repeats_the_file(text):
    refusal = refused(text.replace("{}", SECRET).replace("{{", "{").replace("}}", "}").encode())
    said = f"{refusal} {refusal!r} {refusal.reason} {refusal.args}".lower()
    assert not [SECRET[at : at + 3] for at in range(len(SECRET) - 2) if SECRET[at : at + 3].lower() in said]


def test_a_bytearray_and_bytes_read_alike():
    data = b"a = 'x'\n[b]\nc = [1, 2] # \xc3\xa9\n"
    assert toml.parse(bytearray(data)) == toml.parse(data) == {"a": "x", "b": {"c": [1, 2]}}
