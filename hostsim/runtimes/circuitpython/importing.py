"""Modules as a board has them. Law: each wake imports firmware and drivers anew, and gets nothing from this process.

What a module imports goes through an `__import__` of its own: first the platform's modules, then the firmware's
files, then the vendor drivers; of the standard library only what CircuitPython has. Files are compiled once.
"""

import __future__

import builtins
import functools
import importlib
import importlib.util
import types
from pathlib import Path

# what CircuitPython has of CPython's library, as far as a host's is the same
STANDARD = ("__future__", "array", "binascii", "collections", "gc", "io", "json", "math", "random", "re", "struct")
# CircuitPython has no such names
NO_BUILTINS = ("FileNotFoundError", "InterruptedError", "PermissionError", "ProcessLookupError", "TimeoutError")


@functools.cache
def find(module: str) -> Path | None:
    """The file or folder of an installed top-level module, None when there is none."""
    spec = importlib.util.find_spec(module)
    if spec is None or spec.origin is None:
        return None
    path = Path(spec.origin)
    return path.parent if path.name == "__init__.py" else path


@functools.cache
def code(path: Path) -> types.CodeType:
    """The compiled file, kept for the life of the process. Annotations are not evaluated, as on a board."""
    return compile(path.read_bytes(), str(path), "exec", __future__.annotations.compiler_flag, dont_inherit=True)


class Importer:
    """The modules of one wake.

    drivers: top-level modules that the settings name. platform: {name: module}; late: {name: what makes the module
    when it is first imported}; for_drivers: modules that drivers get instead; names: more builtins.
    """

    def __init__(self, firmware: Path, drivers: set, platform: dict, late: dict, for_drivers: dict, names: dict):
        self._firmware = firmware
        self._drivers = drivers
        self._platform = platform
        self._late = late
        self._for_drivers = for_drivers
        self._builtins = {name: value for name, value in vars(builtins).items() if name not in NO_BUILTINS}
        self._builtins.update(names)
        self._modules: dict[str, types.ModuleType] = {}

    def run(self, path: Path) -> None:
        """Run a file as the interpreter runs main.py."""
        exec(code(path), self._namespace("__main__", None, False))

    def load(self, name: str) -> types.ModuleType:
        """A module by its full name, as the firmware imports it."""
        return self._load(name, False)

    def _namespace(self, name: str, package: str | None, of_driver: bool) -> dict:
        def bring(name, namespace=None, local=None, fromlist=(), level=0):
            return self._bring(name, package, fromlist, level, of_driver)

        return {"__name__": name, "__package__": package, "__builtins__": dict(self._builtins, __import__=bring)}

    def _bring(self, name: str, package: str | None, fromlist, level: int, of_driver: bool):
        """What the import statement wants of `__import__`."""
        if level:
            parts = (package or "").split(".")
            base = ".".join(parts[: len(parts) - level + 1])
            name = f"{base}.{name}" if name else base
        module = self._load(name, of_driver)
        if not fromlist:
            return self._load(name.partition(".")[0], of_driver)
        for item in fromlist:
            if not hasattr(module, item) and self._source(f"{name}.{item}") is not None:
                self._load(f"{name}.{item}", of_driver)
        return module

    def _load(self, name: str, of_driver: bool) -> types.ModuleType:
        if of_driver and name in self._for_drivers:
            return self._for_drivers[name]
        found = self._platform.get(name) or self._modules.get(name)
        if found is not None:
            return found
        if name in self._late:
            found = self._platform[name] = self._late[name]()
            return found
        if name in STANDARD:
            return importlib.import_module(name)
        parent, _, last = name.rpartition(".")
        if parent:
            above = self._load(parent, of_driver)
            if name in self._modules:
                return self._modules[name]
        source = self._source(name)
        if source is None:
            raise ImportError(f"no module named '{name}'")
        path, is_package, from_driver = source
        module = self._modules[name] = types.ModuleType(name)
        package = name if is_package else parent
        module.__dict__.update(self._namespace(name, package, from_driver))
        if is_package:
            module.__dict__["__path__"] = str(path.parent)
        try:
            exec(code(path), module.__dict__)
        except BaseException:
            del self._modules[name]
            raise
        if parent:
            setattr(above, last, module)
        return module

    def _source(self, name: str) -> tuple[Path, bool, bool] | None:
        """(file, it is a package, it is a driver) of a module that is not the platform's."""
        first, *rest = name.split(".")
        own = self._firmware / first
        from_driver = not own.is_dir() and not own.with_suffix(".py").is_file()
        root = self._driver(first) if from_driver else own
        if root is None:
            return None
        base = root.joinpath(*rest)
        for path, is_package in ((base / "__init__.py", True), (base.with_suffix(".py"), False)):
            if path.is_file():
                return path, is_package, from_driver
        return None

    def _driver(self, module: str) -> Path | None:
        """Where a driver or a library of drivers lies, without the ending of its file."""
        library = module.startswith("adafruit_") and module != "adafruit_blinka"
        path = find(module) if library or module in self._drivers else None
        return path.with_suffix("") if path is not None else None
