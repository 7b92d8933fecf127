"""Vendor drivers as files, for a board's folder. Law: byte for byte what the installed packages hold.

Runs in CPython only. Nothing is imported: a driver's own imports may need a board.
"""

import importlib.util
import shutil
from pathlib import Path

# what the drivers themselves import
LIBRARIES = ("adafruit_bus_device", "adafruit_register")


def find(module):
    """The file or folder of a top-level module, None when it is not installed."""
    spec = importlib.util.find_spec(module)
    if spec is None or spec.origin is None and not spec.submodule_search_locations:
        return None
    return Path(list(spec.submodule_search_locations)[0] if spec.submodule_search_locations else spec.origin)


def lay_out(folder, drivers):
    """Copy "module.Class" drivers and their libraries into a folder; return the modules that are not installed."""
    missing = []
    for module in sorted({driver.split(".")[0] for driver in drivers} | set(LIBRARIES)):
        source = find(module)
        target = Path(folder) / (source.name if source else module)
        if source is None:
            missing.append(module)
        elif source.is_dir():
            shutil.copytree(source, target, ignore=shutil.ignore_patterns("__pycache__"), dirs_exist_ok=True)
        else:
            shutil.copyfile(source, target)
    return missing
