"""Power cuts on the real FAT in the real MicroPython VM. Law: each write of a run is cut, and a cold VM follows.

One life of the VM makes a ring, wraps it and writes layouts into it, while the card keeps a journal. The journal then
takes the card back to the moment before each write; the write is struck, and another life of the VM starts cold,
reads everything back and goes on. What is on the image is compared with what was stored by the desk's card reader.
"""

import contextlib
import shutil
import struct
import subprocess
from binascii import crc32

from cuts_plain import Row
from mp_bench import Bench

from deploy import card_find, card_read
from hostsim import card_format
from hostsim.fat import Volume
from hostsim.runtimes.endings import PowerLoss
from hostsim.runtimes.micropython import fat_card

# the smallest ring there is: 64 sectors in each half
SECTORS, CAPACITY, STRIDE = 320, 128, 60
READINGS = 320
# {seq: the layout slot that is written after it}, where no such write endangers the newest reading
LAYOUTS = {91: 1, 101: 2, 217: 3, 223: 40, 225: 63}
FSCK = shutil.which("fsck.fat", path="/usr/sbin:/sbin:/usr/bin:/usr/local/sbin:/opt/homebrew/sbin")
_RECORD = struct.Struct("<IHHBBHiHiH")

NODE = f"""
import struct
from binascii import crc32
from torpor import ring_layout, ring_recovery
CHANNELS = [("light", "lx", 0, "bh1750"), ("battery", "V", -3, "analog")]

def record(seq, salt):
    data = bytearray({STRIDE})
    struct.pack_into("<IHHBBHiHiH", data, 0, 1793500000 + 600 * seq, 5, 1, 0, 0, 0, seq * 7, 0, salt, 0)
    return data

def appends(count, salt):
    for _ in range(count):
        ports.power.feed_watchdog()
        seq = this.append(record(this.head + 1, salt), (1, 1793500000, 5, 1793500000))
        if salt == 0 and seq in {LAYOUTS!r}:
            buffer = bytearray(512)
            slot = {LAYOUTS!r}[seq]
            assert not ring_layout.endangers(this, slot)
            ring_layout.encode(buffer, slot, {STRIDE}, this.ring_id, this.half, ports.eui, "bench", CHANNELS[:1])
            ring_layout.write(this.file, slot, buffer)

def tell(name):
    digest = missing = 0
    for seq in range(this.oldest(), this.head + 1):
        data = this.read(seq)
        if data is None:
            missing += 1
        else:
            digest = crc32(data, digest)
    ports.log.event(name, head=this.head, missing=missing, digest=digest)

ports.power.rail("card", True)
names = ports.card.rings()
mended = 0
if names:
    this, slots, mended = ring_recovery.recover(ports.card.open(names[0]), ports.eui, 7, ports.power.feed_watchdog)
else:
    this = ring_layout.create(ports.card.create("torpor.ring", {SECTORS}), 7, {STRIDE}, ports.eui, "bench", CHANNELS)
    ports.card.keep("torpor.ring")
"""
RUN = NODE + f"appends({READINGS}, 0)\ntell('lived')\n"
COLD = NODE + "ports.log.event('mended', n=mended)\ntell('found')\nappends(2, 1)\ntell('on')\n"


def _record(seq: int, salt: int) -> bytes:
    packed = _RECORD.pack(1793500000 + 600 * seq, 5, 1, 0, 0, 0, seq * 7, 0, salt, 0)
    return packed.ljust(STRIDE, b"\0")


def _digest(salts: dict[int, int], head: int) -> int:
    digest = 0
    for seq in range(max(1, head - CAPACITY + 1), head + 1):
        digest = crc32(_record(seq, salts[seq]), digest)
    return digest


class Sweep:
    """A card whose run has been lived, and its journal: `moments` (sector, data, readings reported by then)."""

    def __init__(self):
        self.bench = Bench()
        # no wake of a node's takes these readings
        self.bench.judge.sector_written = lambda *told: None
        self.card = self.bench.chip.card
        self.card.journal = journal = []
        said = self.bench.said(RUN)
        assert said["lived"]["digest"] == _digest(dict.fromkeys(range(READINGS + 1), 0), READINGS)
        self.moments = []
        self._read_moments(journal)
        volume = Volume(lambda sector: self.card.read(sector, 1))
        self.extents = volume.extents(next(file for file in volume.files() if file.name == "torpor.ring"))
        self.card.put_back(journal)
        self.card.journal = None

    def _read_moments(self, journal) -> None:
        # a later landing in the same sector found there what this one wrote
        written = {}
        data = [b""] * len(journal)
        for index in reversed(range(len(journal))):
            sector = journal[index][0]
            data[index] = written[sector] if sector in written else self.card.read(sector, 1)
            written[sector] = journal[index][1]
        reported = newest = 0
        self.making = 0  # how many writes come before the first reading's
        for index, (sector, _) in enumerate(journal):
            found = card_format.data_sector(data[index]) if data[index][:4] == b"tpRg" else None
            # whatever is written next, the reading before it has been reported
            reported = newest
            if found is not None:
                self.making = self.making or index
                newest = found[1]
            self.moments.append((sector, data[index], reported))

    def cut(self, index: int, damage, in_repair: int = 0) -> tuple[int, int, int, bool] | None:
        """(lost, two contents, stuck, beside) after a cut at that write; the card is put back afterwards.

        beside: the cut spoilt sectors of the file system itself, which no firmware can mend.

        in_repair: another such cut at that write of the repair; None when the repair is over before.
        """
        sector, data, reported = self.moments[index]
        self.card.journal = journal = []
        self.card.damage, self.card.cut_in = damage, 1
        with contextlib.suppress(PowerLoss):
            self.card.write(sector, data)
        beside = any(not self._of_the_ring(place) for place in self._spoilt(index, journal))
        try:
            if in_repair:
                self.card.cut_in = in_repair
                self.bench.run(NODE)
                if self.card.cut_in is not None:
                    self.card.cut_in = None
                    return None
            return (*self._after(reported, index >= self.making), beside)
        finally:
            self.card.journal = None
            self.card.put_back(journal)

    def _spoilt(self, index: int, journal):
        """The sectors that hold neither what they did nor what was to be written."""
        sector, data, _ = self.moments[index]
        for place, old in journal:
            left = self.card.read(place, 1)
            if left != old and (place != sector or left != data):
                yield place

    def _of_the_ring(self, sector: int) -> bool:
        return any(begin <= sector < begin + count for begin, count in self.extents)

    def go_on(self, index: int) -> None:
        """Let the write come through."""
        self.card.write(*self.moments[index][:2])

    def _after(self, reported: int, running: bool) -> tuple[int, int, int]:
        _, events = self.bench.run(COLD + "ports.log.event('to-the-end')\n")
        kept = min(reported, CAPACITY)
        if "to-the-end" not in events:
            # what was stored is on the card all the same, and the desk finds it
            return kept - len(self._on_desk() if reported else ()), 0, 1
        found, on = events["found"], events["on"]
        if not reported <= found["head"] <= reported + 1:
            return abs(reported - found["head"]), int(found["head"] > reported), 0
        lost, double = found["missing"], 0
        salts = dict.fromkeys(range(1, found["head"] + 1), 0)
        double += not lost and found["digest"] != _digest(salts, found["head"])
        salts.update(dict.fromkeys(range(found["head"] + 1, found["head"] + 3), 1))
        lost += on["missing"]
        double += not lost and on["digest"] != _digest(salts, found["head"] + 2)
        on_desk = self._on_desk()
        wanted = {seq: (seq * 7, salts[seq]) for seq in range(max(1, on["head"] - CAPACITY + 1), on["head"] + 1)}
        lost += len(wanted.keys() - on_desk.keys())
        double += sum(on_desk[seq] != values for seq, values in wanted.items() if seq in on_desk)
        stuck = int(on["head"] != found["head"] + 2 or (running and self._unsound()))
        return lost, int(double), stuck

    def _on_desk(self) -> dict[int, tuple[int, int]]:
        ring = card_read.Ring(card_find.find(self.card.path)[0])
        return {
            message["seq"]: (message["values"]["light"][0], message["values"]["battery"][0])
            for message in ring.readings()
        }

    def _unsound(self) -> bool:
        """Whether the file system has a fault. While the ring is made it may have: a chain that has no name yet."""
        if FSCK is None:
            return False
        return subprocess.run([FSCK, "-n", self.card.path], capture_output=True, check=False).returncode != 0


def every_write(mode: str, first: int, last: int, step: int = 1) -> list[Row]:
    """Cuts at writes first, first + step ... below last of the run, counted from 0; torn ones at any boundary."""
    sweep = Sweep()
    rows = {what: Row(what, mode) for what in ("real FAT, ring being made", "real FAT, ring in use")}
    for index in range(min(last, len(sweep.moments))):
        if index >= first and (index - first) % step == 0:
            damage = fat_card.torn_at(16 * (1 + index % 31)) if mode == "torn" else fat_card.DAMAGE[mode]
            what = "real FAT, ring in use" if index >= sweep.making else "real FAT, ring being made"
            _add(rows[what], sweep, index, sweep.cut(index, damage))
        sweep.go_on(index)
    return list(rows.values())


def _add(row: Row, sweep: Sweep, index: int, outcome) -> None:
    lost, double, stuck, beside = outcome
    row.add(min(sweep.moments[index][2], CAPACITY), (lost, double, 0 if beside else stuck))
    row.beside += beside
    row.person += bool(beside and stuck)


def repairs(mode: str, first: int, step: int) -> list[Row]:
    """Every step-th write from `first` on is cut, and then each write of the repair."""
    sweep = Sweep()
    row = Row("real FAT, every repair", mode)
    for index in range(len(sweep.moments)):
        if index >= first and (index - first) % step == 0:
            for in_repair in range(1, 100):
                outcome = sweep.cut(index, fat_card.DAMAGE[mode], in_repair)
                if outcome is None:
                    break
                _add(row, sweep, index, outcome)
        sweep.go_on(index)
    return [row]


def tasks(quick: bool) -> list[tuple]:
    """The damage that costs most first."""
    step = 17 if quick else 1
    modes = sorted(fat_card.DAMAGE, key=lambda mode: not mode.startswith("group"))
    work = [(every_write, mode, 0, 10000, step) for mode in modes]
    return work + [(repairs, mode, 150, 90 if quick else 30) for mode in ("group-8", "group-32")]
