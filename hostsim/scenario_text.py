"""TOML tables with complaints that say where. Law: a complaint is one line with file, line and reason, and repeats
nothing that the file says: what stands in the wrong place may be a password."""

import difflib
import re
import stat
import tomllib
from pathlib import Path

from hostsim.scenario_lines import lines_of

SIZE_MAX = 1 << 20
# What tomllib says, in words for somebody who does not read grammars. Longer beginnings first.
_TOML_WORDS = (
    ("Expected newline or end", "the line goes on after its value: is a quote, a comma or a # missing?"),
    ("Expected '='", "an = is expected after the name"),
    ("Expected ']", "the closing bracket of this section is missing"),
    ("Cannot", "this name or section stands further up already"),
    ("Duplicate", "this name stands twice"),
    ("Invalid statement", "neither a name with its value nor a [section]"),
    ("Invalid initial character", "a name is expected here; behind the last entry of { } stands no comma"),
    ("Invalid date", "no such date or time"),
    ("Invalid value", "not a value: text stands in quotes, a date is 2027-01-01, true and false are small"),
    ("Unclosed array", "the closing ] of a list is missing"),
    ("Unclosed inline table", "a comma or } is missing"),
    ("Unterminated string", "a closing quote is missing"),
    ("Expected", "a closing quote is missing"),
    ("Illegal character", "a closing quote is missing, or a control character stands here"),
    ("Unescaped", "a backslash begins no known escape: write two of them, or use single quotes"),
    ("Found invalid character", "a control character stands here"),
)
_REQUIRED = object()


class ScenarioError(ValueError):
    """A file cannot be used: `path`, `line` (None: the file as a whole), `reason`; str() is one line."""

    def __init__(self, path: Path, line: int | None, reason: str):
        self.path, self.line, self.reason = path, line, reason
        place = f"{path}" if line is None else f"{path}, line {line}"
        super().__init__(f"{place}: {reason}")


def read_bytes(path: Path) -> bytes:
    """The bytes of an ordinary file, at most SIZE_MAX. Raises ScenarioError; never waits for a pipe or a device."""
    try:
        kind = path.stat().st_mode
        if stat.S_ISDIR(kind):
            raise ScenarioError(path, None, "is a folder, not a file")
        if not stat.S_ISREG(kind):
            raise ScenarioError(path, None, "is not an ordinary file")
        with path.open("rb") as stream:
            data = stream.read(SIZE_MAX + 1)
    except OSError as error:
        raise ScenarioError(path, None, error.strerror or "cannot be read") from None
    except ValueError as error:
        if isinstance(error, ScenarioError):
            raise
        raise ScenarioError(path, None, "cannot be the name of a file") from None
    if len(data) > SIZE_MAX:
        raise ScenarioError(path, None, f"is larger than {SIZE_MAX // 1024} KiB")
    if not data.strip():
        raise ScenarioError(path, None, "is empty")
    return data


def parse(path: Path, data: bytes) -> tuple[str, dict]:
    """(text, values) of TOML bytes; a byte order mark and DOS lines are let pass. Raises ScenarioError."""
    try:
        text = data.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        raise ScenarioError(path, data[: error.start].count(b"\n") + 1, "is not UTF-8 text") from None
    try:
        return text, tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        at = re.search(r"\(at line (\d+), column \d+\)$", str(error))
        line = int(at.group(1)) if at else text.rstrip().count("\n") + 1
        words = (ours for theirs, ours in _TOML_WORDS if str(error).startswith(theirs))
        raise ScenarioError(path, line, next(words, "not TOML")) from None
    except RecursionError:
        raise ScenarioError(path, None, "lists and tables stand in one another too deep") from None
    except ValueError:
        # int() refuses more than 4300 digits, in words of its own
        raise ScenarioError(path, None, "a number in it has thousands of digits") from None


def read_toml(path: Path) -> "Table":
    """The top table of a file. Raises ScenarioError."""
    return Table(path, *parse(path, read_bytes(path)), ())


def nearest(word: str, known) -> str | None:
    """The name of `known` that `word` was probably meant to be, None when it is like none of them."""
    found = difflib.get_close_matches(word[:64].lower(), list(known), 1, 0.7)
    return found[0] if found else None


class Table:
    """One table of the file; `used` collects the keys that were asked for, and done() complains of the others.

    Where several keys are alike, put all of them into `used` first, or one is taken for another that is misspelt.
    """

    def __init__(self, path: Path, text: str, raw: dict, where: tuple):
        self._path, self._text, self.raw, self._where = path, text, raw, where
        self.used: set[str] = set()

    def wrong(self, key: str, reason: str, index: int | None = None) -> ScenarioError:
        """The complaint about a key that this code knows (or about one entry of the list behind it)."""
        path = (*self._where, key) if index is None else (*self._where, key, index)
        return ScenarioError(self._path, self._line(path), f"{_label(path)} {reason}")

    def line(self, key: str) -> int | None:
        """The line of a key, or of what it lies in."""
        return self._line((*self._where, key))

    def _line(self, path: tuple) -> int | None:
        lines = lines_of(self._text)
        while path and path not in lines:
            path = path[:-1]
        return lines.get(path)

    def _unknown(self, key: str, meant: str | None) -> ScenarioError:
        inside = f" in {_label(self._where)}" if self._where else ""
        if meant is not None:
            reason = f'a name here is not known{inside}: did you mean "{meant}"?'
        else:
            reason = f"a name here is not known{inside}; known: {', '.join(sorted(self.used))}"
        return ScenarioError(self._path, self.line(key), reason)

    def done(self) -> None:
        """Raise ScenarioError for the first key that nobody has asked for."""
        for key in self.raw:
            if key not in self.used:
                raise self._unknown(key, nearest(key, self.used - set(self.raw)))

    def _get(self, key: str, default):
        self.used.add(key)
        if key in self.raw:
            return self.raw[key]
        # a section that is not there is either not wanted or misspelt, like a key that must be there
        if default is _REQUIRED or isinstance(default, (dict, list)):
            for other in self.raw:
                if other not in self.used and nearest(other, [key]):
                    raise self._unknown(other, key)
        if default is _REQUIRED:
            raise self.wrong(key, "is missing")
        return default

    def text(self, key: str, default=_REQUIRED, bytes_max: int = 4096) -> str:
        """A text of at least one character; an empty one only where that is the default."""
        value = self._get(key, default)
        if not isinstance(value, str):
            raise self.wrong(key, "must be text in quotes")
        if not value and value != default:
            raise self.wrong(key, "must not be empty")
        if len(value.encode()) > bytes_max:
            raise self.wrong(key, f"must have at most {bytes_max} bytes")
        return value

    def number(self, key: str, low: float, high: float, default=_REQUIRED) -> float:
        value = self._get(key, default)
        # written this way round, nan is refused
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not low <= value <= high:
            raise self.wrong(key, f"must be a number from {low:g} to {high:g}")
        return value

    def whole(self, key: str, low: int, high: int, default=_REQUIRED) -> int:
        value = self._get(key, default)
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise self.wrong(key, f"must be a whole number from {low} to {high}")
        return value

    def flag(self, key: str, default=_REQUIRED) -> bool:
        value = self._get(key, default)
        if not isinstance(value, bool):
            raise self.wrong(key, "must be true or false")
        return value

    def choice(self, key: str, known, default=_REQUIRED) -> str:
        value = self.text(key, default)
        if value not in known:
            raise self.wrong(key, _not_among(value, known))
        return value

    def names(self, key: str, known) -> list[str]:
        """A list of names out of `known`, at least one; all of them where the key is absent."""
        value = self._get(key, list(known))
        if not isinstance(value, list) or not all(isinstance(entry, str) for entry in value):
            raise self.wrong(key, "must be a list of names in quotes")
        if not value:
            raise self.wrong(key, "names nobody: leave it out for all of them")
        for index, entry in enumerate(value):
            if entry not in known:
                raise self.wrong(key, _not_among(entry, known), index)
        return value

    def table(self, key: str) -> "Table":
        """The table behind a key, an empty one where the key is absent."""
        value = self._get(key, {})
        if not isinstance(value, dict):
            raise self.wrong(key, f"is a section, and there is one of it: write [{key}]")
        return Table(self._path, self._text, value, (*self._where, key))

    def tables(self, key: str, at_least: int = 0) -> list["Table"]:
        """The repeated sections (or the list of tables) behind a key."""
        value = self._get(key, [])
        if not isinstance(value, list) or not all(isinstance(entry, dict) for entry in value):
            raise self.wrong(
                key, f"must be a list of tables: write [[{key}]] in double brackets, or [{{ ... }}, ...]"
            )
        if len(value) < at_least:
            raise self.wrong(key, f"is missing: at least one [[{key}]] is needed")
        return [Table(self._path, self._text, entry, (*self._where, key, index)) for index, entry in enumerate(value)]


def _not_among(value: str, known) -> str:
    meant = nearest(value, known)
    hint = f'did you mean "{meant}"? ' if meant else ""
    return f"is not known: {hint}It is one of {', '.join(known)}"


def _label(path: tuple) -> str:
    """("network", 0, "ssid") -> "network#1.ssid"."""
    label = ""
    for part in path:
        label += f"#{part + 1}" if isinstance(part, int) else ("." if label else "") + part
    return label
