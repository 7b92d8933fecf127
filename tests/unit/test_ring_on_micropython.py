"""The ring on the real MicroPython VM. Law: the bytes that it writes there are the bytes that it writes here."""

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
BESIDE = Path(sys.executable).parent / "micropython"
VM = shutil.which("micropython") or (str(BESIDE) if BESIDE.exists() else None)

SCRIPT = """
from binascii import crc32
from torpor import held, record, retained, ring, ring_layout, ring_recovery
from torpor.errors import CardError, RingError

EUI = b"12345678"
CHANNELS = [("temperature", "Cel", -2, "sht"), ("battery", "V", -3, "analog")]


class Cut(BaseException):
    pass


class Card:
    sector_count = 320

    def __init__(self):
        self.sectors = {}
        self.cut_at = 0
        self.dropping = False

    def read(self, sector, buffer):
        buffer[:] = self.sectors.get(sector, b"\\xa5" * 512)

    def write(self, sector, data):
        self.cut_at -= 1
        if self.cut_at == 0:
            for index in range(sector // 32 * 32, sector // 32 * 32 + 32):
                self.sectors[index] = b"\\xff" * 512
            raise Cut
        if not self.dropping:
            self.sectors[sector] = bytes(data)


def taken(seq):
    return (1796083200 + 600 * seq, 2, 1, 0, 0, [-7 * seq, 2147483647 - seq], [0, seq])


def append(this, data):
    seq = this.head + 1
    record.encode(data, 0, this.stride, taken(seq))
    this.append(data, (1, 1796083200, 3, 4294967295))


def check(this):
    for seq in range(this.oldest(), this.head + 1):
        assert record.decode(this.read(seq), 0, 2) == taken(seq), seq


def cold(card):
    return ring_recovery.recover(card, EUI, 99, lambda: None)[0]


card = Card()
data = bytearray(24)
try:
    cold(card)
    assert False
except RingError:
    pass
this = ring_layout.create(card, 0xFEDCBA98, 24, EUI, "north-stack", CHANNELS)
for _ in range(300):
    append(this, data)
check(this)
again = ring.Ring(card, 0xFEDCBA98, 0, 298)
assert again.resume() and again.head == 300
card.dropping = True
try:
    append(again, data)
    assert False
except CardError:
    assert again.head == 300
card.dropping = False
cuts = 0
for at in range(1, 140, 3):
    card.cut_at = at % 7 + 1
    try:
        while True:
            append(again, data)
    except Cut:
        cuts += 1
    before = again.head
    again = cold(card)
    assert again.head == before, (again.head, before)
    check(again)
while again.head < 1000:
    append(again, data)
check(cold(card))
assert ring_layout.load(card, 0, None, bytearray(512))[5] == CHANNELS

memory = bytearray(256)
diary = retained.Retained(memory)
diary.head, diary.drift_ppb, diary.ring_id = 1000, -5, 0xFEDCBA98
diary.save()
kept = held.Held(memory, 24, 7, 5)
for seq in (1, 2, 3, 4):
    record.encode(data, 0, 24, taken(seq))
    kept.add(data)
kept = held.Held(memory, 24, 7, 6)
# room for (256 - 136 - 24) // 24 of them
assert (kept.ring_id, kept.first(), kept.count()) == (5, 1, 4)
assert record.decode(kept.read(4), 0, 2) == taken(4)
again = retained.Retained(memory)
assert not again.cold and (again.head, again.drift_ppb) == (1000, -5)
image = b""
for sector in sorted(card.sectors):
    image += card.sectors[sector]
print(cuts, len(card.sectors), crc32(image), crc32(memory))
"""


@pytest.mark.skipif(VM is None, reason="the MicroPython VM is not installed")
def test_the_same_scenario_gives_the_same_bytes():
    source = {"env": {"MICROPYPATH": str(ROOT / "firmware")}, "capture_output": True, "text": True, "timeout": 60}
    there = subprocess.run([VM, "-X", "heapsize=16m", "-c", SCRIPT], check=False, **source)
    assert there.returncode == 0, there.stdout + there.stderr
    here = subprocess.run(
        [sys.executable, "-c", SCRIPT], check=False, **source | {"env": {"PYTHONPATH": str(ROOT / "firmware")}}
    )
    assert here.returncode == 0, here.stderr
    assert there.stdout == here.stdout
    assert there.stdout.split()[0] == "47"
