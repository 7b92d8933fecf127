"""The two slots: desk and board read them alike, and what is torn counts as nothing."""

import pathlib
import types

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from deploy import install_slots as slots

CHOSEN = pathlib.Path(__file__).parents[2] / "firmware" / "chosen.py"
MAIN = CHOSEN.parent / "main.py"
A, B = "0123456789abcdef", "fedcba9876543210"


def board_picks(contents, folders=(A, B)):
    """The version that chosen.py puts on the path, None for none; folders: versions that are there."""
    system = types.SimpleNamespace(path=["", "/lib"])

    class Opened:
        def __init__(self, name, mode):
            self.data = contents.get(name.lstrip("/"))
            if self.data is None:
                raise OSError(2)

        def __enter__(self):
            return self

        def __exit__(self, *words):
            return False

        def read(self, size):
            return self.data[:size]

    def stat(path):
        if path.removeprefix("/fw/") not in folders:
            raise OSError(2)

    given_modules = {"sys": system, "os": types.SimpleNamespace(stat=stat), "binascii": __import__("binascii")}
    names = {**vars(__import__("builtins")), "open": Opened, "__import__": lambda name, *more: given_modules[name]}
    exec(compile(CHOSEN.read_text(), "chosen.py", "exec"), {"__builtins__": names})
    if system.path == ["", "/lib"]:
        return None
    home = system.path[0]
    assert system.path == [home, home + "/lib", "", "/lib"]
    return home.removeprefix("/fw/")


def test_a_slot_is_its_own_text():
    for number in (1, 7, 99_999_999):
        text = slots.text(slots.Slot(number, A))
        assert len(text) == slots.LENGTH
        assert slots.parsed(text) == (number, A)
    assert slots.parsed(slots.EMPTY) is None
    assert len(slots.EMPTY) == slots.LENGTH


def test_any_changed_byte_is_noticed():
    text = slots.text(slots.Slot(3, A))
    for at in range(len(text)):
        for other in (text[at] ^ 1, text[at] ^ 32, ord("0"), ord("f"), 0, 255):
            torn = text[:at] + bytes([other]) + text[at + 1 :]
            if torn != text:
                said = slots.parsed(torn)
                assert board_picks({"slot-a": torn}) == (said and said.version)
                # the checksum's own digits may be written otherwise, and are the same number then
                assert said in (None, slots.parsed(text))
                assert said is None or torn[:25] == text[:25]


SLOT = st.one_of(
    st.none(),
    st.binary(max_size=40),
    st.builds(slots.Slot, st.integers(0, 99_999_999), st.sampled_from([A, B])).map(slots.text),
    st.builds(slots.Slot, st.integers(0, 99_999_999), st.sampled_from([A, B])).map(slots.text).map(lambda t: t[:-3]),
)


@given(SLOT, SLOT)
@example(slots.text(slots.Slot(2, A)), slots.text(slots.Slot(10, B)))
@example(b"\xff" * 34, slots.text(slots.Slot(1, B)))
def test_the_board_picks_what_the_desk_says(first, second):
    contents = dict(zip(slots.NAMES, (first, second), strict=True))
    _, newest = slots.newest(contents)
    picked = board_picks(contents)
    assert picked == (newest.version if newest else None)


def test_a_version_that_somebody_removed_by_hand_is_passed_over():
    contents = {"slot-a": slots.text(slots.Slot(1, A)), "slot-b": slots.text(slots.Slot(2, B))}
    assert board_picks(contents) == B
    assert board_picks(contents, folders=(A,)) == A
    assert board_picks(contents, folders=()) is None


@given(SLOT, SLOT, st.sampled_from([A, B]))
def test_the_next_write_makes_its_version_the_newest_and_spares_the_slot_that_counts(first, second, version):
    contents = dict(zip(slots.NAMES, (first, second), strict=True))
    name, now = slots.newest(contents)
    if now is not None and now.number == 99_999_999:
        return
    wanted, text = slots.next_write(contents, version)
    assert wanted != name
    after = {**contents, wanted: text}
    assert slots.newest(after)[1].version == version
    assert board_picks(after) == version


@pytest.mark.parametrize("path", [CHOSEN, MAIN])
def test_what_a_board_begins_with_fits_into_one_sector(path):
    assert len(path.read_bytes()) <= 512
