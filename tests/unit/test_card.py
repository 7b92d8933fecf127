"""A memory card. Law: a sector holds what was last really written to it, or rubbish."""

import errno
from random import Random

import pytest

from hostsim.card import SECTOR, UNSAVED_MAX, Card, CardFault


def card(windows=(), **more):
    found = Card(windows, **more)
    found.create("a.ring", 40)
    found.keep("a.ring")
    return found


def read(found, sector):
    buffer = bytearray(SECTOR)
    found.read(sector, buffer)
    return bytes(buffer)


def fault(call, *arguments):
    with pytest.raises(CardFault) as caught:
        call(*arguments)
    return caught.value.errno


def test_what_was_written_is_read_and_is_a_copy():
    found = card()
    data = bytearray(b"\x5a" * SECTOR)
    found.write(7, data)
    data[0] = 0
    found.write(8, b"\x01" * SECTOR)
    assert read(found, 7) == b"\x5a" * SECTOR == found.peek(7)
    assert read(found, 8) == b"\x01" * SECTOR
    assert (found.reads, found.writes) == (2, 2)


@pytest.mark.parametrize("seed", range(5))
def test_it_does_not_matter_where_the_sectors_wait(seed):
    draw = Random(seed)
    count = 3 * UNSAVED_MAX
    found = Card(())
    found.create("a.ring", count)
    last = {}
    for turn in range(10 * UNSAVED_MAX):
        sector = draw.randrange(count) if turn % 3 else turn // 3 % count
        last[sector] = turn.to_bytes(4, "big") * (SECTOR // 4)
        found.write(sector, last[sector])
        for look in (sector, draw.choice(list(last))):
            assert read(found, look) == last[look] == found.peek(look)
    assert len(last) > 2 * UNSAVED_MAX
    image = found.image()
    assert len(image) == count * SECTOR
    for sector in range(count):
        assert image[sector * SECTOR : (sector + 1) * SECTOR] == last.get(sector, bytes(SECTOR))


def test_a_file_has_no_name_before_it_is_kept():
    found = Card([])
    found.create("a.ring", 40)
    found.write(3, b"\x5a" * SECTOR)
    assert found.names() == []
    # what a power cut left is replaced
    found.create("a.ring", 40)
    assert read(found, 3) != b"\x5a" * SECTOR
    found.keep("a.ring")
    assert found.names() == ["a.ring"]
    assert fault(found.keep, "b.ring") == errno.ENOENT


def test_a_new_file_is_rubbish_and_neither_zero_nor_alike():
    found = card()
    seen = {read(found, sector) for sector in range(40)}
    assert len(seen) == 40
    assert bytes(SECTOR) not in seen
    assert found.peek(3) is None


@pytest.mark.parametrize("sector", [-1, 40, 10**9])
def test_a_sector_outside_the_file_is_refused(sector):
    found = card()
    assert fault(found.read, sector, bytearray(SECTOR)) == errno.EINVAL
    assert fault(found.write, sector, bytes(SECTOR)) == errno.EINVAL
    assert found.writes == 0


@pytest.mark.parametrize("size", [0, 511, 513])
def test_a_part_of_a_sector_is_refused(size):
    found = card()
    assert fault(found.write, 3, bytes(size)) == errno.EINVAL
    assert fault(found.read, 3, bytearray(size)) == errno.EINVAL
    assert found.peek(3) is None


def test_one_file_and_no_second():
    found = card()
    for name in ("a.ring", "b.ring"):
        assert fault(found.create, name, 40) == errno.EEXIST
    assert found.names() == ["a.ring"]
    assert found.sector_count("a.ring") == 40
    assert fault(found.sector_count, "b.ring") == errno.ENOENT


def test_a_file_larger_than_the_card_is_refused_and_leaves_nothing():
    found = Card((), size_mib=1)
    assert fault(found.create, "a.ring", 2049) == errno.ENOSPC
    assert found.names() == []
    found.create("a.ring", 2048)


@pytest.mark.parametrize(("now_s", "there"), [(9.9, True), (10, False), (19.9, False), (20, True)])
def test_it_is_absent_in_its_windows(now_s, there):
    found = card([(10, 20, "absent")])
    if there:
        found.check(now_s)
    else:
        assert fault(found.check, now_s) == errno.ENODEV


def test_having_been_pulled_shows():
    found = card([(10, 20, "absent"), (15, 16, "absent"), (50, 60, "absent")])
    assert [found.seating(now_s) for now_s in (0, 12, 30, 70)] == [0, 1, 2, 3]


def test_only_what_landed_is_told():
    landed = []
    found = card(wrote=lambda sector, data: landed.append((sector, bytes(data))))
    found.write(1, b"a" * SECTOR)
    fault(found.write, 99, b"b" * SECTOR)
    assert landed == [(1, b"a" * SECTOR)]
