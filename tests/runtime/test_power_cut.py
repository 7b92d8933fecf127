"""The power goes at a write of the real FAT. Law: what was stored stays stored, and the node goes on.

The card is the MicroPython VM's own FAT on an image; the VM of that wake ends at the write, and the next begins cold.
"""

import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from mp_bench import Bench
from on_card import on_card

from hostsim.runtimes.micropython import fat_card

for folder in ("unit", "bench"):
    sys.path.append(str(Path(__file__).parents[1] / folder))
import cuts_vm  # noqa: E402 - the folders of tests are no packages

WAKES = 6
# a wake that only stores writes one sector; the first wake makes the ring: directory, FAT, layouts
CUTS_IN_MAKING = (1, 2, 3, 5, 8, 13, 20, 28)


def lived(bench, wakes):
    for _ in range(wakes):
        bench.world._one_wake(bench.node)


def broken(bench):
    return [entry.evidence for entry in bench.world.invariants.all.values() if entry.state == "broken"]


def checked(path):
    tool = shutil.which("fsck.fat", path="/usr/sbin:/sbin:/usr/bin")
    if tool is None:
        return ""
    done = subprocess.run([tool, "-n", path], capture_output=True, text=True, check=False)
    return "" if done.returncode == 0 else done.stdout


@pytest.mark.parametrize("damage", fat_card.DAMAGE)
def test_a_cut_at_a_reading_loses_none_that_was_stored(damage):
    bench = Bench()
    lived(bench, WAKES)
    before = on_card(bench.node)
    assert len(before[1]) >= WAKES - 1
    for _ in range(3):
        bench.chip.card.damage, bench.chip.card.cut_in = fat_card.DAMAGE[damage], 1
        lived(bench, 1)
        assert bench.node.reset_cause == "power-on"
        assert bench.chip.card.cut_in is None
        lived(bench, 2)
    ring, after = on_card(bench.node)
    assert ring == before[0]
    assert {seq: after.get(seq) for seq in before[1]} == before[1]
    assert len(after) > len(before[1]) + 3
    assert broken(bench) == []
    assert checked(bench.chip.card.path) == ""


@pytest.mark.parametrize("cut", CUTS_IN_MAKING)
def test_a_cut_while_the_ring_is_made_is_made_good(cut):
    bench = Bench()
    bench.chip.card.cut_in = cut
    lived(bench, WAKES)
    assert bench.chip.card.cut_in is None
    _, stored = on_card(bench.node)
    assert len(stored) >= WAKES - 2
    assert broken(bench) == []


@pytest.fixture(scope="module")
def sweep():
    return cuts_vm.Sweep()


def test_cuts_all_along_a_run_that_wraps_lose_nothing(sweep):
    # every 9th write, and the way of the cut changes with each; the whole sweep is bench_cuts.py --vm
    modes = ["group-8", *fat_card.DAMAGE]
    tried = 0
    for index in range(len(sweep.moments)):
        if index >= sweep.making and index % 9 == 0:
            damage = fat_card.DAMAGE[modes[tried % len(modes)]]
            assert sweep.cut(index, damage) == (0, 0, 0, False), (index, damage)
            tried += 1
        sweep.go_on(index)
    assert tried > 30
    # and where the last write left the card, a cut in the repair of a cut
    last = len(sweep.moments) - 1
    outcomes = [sweep.cut(last, fat_card.group_8, in_repair) for in_repair in range(1, 9)]
    assert outcomes.count(None) < 6
    assert {outcome for outcome in outcomes if outcome is not None} == {(0, 0, 0, False)}


def test_group_damage_takes_the_aligned_group_of_the_card_and_nothing_else():
    def read(sector):
        return bytes([sector & 0xFF]) * 512 if sector < 70 else b""

    left = fat_card.group_8(43, bytes(512), read)
    assert sorted(left) == list(range(40, 48))
    assert all(left[sector] not in (read(sector), bytes(512)) for sector in left)
    assert sorted(fat_card.group_32(69, bytes(512), read)) == list(range(64, 70))
    assert fat_card.torn_at(48)(5, b"n" * 512, read) == {5: b"n" * 48 + read(5)[48:]}


def test_the_sweep_in_the_vm_sees_a_loss(sweep, monkeypatch):
    # a node that counts as stored what is not on the card
    sector, data, reported = sweep.moments[-1]
    assert sweep.cut(len(sweep.moments) - 1, fat_card.dropped)[0] == 0
    monkeypatch.setattr(sweep, "moments", [*sweep.moments[:-1], (sector, data, reported + 2)])
    assert sweep.cut(len(sweep.moments) - 1, fat_card.dropped)[0] == 1
