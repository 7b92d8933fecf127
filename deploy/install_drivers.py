"""Vendor drivers for a board, with what they import. Law: byte for byte what the installed packages hold.

Nothing is imported: a driver's own imports may need a board. What they import is read from their sources.
"""

import ast
from pathlib import Path

from deploy.install_target import TargetError
from hostsim.devices import vendor

# what the makers of drivers call their libraries; everything else that a driver imports is the board's own
_LIBRARY = "adafruit_"
# stands for a board on a computer, and on no board
_HOST_ONLY = ("adafruit_blinka", "adafruit_platformdetect")


def drivers(named: list[str]) -> dict[str, bytes]:
    """{path in lib/: source} for "module.Class" names. Raises TargetError for a driver that is not installed here."""
    files: dict[str, bytes] = {}
    waiting = sorted({driver.split(".")[0] for driver in named})
    asked = set(waiting)
    while waiting:
        module = waiting.pop(0)
        own = _sources(module)
        if own is None:
            raise TargetError(
                f"the driver {module} is not installed on this computer: pip install {_package(module)}, and run this"
                " again (docs/sensors.md)"
            )
        files.update(own)
        for other in sorted({name for data in own.values() for name in _imported(data)} - asked):
            asked.add(other)
            # a library that only some uses of the driver need may be missing
            if vendor.find(other) is not None:
                waiting.append(other)
    return files


def _package(module: str) -> str:
    if module.startswith(_LIBRARY):
        return "adafruit-circuitpython-" + module[len(_LIBRARY) :].replace("_", "-")
    return f"the package that has {module}"


def _sources(module: str) -> dict[str, bytes] | None:
    found = vendor.find(module)
    if found is None:
        return None
    if found.is_file():
        return {found.name: found.read_bytes()}
    return {f"{found.name}/{path.relative_to(found).as_posix()}": path.read_bytes() for path in _modules(found)}


def _modules(folder: Path) -> list[Path]:
    return [path for path in sorted(folder.rglob("*.py")) if "__pycache__" not in path.parts]


def _imported(source: bytes) -> set[str]:
    """Top-level names of libraries that a source imports."""
    try:
        tree = ast.parse(source)
    except SyntaxError:
        return set()
    names = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            names.add(node.module.split(".")[0])
    return {name for name in names if name.startswith(_LIBRARY) and name not in _HOST_ONLY}
