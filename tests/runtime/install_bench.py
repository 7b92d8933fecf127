"""Boards as FAT images for tests of an install: what was written in which order, and what boots from it."""

import subprocess

import pytest

from deploy import install_contents, install_image_disk, install_plan, install_steps
from deploy.install_image import Image
from deploy.install_image_disk import SECTOR, ImageDisk

MIB = 3
LIMIT_S = 60
# what main.py finds in a version: each module says which version it is from, and is long enough for several sectors
FILES = (
    "torpor/boards/__init__.py",
    "torpor/boards/start.py",
    "torpor/cycle.py",
    "lib/driver.py",
    "lib/deep/part.py",
)
START = """
def live():
    import driver
    from deep import part
    from torpor import cycle
    print("ran", FROM, cycle.FROM, driver.FROM, part.FROM)
"""
BOOT = """
import sys, os, vfs

class Machine:
    def deepsleep(self, ms):
        print("asleep", ms)

sys.modules["machine"] = Machine()
file = open(sys.argv[1], "r+b")

class Image:
    count = file.seek(0, 2) // 512

    def readblocks(self, number, buffer):
        file.seek(number * 512)
        file.readinto(buffer)

    def writeblocks(self, number, buffer):
        raise OSError(30)

    def ioctl(self, op, argument):
        return self.count if op == 4 else 512 if op == 5 else 0

vfs.umount("/")
vfs.mount(vfs.VfsFat(Image()), "/")
os.chdir("/")
sys.path[:] = ["", "/lib", ".frozen"]
if "main.py" in os.listdir("/"):
    import main
"""


def contents(mark, extra=0):
    """A version whose every module says `mark`. extra: files more."""
    text = dict.fromkeys(FILES, f"FROM = {mark!r}\n# {'x' * 700}\n")
    text["torpor/__init__.py"] = ""
    text["lib/deep/__init__.py"] = ""
    text["torpor/boards/start.py"] += START
    for number in range(extra):
        text[f"torpor/more{number}.py"] = f"FROM = {mark!r}\n"
    files = {path: data.encode() for path, data in text.items()}
    return install_contents.Contents(install_contents._version(files, 0), files, [])


def root(settings=None, main=None):
    """What has to lie in the root; main: other bytes for main.py."""
    found = install_contents.root_files("micropython")
    if main is not None:
        found["main.py"] = main
    return {**({"settings.toml": settings} if settings is not None else {}), **found}


def new_image(path):
    install_image_disk.make(path, MIB)
    return path


class Recording(ImageDisk):
    """A disk that notes what is written, and where everything so far was made sure of."""

    log: list = []

    def write(self, sector, size, data):
        super().write(sector, size, data)
        for at in range(0, len(data), SECTOR):
            self.log.append((sector + at // SECTOR, bytes(data[at : at + SECTOR])))

    def sync(self):
        super().sync()
        self.log.append(None)


def put(path, made, wanted_root=None, disk=None):
    """Install a version on an image, as the command does."""
    target = Image(path, disk)
    try:
        files = wanted_root if wanted_root is not None else root()
        plan = install_plan.planned(target, made, "micropython", "a test", files)
        install_steps.carry_out(target, plan)
    finally:
        target.close()


def recorded(path, made, wanted_root=None):
    """The same; (the image before, [(sector, data) or None for "made sure of"])."""
    before = path.read_bytes()
    Recording.log = []
    put(path, made, wanted_root, Recording)
    return before, Recording.log


def boots(path):
    """What a board says that boots from the image: the last line; "nothing" without a main.py."""
    from hostsim.runtimes import RuntimeAbsent
    from hostsim.runtimes.micropython.vm import command

    try:
        words = command("-c", BOOT.replace("sys.argv[1]", repr(str(path))))
    except RuntimeAbsent as absent:
        pytest.skip(str(absent))
    done = subprocess.run(words, capture_output=True, text=True, timeout=LIMIT_S)
    said = [line for line in done.stdout.splitlines() if not line.startswith("asleep")]
    return said[-1] if said else done.stderr.strip() or "nothing"


def ran(mark):
    return f"ran {mark} {mark} {mark} {mark}"


def write_file(path, name, data):
    target = Image(path)
    folder = ""
    for part in name.split("/")[:-1]:
        folder = f"{folder}/{part}" if folder else part
        target.make_folder(folder)
    target.create(name, data)
    target.close()


def apply(image, writes):
    """The image, a bytearray, after some writes."""
    for sector, data in writes:
        image[sector * SECTOR : (sector + 1) * SECTOR] = data
