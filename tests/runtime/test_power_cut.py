"""The power goes at a write of the real FAT. Law: what was stored stays stored, and the node goes on.

The card is the MicroPython VM's own FAT on an image; the VM of that wake ends at the write, and the next begins cold.
"""

import shutil
import subprocess

import pytest
from mp_bench import Bench
from on_card import on_card

from hostsim.runtimes.micropython import fat_card

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


@pytest.mark.parametrize("damage", [fat_card.dropped, fat_card.torn, fat_card.garbage], ids=lambda way: way.__name__)
def test_a_cut_at_a_reading_loses_none_that_was_stored(damage):
    bench = Bench()
    lived(bench, WAKES)
    before = on_card(bench.node)
    assert len(before[1]) >= WAKES - 1
    for _ in range(3):
        bench.chip.card.damage, bench.chip.card.cut_in = damage, 1
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
