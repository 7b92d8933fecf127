"""TOML tables with complaints that say where. Law: a complaint is one line with file, line and reason."""

import re
import tomllib
from pathlib import Path

SIZE_MAX = 1 << 20


class ScenarioError(ValueError):
    """What is wrong with a scenario: `path`, `line` (None: not known), `reason`; str() is one line."""

    def __init__(self, path: Path, line: int | None, reason: str):
        self.path, self.line, self.reason = path, line, reason
        place = f"{path}" if line is None else f"{path}, line {line}"
        super().__init__(f"{place}: {reason}")


def read_toml(path: Path) -> "Table":
    """The top table of a file. Raises ScenarioError."""
    try:
        with path.open("rb") as stream:
            data = stream.read(SIZE_MAX + 1)
    except OSError as error:
        raise ScenarioError(path, None, error.strerror or "cannot be read") from None
    if len(data) > SIZE_MAX:
        raise ScenarioError(path, None, f"larger than {SIZE_MAX // 1024} KiB: not a scenario")
    if not data.strip():
        raise ScenarioError(path, None, "the file is empty")
    try:
        text = data.decode()
    except UnicodeDecodeError as error:
        raise ScenarioError(path, data[: error.start].count(b"\n") + 1, "not UTF-8 text: not a scenario") from None
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        at = re.search(r"\(at line (\d+), column \d+\)", str(error))
        line = int(at.group(1)) if at else text.count("\n") + 1
        raise ScenarioError(path, line, re.sub(r" \(at .*\)", "", str(error)).lower()) from None
    except RecursionError:
        raise ScenarioError(path, None, "nested too deeply") from None
    return Table(path, text, raw, ())


class Table:
    """One table of the file; `used` collects the keys that were asked for, and done() complains of the others."""

    def __init__(self, path: Path, text: str, raw: dict, where: tuple):
        self._path, self._text, self.raw, self._where = path, text, raw, where
        self.used: set[str] = set()

    def wrong(self, key: str, reason: str) -> ScenarioError:
        return ScenarioError(self._path, _line_of(self._text, self._where, key), f"{self._label(key)} {reason}")

    def _label(self, key: str) -> str:
        parts = [part if isinstance(part, str) else f"[{part + 1}]" for part in self._where]
        return ".".join([*parts, key]).replace(".[", "[")

    def done(self) -> None:
        for key in self.raw:
            if key not in self.used:
                known = ", ".join(sorted(self.used))
                raise self.wrong(key, f"is not known here; known: {known}")

    def _get(self, key: str, default):
        self.used.add(key)
        if key in self.raw:
            return self.raw[key]
        if default is _REQUIRED:
            raise self.wrong(key, "is missing")
        return default

    def text(self, key: str, default=...) -> str:
        value = self._get(key, _REQUIRED if default is ... else default)
        if not isinstance(value, str) or not value:
            if value == default:
                return value
            raise self.wrong(key, "must be text in quotes")
        return value

    def number(self, key: str, low: float, high: float, default=...) -> float:
        value = self._get(key, _REQUIRED if default is ... else default)
        if value is default:
            return value
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not low <= value <= high:
            raise self.wrong(key, f"must be a number from {low:g} to {high:g}")
        return value

    def whole(self, key: str, low: int, high: int, default=...) -> int:
        value = self.number(key, low, high, default)
        if not isinstance(value, int):
            raise self.wrong(key, f"must be a whole number from {low} to {high}")
        return value

    def choice(self, key: str, known) -> str:
        value = self.text(key)
        if value not in known:
            raise self.wrong(key, f'cannot be "{value}": one of {", ".join(known)}')
        return value

    def names(self, key: str, known) -> list[str]:
        """A list of names out of `known`; all of them where the key is absent."""
        value = self._get(key, list(known))
        if not isinstance(value, list) or not all(isinstance(entry, str) for entry in value):
            raise self.wrong(key, "must be a list of names in quotes")
        for entry in value:
            if entry not in known:
                raise self.wrong(key, f'does not know "{entry}": one of {", ".join(known)}')
        return value

    def table(self, key: str) -> "Table":
        value = self._get(key, {})
        if not isinstance(value, dict):
            raise self.wrong(key, "must be a table")
        return Table(self._path, self._text, value, (*self._where, key))

    def tables(self, key: str, at_least: int = 0) -> list["Table"]:
        value = self._get(key, [])
        if not isinstance(value, list) or not all(isinstance(entry, dict) for entry in value):
            raise self.wrong(key, "must be a list of tables")
        if len(value) < at_least:
            raise self.wrong(key, "is missing: at least one is needed")
        return [Table(self._path, self._text, entry, (*self._where, key, index)) for index, entry in enumerate(value)]


_REQUIRED = object()


def _line_of(text: str, where: tuple, key: str) -> int | None:
    """The line of a key, or of the table it should stand in, as nearly as plain reading of the lines can tell."""
    names = [part for part in where if isinstance(part, str)]
    index = next((part for part in where if isinstance(part, int)), 0)
    top = names[0] if names else None
    count = -1
    inside = top is None
    table_line = None
    for number, line in enumerate(text.splitlines(), 1):
        header = re.match(r"\s*\[+\s*([\w.\"-]+)\s*\]+", line)
        if header:
            head = header.group(1).split(".")[0].strip('"')
            if line.lstrip().startswith("[[") and header.group(1) == top:
                count += 1
            inside = head == top and (count in (index, -1))
            if inside and table_line is None:
                table_line = number
            if len(names) == 0 and head == key:
                return number
        if inside and re.search(rf"(^|[\s{{,]){re.escape(key)}\s*=", line):
            return number
    return table_line
