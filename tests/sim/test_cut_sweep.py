"""The sweep of power cuts, short. Law: nothing is lost, and the sweep would see it if something were.

The whole sweep is tests/bench/bench_cuts.py; here each of its parts runs over less.
"""

import sys
from pathlib import Path

import pytest

TESTS = Path(__file__).parents[1]
for folder in ("bench", "unit", "runtime", ""):
    if str(TESTS / folder) not in sys.path:
        sys.path.append(str(TESTS / folder))

import bench_cuts  # noqa: E402 - the folders of tests are no packages
import cuts_node  # noqa: E402
import cuts_nvm  # noqa: E402
import cuts_places  # noqa: E402
import cuts_plain  # noqa: E402
from ring_device import CUTS, Device  # noqa: E402
from torpor import last_good, retained, ring, ring_layout, ring_recovery  # noqa: E402
from torpor.errors import CardError  # noqa: E402

# two laps and a little: each place is written first, overwritten, and passed again
READINGS = 280
FILE = Device(2 * (cuts_plain.HALF + ring.LAYOUT_SLOTS) + ring.TAIL_GAP)


def sound(row):
    assert row.cuts > 0
    assert (row.lost, row.two_contents, row.stuck) == (0, 0, 0), row


@pytest.mark.parametrize("mode", CUTS)
def test_a_cut_at_every_fifth_write(mode):
    row = cuts_plain.every_write(mode, READINGS, 5)
    sound(row)
    assert row.cuts == READINGS // 5


def test_the_run_has_a_write_for_each_reading_and_two_for_the_making():
    assert len(cuts_plain.lived(READINGS)) == READINGS + 2


@pytest.mark.parametrize("mode", ["torn", "32 trashed"])
def test_a_cut_at_every_write_of_a_repair(mode):
    row = cuts_plain.repairs(mode, READINGS, 70)
    sound(row)
    assert row.cuts > 30


@pytest.mark.parametrize("mode", ["garbage", "32 trashed"])
def test_a_cut_in_both_copies_of_a_layout(mode):
    sound(cuts_places.layouts(mode, 45))


@pytest.mark.parametrize("hard", [False, True])
def test_two_cuts_in_a_row(hard):
    sound(cuts_plain.in_a_row(range(10000, 10040), hard))


@pytest.mark.parametrize("mode", cuts_nvm.MODES)
def test_a_cut_at_every_write_of_the_last_good_settings(mode):
    sound(cuts_nvm.every_write(mode, 29))


@pytest.mark.parametrize("end", [16, 32, 128, 256, 480, 496])
def test_a_write_torn_at_a_boundary(end):
    sound(cuts_plain.torn_at(end, READINGS, 20))


def test_a_chip_that_erases_both_slots_reads_the_file_again():
    row = cuts_nvm.both_slots("0xFF")
    assert 0 < row.lost <= row.bound < row.cuts
    assert row.stuck == 0


@pytest.mark.parametrize("mode", ["between entries", "entry gone"])
def test_a_cut_between_a_slot_and_its_length(mode):
    row = cuts_nvm.blobs(mode)
    sound(row)
    assert row.cuts > 10


@pytest.mark.parametrize("mode", CUTS)
def test_a_cut_at_every_card_write_of_whole_wakes(mode):
    row = cuts_node.card_writes(mode)
    sound(row)
    # two of the ring, two of the second layout, one a reading
    assert row.cuts == cuts_node.WAKES + 4


@pytest.mark.parametrize("mode", cuts_node.CLOCK_MODES)
def test_a_cut_while_the_clock_is_set(mode):
    row = cuts_node.clock(mode)
    sound(row)
    assert row.cuts > 2


@pytest.mark.parametrize("mode", cuts_node.MEMORY_MODES)
def test_a_cut_in_every_save_of_retained_memory(mode):
    sound(cuts_node.memory(mode, 11))


def test_a_unit_takes_no_more_than_has_no_copy_elsewhere():
    row = cuts_places.unit_gone(5, (3000, 12000), 6)
    assert 0 < row.lost <= row.bound
    assert (row.two_contents, row.stuck) == (0, 0)


# --- the sweep can fail ---------------------------------------------------------------------------------------------


def test_without_the_repair_two_cuts_lose_readings(monkeypatch):
    monkeypatch.setattr(ring_recovery, "mend", lambda found, feed: 0)
    row = cuts_plain.in_a_row(range(60), True)
    assert row.lost > 5
    assert row.failed()


def test_without_reading_back_a_card_that_keeps_nothing_loses_readings(monkeypatch):
    def written(this, seq):
        this.file.write(this.sector_of(seq), this.buffer)

    def lost(device):
        this = cuts_plain.make(64, 60, device)
        stored = {}
        for seq in range(1, 200):
            device.dropping = 90 < seq < 100
            try:
                stored[this.append(cuts_plain.content(this.head + 1, 60), cuts_plain.ANCHOR)] = cuts_plain.content(
                    this.head, 60
                )
            except CardError:
                continue
        assert sorted(stored) == list(range(1, this.head + 1))
        return cuts_plain.compared(this, device, stored, 64)[0]

    assert lost(Device(FILE.sector_count)) == set()
    monkeypatch.setattr(ring.Ring, "write_checked", written)
    # a window of seven brings most of nine back: the two first have no copy that was kept
    assert lost(Device(FILE.sector_count))


def test_with_one_sector_for_both_halves_a_trashed_group_loses_readings(monkeypatch):
    # neighbours in the same half: what repeats a reading goes with it
    def sector_of(this, seq):
        return ring.LAYOUT_SLOTS + seq % this.half + seq // this.half % 2 * (this.half + ring.LAYOUT_SLOTS)

    monkeypatch.setattr(ring.Ring, "sector_of", sector_of)
    monkeypatch.setattr(
        cuts_plain.card_format, "place_of", lambda seq, half: sector_of(ring.Ring(FILE, 0, 60, 0), seq)
    )
    row = cuts_plain.Row("", "32 trashed")
    for number, moment in enumerate(cuts_plain.lived.__wrapped__(60), 1):
        if moment[3] > 40:
            device = cuts_plain.struck(moment, "32 trashed", number)
            row.add(moment[3], cuts_plain.after(device, cuts_plain.stored_by(moment[3]), set()))
    assert row.lost > 20


def test_a_number_used_twice_is_seen():
    device = cuts_plain.struck(cuts_plain.lived(READINGS)[200], "dropped", 1)
    stored = cuts_plain.stored_by(198)
    assert cuts_plain.after(device.copy(1, 0), stored, set()) == (0, 0, 0)
    # the node stored other bytes for this number than it reported
    assert cuts_plain.after(device, {**stored, 190: b"x" * 60}, set())[1] == 1


def test_one_slot_for_all_settings_loses_the_last_good_ones(monkeypatch):
    write = last_good._write
    monkeypatch.setattr(last_good, "_write", lambda nvm, index, *rest: write(nvm, 0, *rest))
    assert cuts_nvm.every_write("0xFF", 1).lost > 0


def test_a_number_that_goes_with_its_unit_and_is_given_out_again_is_seen(monkeypatch):
    monkeypatch.setattr(ring_recovery, "passed_over", lambda *_: 0)
    assert cuts_places.unit_gone(5, (3000,), 8).two_contents > 0


def test_retained_memory_that_is_believed_unseen_is_seen(monkeypatch):
    monkeypatch.setattr(retained, "crc32", lambda data: 0)
    monkeypatch.setattr(cuts_node, "lived", cuts_node.lived.__wrapped__)
    assert cuts_node.memory("torn", 11).lost > 10


def test_a_layout_of_which_one_copy_is_written_is_seen(monkeypatch):
    def written(file, slot, buffer):
        file.write(ring_layout.sector_of(slot, 0, ring.half_sectors(file.sector_count)), buffer)

    monkeypatch.setattr(ring_layout, "write", written)
    monkeypatch.setattr(ring_layout, "repair", lambda file, slot, ring_id: True)
    monkeypatch.setattr(cuts_node, "lived", cuts_node.lived.__wrapped__)
    assert cuts_node.card_writes("32 trashed").failed()


def test_a_loss_ends_the_command_with_status_1(monkeypatch, capsys, tmp_path):
    monkeypatch.setattr(sys, "argv", ["bench_cuts.py", "--json", str(tmp_path / "found.json")])
    monkeypatch.setattr(bench_cuts, "tasks", lambda quick: [(cuts_nvm.every_write, "dropped", 1)])
    assert bench_cuts.main() == 0
    write = last_good._write
    monkeypatch.setattr(last_good, "_write", lambda nvm, index, *rest: write(nvm, 0, *rest))
    monkeypatch.setattr(bench_cuts, "tasks", lambda quick: [(cuts_nvm.every_write, "0xFF", 1)])
    assert bench_cuts.main() == 1
    assert "FAILED" in capsys.readouterr().out
    assert '"schema": 1' in (tmp_path / "found.json").read_text()
