"""The backlog: readings as packets, waiting for the time, and the anchor of a run looked for among bad sectors."""

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from ring_device import Device
from session_ports import SETTINGS, Board, diary, run_until_quiet
from torpor import backlog, record, ring_layout, timekeeping
from torpor.retained import Retained

from hostsim import senml_read

EUI = bytes.fromhex("00163efffe123456")
CHANNELS = [("temperature", "Cel", -2, "a.A"), ("battery", "V", -3, "analog")]
NOW_S = 1_800_000_000


def ring_of(runs, channels=CHANNELS):
    """A ring with the readings of `runs`: (run, how many, epoch_s known from which of them on, or None)."""
    found = ring_layout.create(Device(2048), 0xABCD1234, record.stride(4), EUI, "n", channels)
    for run, count, known_from in runs:
        for index in range(count):
            epoch_s = 0 if known_from is None or index < known_from else NOW_S + 10_000 * run
            data = bytearray(found.stride)
            values = [2000 + index, record.ABSENT if index % 5 == 4 else 3900]
            flags = [0, record.SENSOR_FAILED if index % 5 == 4 else 0]
            record.encode(data, 0, found.stride, (60 * index, record.TIME_UNKNOWN, run, 0, 0, values, flags))
            found.append(data, (run, epoch_s, 3 if epoch_s else 0, 0))
    return found


def diary_of(run=99, epoch_s=0):
    r = Retained(bytearray(0))
    r.run, r.run_epoch_s, r.run_uncertainty_s = run, epoch_s, 3
    r.bits = 1 if epoch_s else 0
    return r


def packed(this, seq, r, now_run_s=0, patience_s=3600, sent_to=0, channels=CHANNELS):
    packer = backlog.Packer("n", EUI, r, now_run_s, patience_s)
    data = packer.packet(backlog.RingSource(this, 0, channels), seq, sent_to)
    if not data:
        return data
    start = data.index(b"[{")
    return senml_read.reading(data[start:])


def test_absent_values_are_left_out_and_say_why():
    this = ring_of([(1, 5, 0)])
    assert packed(this, 1, diary_of())["values"] == {"temperature": (2000, -2), "battery": (3900, -3)}
    reading = packed(this, 5, diary_of())
    assert reading["values"] == {"temperature": (2004, -2)}
    assert reading["flags"] == {"battery": record.SENSOR_FAILED}


def test_a_reading_of_this_run_waits_for_the_time_up_to_the_patience():
    this = ring_of([(1, 3, None)])
    assert packed(this, 1, diary_of(1), 3599) is None
    reading = packed(this, 2, diary_of(1), 3600)
    assert (reading["time_s"], reading["run"], reading["run_s"]) == (None, 1, 60)
    reading = packed(this, 2, diary_of(1, NOW_S))
    assert (reading["time_s"], reading["uncertainty_s"], reading["run"]) == (NOW_S + 60, 3, None)


def test_a_run_that_ended_without_the_time_does_not_wait():
    this = ring_of([(1, 3, None), (2, 3, None)])
    assert packed(this, 1, diary_of(2))["run"] == 1
    assert packed(this, 4, diary_of(2)) is None


def test_a_run_that_learned_the_time_late_dates_its_first_readings():
    this = ring_of([(1, 40, None), (2, 50, 49), (3, 40, None)])
    for seq in (41, 60, 89, 90):
        reading = packed(this, seq, diary_of(3))
        assert reading["time_s"] == NOW_S + 20_000 + 60 * (seq - 41)
    assert packed(this, 40, diary_of(3))["run"] == 1


@given(
    st.lists(st.tuples(st.integers(1, 30), st.one_of(st.none(), st.integers(0, 29))), min_size=1, max_size=6),
    st.sets(st.integers(1, 180), max_size=120),
    st.randoms(use_true_random=False),
)
@settings(max_examples=60, deadline=None)
def test_an_anchor_is_never_of_another_run_and_found_where_sectors_are_whole(shape, bad, draw):
    runs = [(number + 1, count, known) for number, (count, known) in enumerate(shape)]
    this = ring_of(runs)
    for seq in bad:
        if seq <= this.head:
            place = this.sector_of(seq)
            if draw.random() < 0.5:
                this.file.unreadable.add(place)
            else:
                this.file.sectors[place] = random.Random(seq).randbytes(512)
    first = 1
    for run, count, known in runs:
        whole = [seq for seq in range(first, first + count) if this.anchor_in(seq, bytearray(512))]
        found = backlog.last_anchor(this, first, run)
        if found is not None:
            assert found[0] == run
            assert found[1] in (0, NOW_S + 10_000 * run)
            assert whole
        if whole and not bad:
            assert (found[1] != 0) == (known is not None and known < count)
        first += count


@pytest.mark.parametrize("size", [8, 32, 64])
@pytest.mark.parametrize("offset", range(0, 90, 7))
def test_a_group_destroyed_in_one_half_hides_no_anchor(size, offset):
    this = ring_of([(1, 20, None), (2, 200, 3), (3, 20, None)])
    for seq in range(21 + offset, min(this.head, 21 + offset + 2 * size), 2):
        this.file.sectors[this.sector_of(seq)] = random.Random(seq).randbytes(512)
    assert backlog.last_anchor(this, 21, 2)[1] == NOW_S + 20_000


def test_a_rebuilt_sector_without_the_time_does_not_hide_what_others_say():
    this = ring_of([(1, 20, 3)])
    buffer = bytearray(512)
    assert this.load(20, buffer)
    buffer[22:26] = bytes(4)
    from torpor.ring import seal

    seal(buffer)
    this.file.write(this.sector_of(20), buffer)
    assert backlog.last_anchor(this, 1, 1)[1] == NOW_S + 10_000


def test_looking_for_an_anchor_reads_few_sectors():
    this = ring_of([(1, 1500, 1499), (2, 5, None)])
    reads = this.file.reads
    assert backlog.last_anchor(this, 1, 1)[1] == NOW_S + 10_000
    assert this.file.reads - reads <= 16


def test_layouts_mix_and_a_lost_one_costs_its_readings_only():
    this = ring_of([(1, 4, 0)])
    other = [("lux", "lx", 0, "b.B")]
    buffer = bytearray(512)
    ring_layout.encode(buffer, 1, this.stride, this.ring_id, this.half, EUI, "n", other)
    ring_layout.write(this.file, 1, buffer)
    for layout in (1, 7, 255):
        data = bytearray(this.stride)
        record.encode(data, 0, this.stride, (NOW_S, 5, 1, layout, 0, [800], [0]))
        this.append(data, (1, 0, 0, 0))
    r = diary_of()
    assert packed(this, 4, r)["values"]["temperature"] == (2003, -2)
    assert packed(this, 5, r)["values"] == {"lux": (800, 0)}
    assert packed(this, 5, r, channels=other)["values"] == {"lux": (800, 0)}
    assert packed(this, 6, r) == b""
    assert packed(this, 7, r) == b""
    for copy in (0, 1):
        this.file.unreadable.add(ring_layout.sector_of(1, copy, this.half))
    assert packed(this, 5, r) == b""
    assert packed(this, 4, r)["seq"] == 4


def test_a_layout_with_more_channels_than_a_record_has_is_not_believed():
    this = ring_of([(1, 2, 0)])
    buffer = bytearray(512)
    many = [(f"c{n}", "V", 0, "x") for n in range(9)]
    ring_layout.encode(buffer, 1, this.stride, this.ring_id, this.half, EUI, "n", many)
    ring_layout.write(this.file, 1, buffer)
    data = bytearray(this.stride)
    record.encode(data, 0, this.stride, (NOW_S, 5, 1, 1, 0, [1], [0]))
    this.append(data, (1, 0, 0, 0))
    assert packed(this, 3, diary_of()) == b""


def test_what_a_unit_of_the_card_took_costs_two_reads_a_number():
    this = ring_of([(1, 30, 0)])
    source = backlog.RingSource(this, 0, CHANNELS)
    for gone, found in (((), 5), ((5, 6, 7), 5), (range(5, 25), 25 - this.window + 1), (range(5, 31), 31)):
        device = this.file = this.file.copy(0, 0)
        for seq in gone:
            device.sectors[this.sector_of(seq)] = bytes(512)
        assert source.next_from(5, lambda: True) == found
        assert device.reads <= 2 * len(gone) + 2
        assert all((source.read(seq) is not None) == (seq >= found) for seq in range(5, 31))
    left = [7]

    def go_on():
        left[0] -= 1
        return left[0] > 0

    assert source.next_from(5, go_on) == 11


def test_dup_and_packet_id_follow_from_the_number_alone():
    this = ring_of([(1, 3, 0)])
    packer = backlog.Packer("n", EUI, diary_of(), 0, 3600)
    source = backlog.RingSource(this, 0, CHANNELS)
    fresh, again = packer.packet(source, 2, 1), packer.packet(source, 2, 2)
    assert (fresh[0], again[0]) == (0x32, 0x3A)  # MQTT 3.1.1 section 3.3.1
    assert fresh[1:] == again[1:]
    assert fresh[fresh.index(b"readings") + 8 :][:2] == b"\x00\x03"


def test_a_run_without_the_time_delivers_what_the_run_after_it_leaves_open():
    board = Board(SETTINGS.replace('["time.yard.example"]', '["time.yard.example"]\npatience_h = 24'))
    board.time_behaviour = "silent"
    board.wake("power-on")
    for _ in range(5):
        board.wake()
    assert board.readings() == []
    waiting = diary(board).head
    board.lose_power()
    board.wake("power-on")
    # the run is over: its readings go; those of the new run wait
    assert {reading["run"] for _, _, _, reading in board.readings()} == {1}
    assert diary(board).acked_to == waiting
    board.time_behaviour = "good"
    assert run_until_quiet(board)
    assert {reading["run"] for _, _, _, reading in board.readings()} == {1, None}
    assert timekeeping.known(diary(board))
