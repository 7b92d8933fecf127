"""Boards side by side: offsets from the median, and a console of any bytes."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from deploy.bringup_compare import Unreadable, compare, read


def record(label, degc=None, failed=(), chip="00ff"):
    numbers = {"battery_mv": 3900}
    if degc is not None:
        numbers["temperature"] = {"mean": round(degc * 100), "spread": 1, "exponent": -2, "unit": "Cel"}
    items = [
        {"item": item, "result": "fail", "fault": fault, "value": "v", "limit": "", "do": ""}
        for item, fault in failed
    ]
    return {
        "bringup": 1,
        "label": label,
        "chip": chip + label,
        "items": items,
        "numbers": numbers,
        "failed": len(items),
    }


def console(path, *records):
    path.write_text("boot\r\n>>> \r\n" + "".join("pass        x\r\n" + json.dumps(r) + "\r\n" for r in records))
    return path


def test_records_are_found_among_other_lines(tmp_path):
    assert [found["label"] for found in read(console(tmp_path / "a.txt", record("1"), record("2")))] == ["1", "2"]


@pytest.mark.parametrize("text", ["", "nothing", "{}", '{"bringup": 2}', '{"bringup": 1, "items": 3}', "[" * 100000])
def test_a_file_without_a_record(tmp_path, text):
    path = tmp_path / "a.txt"
    path.write_text(text)
    with pytest.raises(Unreadable, match="no bring-up record"):
        read(path)


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(Unreadable, match="No such file"):
        read(tmp_path / "a.txt")


def test_boards_that_agree():
    found = compare([record("1", 20.0), record("2", 20.3), record("3", 20.1)])
    assert not found.wrong
    assert found.lines == ["3 board(s): nothing failed, and none stands out"]
    assert found.table is not None


def test_the_one_that_stands_out_is_named_and_no_other():
    found = compare([record("1", 20.0), record("2", 20.3), record("3", 22.0)])
    assert found.wrong
    assert [line.split(":")[0] for line in found.lines] == ["3"]
    assert "+1.700" in found.lines[0]


def test_what_failed_is_said_with_its_board():
    found = compare([record("1"), record("2", failed=[("card", "card-absent")])])
    assert found.wrong
    assert found.lines == ["2: card (card-absent): v"]


def test_the_newest_record_of_a_board_counts():
    found = compare([record("1", failed=[("card", "card-absent")]), record("1", 20.0)])
    assert not found.wrong


def test_two_boards_with_one_label_are_two():
    found = compare([record("1", 20.0, chip="aa"), record("1", 20.1, chip="bb")])
    assert found.lines == ["2 board(s): nothing failed, and none stands out"]


def test_a_figure_beyond_all_bounds_is_no_figure():
    huge = record("1", 20.0)
    huge["numbers"]["temperature"]["mean"] = 10**400
    assert compare([huge, record("2", 20.0)]).table is None


def test_one_board_has_no_median():
    assert compare([record("1", 20.0)]).table is None


LEAF = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=9)
ANY = st.recursive(LEAF, lambda x: st.lists(x, max_size=4) | st.dictionaries(st.text(max_size=9), x, max_size=4))
ENTRY = st.fixed_dictionaries(
    {}, optional={"mean": LEAF, "spread": LEAF, "exponent": LEAF, "unit": st.sampled_from(["Cel", "V", "/"]) | LEAF}
)


@given(
    st.lists(
        st.fixed_dictionaries(
            {
                "items": st.lists(ANY, max_size=4),
                "numbers": st.dictionaries(st.sampled_from(["a", "b", "[c"]), ENTRY | ANY, max_size=3),
            },
            optional={"label": LEAF, "chip": LEAF},
        ),
        min_size=1,
        max_size=4,
    )
)
def test_records_of_any_content_are_laid_side_by_side(records):
    compare(records)


@given(st.binary(max_size=300))
def test_a_console_of_any_bytes_holds_no_record(tmp_path_factory, data):
    path = tmp_path_factory.mktemp("console") / "a.txt"
    path.write_bytes(data)
    with pytest.raises(Unreadable, match=r"\A[^\n]*\Z"):
        read(path)
