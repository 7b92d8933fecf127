"""Where files lie on a FAT volume. Law: what is found by it is byte for byte what another implementation reads.

The volumes are made and filled by the interpreter's own FAT driver in the MicroPython VM.
"""

import shutil
import subprocess

import pytest

from hostsim.fat import SECTOR, File, NotFat, Volume
from hostsim.runtimes import RuntimeAbsent
from hostsim.runtimes.micropython.vm import command

MKFS = shutil.which("mkfs.fat", path="/usr/sbin:/sbin:/usr/bin:/opt/homebrew/sbin")
MIB = 2048

SCRIPT = """
import os, vfs


class Image:
    def __init__(self, path, sectors, begin):
        self.sectors = sectors
        self.begin = begin
        self.file = open(path, "r+b")

    def readblocks(self, number, buffer):
        self.file.seek((self.begin + number) * 512)
        self.file.readinto(buffer)

    def writeblocks(self, number, buffer):
        self.file.seek((self.begin + number) * 512)
        self.file.write(buffer)

    def ioctl(self, op, argument):
        return self.sectors if op == 4 else 512 if op == 5 else 0


image = Image({path!r}, {sectors}, 0)
if {format}:
    vfs.VfsFat.mkfs(image)
vfs.mount(vfs.VfsFat(image), "/sd")


def fill(name, size, tag):
    with open("/sd/" + name, "ab") as file:
        for at in range(0, size, 512):
            file.write((tag + " " + str(at) + "\\n").encode() + bytes(480))


# two files that grow in turn lie in pieces
for _ in range(6):
    fill("a long name with blanks.ring", 40000, "long")
    fill("SHORT.BIN", 40000, "short")
fill("lower.txt", 700, "lower")
fill("gone.bin", 90000, "gone")
os.remove("/sd/gone.bin")
os.mkdir("/sd/folder")
open("/sd/empty.new", "wb").close()
for number in range(40):
    fill("one of many files %d" % number, 512, "many")
vfs.umount("/sd")
"""
READ = """
vfs.mount(vfs.VfsFat(image), "/sd")
import binascii
for name in os.listdir("/sd"):
    if name != "folder":
        crc, size = 0, 0
        with open("/sd/" + name, "rb") as file:
            data = file.read(4096)
            while data:
                crc, size = binascii.crc32(data, crc), size + len(data)
                data = file.read(4096)
        print("%s|%d|%d" % (name, size, crc))
"""


def vm(script):
    try:
        words = command("-X", "heapsize=4m", "-c", script)
    except RuntimeAbsent as absent:
        pytest.skip(str(absent))
    done = subprocess.run(words, capture_output=True, text=True, check=False, timeout=120)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def volume(path):
    file = path.open("rb")

    def read(sector):
        file.seek(sector * SECTOR)
        return file.read(SECTOR)

    return Volume(read), read


def filled(path, mib, format_it=True):
    """The same as the interpreter reads it: {name: (size, CRC)}."""
    if format_it:
        with path.open("wb") as file:
            file.truncate(mib * MIB * SECTOR)
    text = vm((SCRIPT + READ).format(path=str(path), sectors=mib * MIB, format=format_it))
    rows = [line.split("|") for line in text.splitlines()]
    return {name: (int(size), int(crc)) for name, size, crc in rows}


def found(path):
    from zlib import crc32

    files, read = volume(path)
    result = {}
    for file in files.files():
        data = b"".join(
            read(sector) for begin, count in files.extents(file) for sector in range(begin, begin + count)
        )
        result[file.name] = (file.size, crc32(data[: file.size]))
    return result, files


@pytest.mark.parametrize(("mib", "wide"), [(40, False), (1990, False), (4200, True)])
def test_files_are_where_the_interpreter_reads_them(tmp_path, mib, wide):
    path = tmp_path / "card.img"
    expected = filled(path, mib)
    got, files = found(path)
    assert len(expected) == 44
    assert got == expected
    assert (files.clusters >= 65525) == wide
    ring = next(file for file in files.files() if file.name.endswith(".ring"))
    assert len(files.extents(ring)) > 1


@pytest.mark.skipif(MKFS is None, reason="mkfs.fat is not installed")
@pytest.mark.parametrize(
    ("mib", "arguments"), [(64, ("-F16", "-s4")), (600, ("-F32", "-s8")), (600, ("-F32", "-s1"))]
)
def test_a_card_that_another_program_has_formatted(tmp_path, mib, arguments):
    path = tmp_path / "card.img"
    with path.open("wb") as file:
        file.truncate(mib * MIB * SECTOR)
    subprocess.run([MKFS, *arguments, path], check=True, capture_output=True)
    expected = filled(path, mib, format_it=False)
    assert found(path)[0] == expected


@pytest.mark.parametrize("data", [bytes(SECTOR), b"\xff" * SECTOR, b"\xa5" * SECTOR])
def test_rubbish_is_no_volume(data):
    with pytest.raises(NotFat):
        Volume(lambda sector: data)


def test_a_chain_that_leads_nowhere_is_refused(tmp_path):
    path = tmp_path / "card.img"
    filled(path, 40)
    files, _ = volume(path)
    with pytest.raises(NotFat):
        files.extents(File("x", 512, 0))
    with pytest.raises(NotFat):
        files.extents(File("x", 512, 10**9))
    last = max(file.first for file in files.files())
    with pytest.raises(NotFat):
        files.extents(File("x", 1 << 30, last))
    assert files.extents(File("empty", 0, 0)) == []
