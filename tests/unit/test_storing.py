"""STORE, and a card met for the first time: what is no ring of ours is left alone; readings are held meanwhile."""

import random

import pytest
from ring_device import Device
from session_ports import SETTINGS, Board, PowerLoss, deployed, diary, held_in, hold_back, run_until_quiet
from torpor import record, retained, ring, ring_layout
from torpor.errors import CardError


def file_of(board):
    return next(iter(board.files.values()))


def layouts_of(board):
    found = {}
    for slot in range(ring.LAYOUT_SLOTS):
        layout = ring_layout.load(file_of(board), slot, diary(board).ring_id, bytearray(512))
        if layout is not None:
            found[slot] = [channel[0] for channel in layout[5]]
    return found


def with_sensor(read, more=""):
    return SETTINGS.replace('read = ["temperature", "relative_humidity"]', f"read = {read}") + more


def test_one_reading_is_one_sector_write():
    board = hold_back(deployed(), 2)
    writes = file_of(board).writes
    hold_back(board, 30)
    assert file_of(board).writes == writes + 30


def foreign(kind):
    """A file on the card that is not this board's ring."""
    board = deployed()
    hold_back(board, 5)
    device = file_of(board)
    if kind.startswith("random"):
        return Device(3072 if "larger" in kind else 2048, 7)
    if kind == "another board's":
        return device
    if kind == "shortened":
        short = Device(1500, 7)
        short.sectors = {index: data for index, data in device.sectors.items() if index < 1500}
        return short
    return Device(100, 7)


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        *(
            (name, kind)
            for name in ("torpor.ring", "other.ring")
            for kind in ("another board's", "shortened", "tiny")
        ),
        ("x.ring", "random"),
        ("torpor.ring", "random, larger"),
    ],
)
def test_a_file_that_is_no_ring_of_ours_is_never_written(kind, name):
    board = Board()
    board.eui = bytes(range(8))
    device = board.files[name] = foreign(kind)
    before, writes = device.image(), device.writes
    board.wake("power-on")
    hold_back(board, 4)
    assert device.writes == writes
    assert device.image() == before or kind.startswith(("random", "tiny"))
    assert list(board.files) == [name]
    assert diary(board).faults[retained.FAULTS.index("card")] > 0
    # all is delivered from retained memory instead
    assert run_until_quiet(board)
    seqs = [seq for _, seq, _, _ in board.readings()]
    assert sorted(set(seqs)) == list(range(1, max(seqs) + 1))


def test_where_the_card_has_lost_all_of_the_ring_a_new_one_begins():
    board = hold_back(deployed(), 5)
    lost = diary(board).ring_id
    device = file_of(board)
    device.sectors = {}
    board.wake("power-on")
    hold_back(board, 4)
    assert diary(board).ring_id != lost
    assert (diary(board).head, held_in(board).count()) == (5, 0)
    assert diary(board).faults[retained.FAULTS.index("card")] == 1


@pytest.mark.parametrize("sector", [0, 1000, 2047])
def test_a_single_sector_that_speaks_of_a_ring_or_cannot_be_read_keeps_it_as_it_is(sector):
    for spoil in ("magic", "unreadable"):
        board = hold_back(deployed(), 5)
        device = file_of(board)
        device.sectors = {}
        if spoil == "magic":
            device.sectors[sector] = b"tpRg" + bytes(508)
        else:
            device.unreadable = {sector}
        before, writes = device.image(), device.writes
        board.wake("power-on")
        hold_back(board, 4)
        assert (device.writes, {**device.image(), **before}) == (writes, device.image())


def test_without_a_card_readings_are_held_and_go_on_under_the_ring_when_it_is_back():
    board = deployed()
    before = diary(board).head
    board.card_present = False
    hold_back(board, 3)
    assert held_in(board).count() == 3
    assert diary(board).head == before
    board.card_present = True
    hold_back(board, 2)
    assert diary(board).head == before + 2
    assert held_in(board).count() == 3
    assert run_until_quiet(board)
    assert diary(board).unstored == 0


def test_a_full_card_and_later_room():
    board = Board()
    board.card_full = True
    board.wake("power-on")
    hold_back(board, 2)
    assert board.files == {}
    board.card_full = False
    hold_back(board, 2)
    assert diary(board).head == 2


def test_what_no_longer_fits_is_counted_unstored():
    board = deployed(retained_bytes=256)
    board.card_present = False
    capacity = (256 - retained.SIZE - 24) // record.stride(3)
    hold_back(board, capacity + 4)
    assert held_in(board).count() == capacity
    assert diary(board).unstored == 4


def test_missed_slots_are_counted_once_whatever_fails():
    board = deployed()
    board.wake()
    missed = diary(board).missed
    board.now_ms += 3 * 600_000
    plain = board.copy()
    plain.wake()
    wanted = diary(plain).missed
    assert wanted == missed + 3
    for at in range(len(plain.calls) - 1):
        this = board.copy()
        this.fault = (at, ValueError("x"))
        this.wake()
        this.fault = None
        for _ in range(3):
            this.wake()
        assert diary(this).missed in (wanted, wanted + 1), plain.calls[at]


@pytest.mark.parametrize("error", [CardError("x"), OSError(5), ValueError("x"), MemoryError("x")])
def test_a_reading_that_the_card_does_not_take_is_held(error):
    board = deployed()
    clean = board.copy()
    clean.wake()
    for at, name in enumerate(clean.calls):
        if name.split(".")[0] in ("card", "file"):
            this = board.copy()
            this.fault = (at, error)
            this.wake()
            done = this.events().count("held") + this.events().count("stored")
            assert done == 1, name


@pytest.mark.parametrize("error", [CardError("x"), OSError(5)])
def test_a_card_that_fails_while_the_ring_is_made_is_made_into_one_later(error):
    clean = Board()
    clean.wake("power-on")
    for at, name in enumerate(clean.calls):
        if name.split(".")[0] not in ("card", "file"):
            continue
        board = Board()
        board.fault = (at, error)
        board.wake("power-on")
        board.fault = None
        for _ in range(3):
            board.wake()
        assert diary(board).head >= 2, (at, name)
        assert 0 in layouts_of(board)


def test_a_power_cut_at_any_moment_while_the_ring_is_made_leaves_nothing_that_is_in_the_way():
    clean = Board()
    clean.wake("power-on")
    swept = 0
    for at, name in enumerate(clean.calls):
        if name.split(".")[0] not in ("card", "file"):
            continue
        board = Board()
        board.fault = (at, PowerLoss())
        with pytest.raises(PowerLoss):
            board.wake("power-on")
        board.fault = None
        board.lose_power()
        board.wake("power-on")
        hold_back(board, 2)
        assert diary(board).head >= 2, (at, name)
        assert held_in(board).count() == 0
        swept += 1
    assert swept > 8


def test_a_ring_of_another_size_in_the_settings_stays_as_it_is():
    board = hold_back(deployed(), 3)
    count = file_of(board).sector_count
    board.settings = SETTINGS.replace("size_mib = 1", "size_mib = 2").encode()
    hold_back(board, 3)
    assert file_of(board).sector_count == count
    assert diary(board).head == 7
    board.lose_power()
    board.wake("power-on")
    assert diary(board).head == 8
    assert run_until_quiet(board)


def test_a_change_of_channels_takes_the_next_slot_and_the_backlog_survives_it():
    board = hold_back(deployed(), 3)
    head = diary(board).head
    board.settings = with_sensor('["temperature"]').encode()
    hold_back(board, 2)
    board.settings = SETTINGS.encode()
    hold_back(board, 1)
    assert layouts_of(board) == {
        0: ["temperature", "relative-humidity", "battery"],
        1: ["temperature", "battery"],
    }
    assert diary(board).layout == 0
    assert run_until_quiet(board)
    values = {seq: sorted(reading["values"]) for _, seq, _, reading in board.readings()}
    full = ["battery", "relative-humidity", "temperature"]
    assert [values[seq] for seq in range(1, head + 1)] == [full] * head
    assert [values[head + 1], values[head + 2]] == [["battery", "temperature"]] * 2
    assert values[head + 3] == full


def test_too_many_channels_go_on_under_the_old_layout_by_name():
    board = hold_back(deployed(), 2)
    lines = "".join(f'[[analog]]\nname = "a{n}"\npin = "A{n}"\n' for n in range(7))
    board.pin_mv.update({f"a{n}": 100 + n for n in range(7)})
    text = with_sensor('["relative_humidity"]', lines).replace("size_mib = 1", "size_mib = 1\nchannels_max = 12")
    board.settings = text.encode()
    hold_back(board, 2)
    assert list(layouts_of(board)) == [0]
    memory = diary(board)
    assert memory.bits & retained.OLD_LAYOUT
    assert memory.faults[retained.FAULTS.index("settings")] == 1
    reads = file_of(board).reads
    hold_back(board, 1)
    # settled once: no search through all slots at every wake
    assert file_of(board).reads - reads <= 6
    assert run_until_quiet(board)
    _, _, _, reading = board.readings()[-1]
    assert set(reading["values"]) == {"relative-humidity", "battery"}
    assert reading["values"]["relative-humidity"] == (6150, -2)
    assert reading["flags"] == {"temperature": record.SENSOR_FAILED}
    # other settings that fit again end it
    board.settings = SETTINGS.encode()
    hold_back(board, 1)
    assert not diary(board).bits & retained.OLD_LAYOUT


def test_used_up_slots_go_on_under_the_old_layout():
    board = hold_back(deployed(), 1)
    for n in range(ring.LAYOUT_SLOTS + 2):
        label = f'\nlabel = "s{n}"'
        board.settings = SETTINGS.replace('driver = "air.Air"', 'driver = "air.Air"' + label).encode()
        hold_back(board, 1)
    assert len(layouts_of(board)) == ring.LAYOUT_SLOTS
    assert diary(board).bits & retained.OLD_LAYOUT
    assert diary(board).layout == ring.LAYOUT_SLOTS - 1
    assert run_until_quiet(board)
    assert board.delivered()[f"{diary(board).ring_id:08x}"] == set(range(1, diary(board).head + 1))


def test_a_slot_in_use_is_not_given_away_when_its_copies_are_lost():
    board = hold_back(deployed(), 2)
    board.settings = with_sensor('["temperature"]').encode()
    hold_back(board, 1)
    device = file_of(board)
    half = ring.half_sectors(device.sector_count)
    for copy in (0, 1):
        device.sectors[ring_layout.sector_of(1, copy, half)] = random.Random(copy).randbytes(512)
    board.settings = with_sensor('["relative_humidity"]').encode()
    hold_back(board, 1)
    assert layouts_of(board)[2] == ["relative-humidity", "battery"]
    assert 1 not in layouts_of(board)


def test_an_unreadable_layout_slot_does_not_stop_storing():
    board = hold_back(deployed(), 2)
    device = file_of(board)
    half = ring.half_sectors(device.sector_count)
    for copy in (0, 1):
        device.unreadable.add(ring_layout.sector_of(9, copy, half))
    board.settings = with_sensor('["temperature"]').encode()
    hold_back(board, 2)
    assert diary(board).head == 5
    assert layouts_of_readable(board, 10) == ["temperature", "battery"]


def layouts_of_readable(board, slot):
    return [c[0] for c in ring_layout.load(file_of(board), slot, diary(board).ring_id, bytearray(512))[5]]


def test_one_copy_of_a_layout_is_made_two_again():
    board = hold_back(deployed(), 2)
    device = file_of(board)
    place = ring_layout.sector_of(0, 1, ring.half_sectors(device.sector_count))
    whole = bytes(device.sectors[place])
    device.sectors[place] = bytes(512)
    board.settings = SETTINGS.encode() + b"\n# edited\n"
    hold_back(board, 1)
    assert bytes(device.sectors[place]) == whole


def test_a_new_layout_is_not_written_beside_the_newest_reading():
    # the last places of half 0 lie beside the layouts of half 1: one destroyed group of sectors would take both
    board = deployed()
    half = ring.half_sectors(file_of(board).sector_count)
    newest = 2 * (half - 2)
    hold_back(board, newest - diary(board).head)
    assert diary(board).head == newest
    board.settings = with_sensor('["temperature"]').encode()
    hold_back(board, 1)
    assert list(layouts_of(board)) == [0]
    assert diary(board).layout == retained.NO_LAYOUT
    hold_back(board, 1)
    assert layouts_of(board)[1] == ["temperature", "battery"]
    assert diary(board).layout == 1
    file = file_of(board)
    this = ring.Ring(file, diary(board).ring_id, record.stride(8), diary(board).head)
    layouts = [record.decode(this.read(seq), 0, 3)[3] for seq in (newest, newest + 1, newest + 2)]
    assert layouts == [0, 0, 1]
    # humidity is not read any more, and stands as absent in the old layout
    assert record.decode(this.read(newest + 1), 0, 3)[5][1] == record.ABSENT


def test_a_reset_has_the_sectors_around_the_head_looked_at():
    board = hold_back(deployed(), 12)
    device = file_of(board)
    head = diary(board).head
    place = ring.Ring(device, diary(board).ring_id, record.stride(8), head).sector_of(head - 2)
    device.sectors[place] = bytes(512)
    board.wake()
    assert device.sectors[place] == bytes(512)
    board.wake("watchdog")
    hold_back(board, 1)
    assert device.sectors[place] != bytes(512)
