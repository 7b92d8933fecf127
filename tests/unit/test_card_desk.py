"""A card on the desk. Law: what can be read is read as it was stored, and what is lost is named by number."""

import csv as csv_reader
import json
import os
import random
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deploy import card_find
from deploy.card_find import CardError, find
from deploy.card_read import Ring
from deploy.export import text_of
from hostsim import card_format

GOLDEN = Path(__file__).parents[1] / "golden"
IMAGE = (GOLDEN / "ring.bin").read_bytes()
TABLE = {int(seq): entry for seq, entry in json.loads((GOLDEN / "ring_readings.json").read_text()).items()}
HALF, FIRST, HEAD = 64, 13, 140
RUN_EPOCH_S = 1796083200
SECTOR = 512
COMMAND = """
import typer
from deploy import card
app = typer.Typer()
app.callback()(lambda: None)
card.register(app)
app()
"""


def ring_of(image, tmp_path, name="torpor.ring"):
    (tmp_path / name).write_bytes(image)
    return Ring(find(tmp_path / name)[0])


def damaged(*seqs, image=IMAGE):
    data = bytearray(image)
    for seq in seqs:
        at = SECTOR * card_format.place_of(seq, HALF)
        data[at + 40 : at + 60] = b"\xff" * 20
    return bytes(data)


def run(*words):
    return subprocess.run(
        [sys.executable, "-c", COMMAND, "card", *map(str, words)], capture_output=True, text=True, timeout=60
    )


def test_the_golden_ring_is_read_as_it_was_made(tmp_path):
    ring = ring_of(IMAGE, tmp_path)
    found = {message["seq"]: message for message in ring.readings()}
    assert (ring.ring, ring.node, ring.eui, ring.head) == ("5eed1234", "north-stack", "02a1b2fffec3d4e5", HEAD)
    assert list(found) == list(range(FIRST, HEAD + 1))
    names = [name for name, _ in ring.channels]
    for seq, message in found.items():
        entry = TABLE[seq]
        assert (message["time_s"], message["uncertainty_s"]) == (entry["time_s"], entry["uncertainty_s"])
        present = {n: v for n, v in zip(names, entry["values"], strict=False) if v != card_format.ABSENT}
        assert {name: value for name, (value, _) in message["values"].items()} == present
        flags = {n: f for n, f in zip(names, entry["channel_flags"], strict=False) if f}
        assert message["flags"] == flags
    assert ring.damage.rescued == [(133, 133)]
    assert ring.damage.lost == ring.damage.unnamed == ring.damage.skipped == []


@settings(max_examples=40, deadline=None)
@given(st.sets(st.integers(FIRST, HEAD), max_size=60))
def test_each_number_is_read_or_told_lost(tmp_path_factory, seqs):
    """A reading is lost only when the sectors of it and of the 12 behind it are all bad."""
    ring = ring_of(damaged(*seqs), tmp_path_factory.mktemp("card"))
    found = {message["seq"] for message in ring.readings()}
    # where 1 to 12 lay are those of a round later
    bad = seqs | {133} | set(range(1, FIRST))
    head = max(set(range(FIRST, HEAD + 1)) - bad)
    first = max(1, head - 2 * HALF + 1)
    window = (512 - 36) // 36
    kept = {q for q in range(first, head + 1) if any(s not in bad for s in range(q, min(q + window, head + 1)))}
    assert found == kept
    told = {q for a, b in ring.damage.lost for q in range(a, b + 1)}
    assert told == set(range(first, head + 1)) - kept
    rescued = {q for a, b in ring.damage.rescued for q in range(a, b + 1)}
    assert rescued == kept & bad


def test_readings_of_unknown_time_are_dated_by_the_run(tmp_path):
    """The golden ring before it wrapped: its first 12 readings had no time yet."""
    sys.path.insert(0, str(GOLDEN))
    try:
        import make_golden
    finally:
        sys.path.remove(str(GOLDEN))
    head, make_golden.HEAD = make_golden.HEAD, 100
    try:
        ring = ring_of(make_golden.ring_image(), tmp_path)
    finally:
        make_golden.HEAD = head
    found = {message["seq"]: message for message in ring.readings()}
    assert (found[3]["time_s"], found[3]["uncertainty_s"]) == (RUN_EPOCH_S + 1200, 3)
    assert (found[3]["run"], found[3]["run_s"]) == (1, 1200)
    # without a sector that states the beginning nobody knows
    ring = ring_of(make_first(make_golden), tmp_path)
    assert {message["time_s"] for message in ring.readings()} == {None}


def make_first(make_golden):
    head, make_golden.HEAD, make_golden.TRASHED = make_golden.HEAD, 12, 300
    try:
        return make_golden.ring_image()
    finally:
        make_golden.HEAD, make_golden.TRASHED = head, 133


def test_a_layout_is_had_from_its_second_copy(tmp_path):
    data = bytearray(IMAGE)
    for slot in (0, 1):
        data[SECTOR * slot + 30] ^= 1
    assert len(list(ring_of(bytes(data), tmp_path).readings())) == HEAD - FIRST + 1
    data[SECTOR * (64 + HALF) + 30] ^= 1
    with pytest.raises(CardError, match="is no ring|no \\.ring|layout"):
        ring_of(bytes(data), tmp_path)


def test_a_lost_layout_is_told_by_number(tmp_path):
    data = bytearray(IMAGE)
    for sector in (1, 64 + HALF + 1):
        data[SECTOR * sector + 30] ^= 1
    ring = ring_of(bytes(data), tmp_path)
    assert [message["seq"] for message in ring.readings()] == list(range(FIRST, 101))
    assert ring.damage.unnamed == [(101, HEAD)]


def test_a_file_that_was_cut_short_gives_what_it_has(tmp_path):
    ring = ring_of(IMAGE[: SECTOR * 200], tmp_path)
    found = [message["seq"] for message in ring.readings()]
    assert ring.damage.short_sectors == 120
    assert len(found) > 100
    assert len(found) + sum(b - a + 1 for a, b in ring.damage.lost) == ring.head - ring.first + 1


# --- where the ring lies ----------------------------------------------------------------------------------------


def test_a_folder_and_another_systems_shadow_of_the_file(tmp_path):
    (tmp_path / "torpor.ring").write_bytes(IMAGE)
    (tmp_path / "._torpor.ring").write_bytes(b"shadow")
    assert [sectors.name for sectors in find(tmp_path)] == ["torpor.ring"]


FORMAT = """
import os, sys, vfs
class Disk:
    def __init__(self):
        self.data = bytearray(16 << 20)
    def readblocks(self, block, buffer, offset=0):
        at = 512 * block + offset
        buffer[:] = self.data[at : at + len(buffer)]
    def writeblocks(self, block, buffer, offset=0):
        at = 512 * block + offset
        self.data[at : at + len(buffer)] = buffer
    def ioctl(self, request, argument):
        return {4: len(self.data) // 512, 5: 512}.get(request, 0)
source = open(sys.argv[1], "rb").read()
disk = Disk()
vfs.VfsFat.mkfs(disk)
vfs.mount(vfs.VfsFat(disk), "/card")
with open("/card/torpor.ring", "wb") as ring, open("/card/planks.txt", "wb") as other:
    for at in range(0, len(source), 8192):
        ring.write(source[at : at + 8192])
        if sys.argv[3] == "True":
            ring.flush()
            other.write(b"x" * 8192)
            other.flush()
vfs.umount("/card")
with open(sys.argv[2], "wb") as out:
    out.write(disk.data)
"""


def fat_image(folder, fragmented):
    """A card as MicroPython's FAT writes it."""
    found = shutil.which("micropython", path=f"{Path(sys.executable).parent}:{os.environ['PATH']}")
    if found is None:
        pytest.skip("the MicroPython VM is not installed")
    script, image = folder / "format.py", folder / "card.img"
    script.write_text(FORMAT)
    words = [found, "-X", "heapsize=64m", script, GOLDEN / "ring.bin", image, str(fragmented)]
    subprocess.run(words, check=True, timeout=60)
    return image


@pytest.mark.parametrize("fragmented", [False, True])
def test_an_image_is_asked_through_its_file_system(fragmented, tmp_path):
    sectors = find(fat_image(tmp_path, fragmented))[0]
    assert sectors.placed, "it was found through the file system"
    ring = Ring(sectors)
    assert [message["seq"] for message in ring.readings()] == list(range(FIRST, HEAD + 1))


def test_an_image_whose_file_system_is_gone_is_looked_through(tmp_path):
    sectors = [IMAGE[at : at + SECTOR] for at in range(0, len(IMAGE), SECTOR)]
    chance = random.Random(1)
    rubbish = [chance.randbytes(SECTOR) for _ in range(3000)]
    rubbish[7] = b"tpRg" + rubbish[7][4:]
    scattered = [*sectors, *rubbish]
    chance.shuffle(scattered)
    path = tmp_path / "card.img"
    path.write_bytes(b"".join(scattered))
    ring = Ring(find(path)[0])
    assert [message["seq"] for message in ring.readings()] == list(range(FIRST, HEAD + 1))


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=5000), st.sampled_from([b"", b"tpLy\1\0", b"tpRg\1\1", IMAGE[:512], IMAGE[:66000]]))
def test_random_bytes_are_refused_in_one_line(tmp_path_factory, data, beginning):
    path = tmp_path_factory.mktemp("card") / "card.img"
    path.write_bytes(beginning + data)
    reason = ""
    try:
        for sectors in find(path):
            list(Ring(sectors).readings())
    except CardError as error:
        reason = str(error)
    assert "\n" not in reason


def test_a_bad_sector_in_a_long_read_costs_itself_alone(tmp_path, monkeypatch):
    path = tmp_path / "torpor.ring"
    path.write_bytes(IMAGE)
    bad = card_format.place_of(100, HALF)
    read = card_find.Medium.read

    def failing(self, sector, count=1):
        return b"" if sector <= bad < sector + count else read(self, sector, count)

    monkeypatch.setattr(card_find.Medium, "read", failing)
    ring = Ring(find(path)[0])
    assert len(list(ring.readings())) == HEAD - FIRST + 1
    assert (100, 100) in ring.damage.rescued


# --- the command --------------------------------------------------------------------------------------------------


def test_csv_has_the_decimals_that_were_written(tmp_path):
    out = tmp_path / "out.csv"
    done = run(GOLDEN / "ring.bin", "--csv", out)
    assert done.returncode == 0, done.stderr
    assert "133 damaged" in done.stdout
    rows = {int(row["seq"]): row for row in csv_reader.DictReader(out.open(newline="", encoding="utf-8"))}
    assert list(rows) == list(range(FIRST, HEAD + 1))
    assert rows[100]["temperature [Cel]"] == "5.00"
    assert rows[100]["lux [lx]"] == ""
    assert rows[110]["temperature [Cel]"] == ""
    assert rows[110]["channel_flags"] == "relative-humidity=256 temperature=256"
    assert rows[110]["battery [V]"] == "3.790"
    assert rows[110]["time"] == "2026-12-01T18:10:00Z"


def test_parquet_has_the_same_rows(tmp_path):
    parquet = pytest.importorskip("pyarrow.parquet", reason="Parquet needs pyarrow")
    out = tmp_path / "out.parquet"
    assert run(GOLDEN / "ring.bin", "--parquet", out).returncode == 0
    table = parquet.read_table(out).to_pylist()
    assert len(table) == HEAD - FIRST + 1
    row = next(row for row in table if row["seq"] == 110)
    assert (row["battery [V]"], row["lux [lx]"], row["temperature [Cel]"]) == (3.79, 4400.0, None)
    assert row["time"].isoformat() == "2026-12-01T18:10:00+00:00"


def test_a_card_that_lost_readings_is_status_1(tmp_path):
    path = tmp_path / "torpor.ring"
    path.write_bytes(damaged(*range(60, 90)))
    done = run(path)
    assert done.returncode == 1
    assert "60 to 77 lost" in done.stdout
    assert "78 to 89, 133 damaged" in done.stdout


@pytest.mark.parametrize(
    "words",
    [
        ("nowhere",),
        (".",),
        ("README",),
        ("torpor.ring", "--csv", "none/out.csv"),
        ("torpor.ring", "--csv", "."),
        ("torpor.ring", "--store", "README"),
    ],
)
def test_what_cannot_be_used_is_one_line_and_status_2(words, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "README").write_text("planks")
    folder = tmp_path if words[0] != "." else tmp_path / "empty"
    folder.mkdir(exist_ok=True)
    monkeypatch.chdir(folder)
    if words[0] == "torpor.ring":
        (tmp_path / "torpor.ring").write_bytes(IMAGE)
    before = sorted(entry.name for entry in folder.iterdir())
    done = run(*words)
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert sorted(entry.name for entry in folder.iterdir()) == before


@given(st.integers(-(2**31), 2**31 - 1), st.integers(-12, 3))
def test_a_number_is_written_exactly(digits, exponent):
    from decimal import Decimal

    assert Decimal(text_of(digits, exponent)) == Decimal(digits).scaleb(exponent)
