"""What one version consists of. Law: the same firmware, drivers and compiler give the same version, byte for byte.

A version lies in a folder of its own on the board: torpor/, lib/ with the drivers that its settings name, and
manifest.json.
"""

import hashlib
import importlib.util
import json
import time
from pathlib import Path
from typing import NamedTuple

from deploy import install_compile
from deploy.install_drivers import drivers
from deploy.install_target import FOR_CIRCUITPYTHON, TargetError

FOLDER = "fw"
MANIFEST = "manifest.json"
PACKAGE = "torpor"
LIBRARY = "lib"
# one sector: main.py and chosen.py are replaced by one write, or not at all (docs/install.md)
BLOCK = 512
_OTHERS = {
    FOR_CIRCUITPYTHON: ("boards/micropython.py", "boards/mp_", "boards/shims/"),
    "micropython": ("boards/circuitpython.py", "boards/cp_"),
}


class Contents(NamedTuple):
    """version: 16 hexadecimal digits; files: {path in its folder: bytes}, the manifest not among them."""

    version: str
    files: dict[str, bytes]
    notes: list[str]

    @property
    def home(self) -> str:
        return f"{FOLDER}/{self.version}"

    def digests(self) -> dict[str, str]:
        return {path: hashlib.sha256(data).hexdigest() for path, data in self.files.items()}


def firmware() -> Path:
    """The folder with main.py. Raises TargetError where only the package is installed."""
    found = importlib.util.find_spec(PACKAGE)
    root = Path(found.origin).parents[1] if found is not None and found.origin else None
    if root is None or not (root / "main.py").is_file():
        raise TargetError("the firmware's main.py is not here: run this from an installation with pip install -e")
    return root


def gathered(kind: str, named: list[str], compiler: install_compile.Compiler | None, salt: int = 0) -> Contents:
    """kind: circuitpython or micropython; named: drivers as the settings have them; salt: for a version of the same
    files whose first folder was damaged. Raises TargetError."""
    sources = {f"{PACKAGE}/{name}": data for name, data in _package(kind)}
    found = drivers(named)
    sources.update({f"{LIBRARY}/{name}": data for name, data in found.items()})
    files, notes = sources, []
    if compiler is not None:
        files, left = install_compile.compiled(sources, compiler)
        notes = [f"{name} cannot be compiled, and goes on the board as it is" for name in left]
    return Contents(_version(files, salt), files, notes)


def _package(kind: str):
    root = firmware() / PACKAGE
    for path in sorted(root.rglob("*.py")):
        name = path.relative_to(root).as_posix()
        if not name.startswith(_OTHERS[kind]):
            yield name, path.read_bytes()


def _version(files: dict[str, bytes], salt: int) -> str:
    text = "".join(f"{hashlib.sha256(files[path]).hexdigest()} {path}\n" for path in sorted(files))
    return hashlib.sha256(f"{text}{salt or ''}".encode()).hexdigest()[:16]


def manifest(contents: Contents, kind: str, board: str) -> bytes:
    """For a person and for --verify: what lies in the folder, and since when (UTC)."""
    return json.dumps(
        {
            "version": contents.version,
            "installed": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()),
            "for": kind,
            "board": board,
            "sha256": contents.digests(),
        },
        indent=1,
        sort_keys=True,
    ).encode()


def listed(data: bytes | None) -> dict[str, str] | None:
    """{path: SHA-256} of a manifest, None for one that is missing or broken."""
    try:
        found = json.loads(data or b"")["sha256"]
        return {str(path): str(digest) for path, digest in found.items()}
    except (ValueError, KeyError, TypeError, AttributeError):
        return None


def root_files(kind: str) -> dict[str, bytes]:
    """{name: bytes} of what lies in the root beside the settings, in the order in which it is put there."""
    root = firmware()
    names = ["safemode.py", "boot.py"] if kind == FOR_CIRCUITPYTHON else []
    found = {name: (root / name).read_bytes() for name in names}
    for name in ("chosen.py", "main.py"):
        data = (root / name).read_bytes()
        if len(data) > BLOCK:
            raise TargetError(f"{root / name}: is longer than {BLOCK} bytes, and could not be replaced by one write")
        # spaces after the last line: no reader minds them
        found[name] = data + b"\n" * (BLOCK - len(data))
    return found
