"""Where each name of a TOML text stands. Law: of a text that tomllib has accepted, every name gets its own line.

tomllib tells no lines. This scan only follows quotes, brackets and commas; what is valid was decided before.
"""

from bisect import bisect_right

_BARE = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-")
_BLANK = " \t\r\n"
_VALUE_END = ",]}#\n"


def lines_of(text: str) -> dict[tuple, int]:
    """{path: line from 1}; a path is such as ("network", 0, "outage", 2, "kind"), lists counted from 0."""
    return _Scan(text).document()


class _Scan:
    def __init__(self, text: str):
        self.text = text
        self.pos = 0
        self.found: dict[tuple, int] = {}
        self._counts: dict[tuple, int] = {}  # path of a repeated section -> how many came so far
        self._starts = [0, *(index + 1 for index, character in enumerate(text) if character == "\n")]

    def document(self) -> dict[tuple, int]:
        base: tuple = ()
        while True:
            self._skip_blank()
            if self.pos >= len(self.text):
                return self.found
            if self.text[self.pos] == "[":
                base = self._header()
            else:
                self._pair(base)

    def _header(self) -> tuple:
        at = self.pos
        double = self.text.startswith("[[", at)
        self.pos += 2 if double else 1
        keys = self._keys()
        self.pos += 2 if double else 1
        path: tuple = ()
        for index, key in enumerate(keys):
            path = (*path, key)
            self._mark(path, at)
            if double and index == len(keys) - 1:
                self._counts[path] = self._counts.get(path, 0) + 1
            if path in self._counts:
                path = (*path, self._counts[path] - 1)
                self._mark(path, at)
        return path

    def _pair(self, base: tuple) -> None:
        at = self.pos
        for key in self._keys():
            base = (*base, key)
            self._mark(base, at)
        self.pos += 1  # the equals sign
        self._spaces()
        self._value(base)

    def _keys(self) -> list[str]:
        keys = []
        while True:
            self._spaces()
            keys.append(self._key())
            self._spaces()
            if self.text[self.pos : self.pos + 1] != ".":
                return keys
            self.pos += 1

    def _key(self) -> str:
        start = self.pos
        if self.text[start : start + 1] in ("'", '"'):
            self._quoted()
            return self.text[start + 1 : self.pos - 1]
        while self.pos < len(self.text) and self.text[self.pos] in _BARE:
            self.pos += 1
        return self.text[start : self.pos]

    def _value(self, path: tuple) -> None:
        first = self.text[self.pos]
        if first in "'\"":
            self._quoted()
        elif first in "[{":
            self._items(path, "]" if first == "[" else "}")
        else:
            while self.pos < len(self.text) and self.text[self.pos] not in _VALUE_END:
                self.pos += 1

    def _items(self, path: tuple, end: str) -> None:
        self.pos += 1
        index = 0
        while True:
            self._skip_blank()
            character = self.text[self.pos]
            if character == end:
                self.pos += 1
                return
            if character == ",":
                self.pos += 1
            elif end == "}":
                self._pair(path)
            else:
                self._mark((*path, index), self.pos)
                self._value((*path, index))
                index += 1

    def _quoted(self) -> None:
        quote = self.text[self.pos]
        end = quote * 3 if self.text.startswith(quote * 3, self.pos) else quote
        self.pos += len(end)
        while not self.text.startswith(end, self.pos):
            self.pos += 2 if quote == '"' and self.text[self.pos] == "\\" else 1
        self.pos += len(end)
        while len(end) == 3 and self.text[self.pos : self.pos + 1] == quote:
            self.pos += 1  # up to two quotes may stand right before the closing three

    def _spaces(self) -> None:
        while self.text[self.pos : self.pos + 1] in (" ", "\t"):
            self.pos += 1

    def _skip_blank(self) -> None:
        while self.pos < len(self.text):
            if self.text[self.pos] == "#":
                end = self.text.find("\n", self.pos)
                self.pos = len(self.text) if end < 0 else end
            elif self.text[self.pos] in _BLANK:
                self.pos += 1
            else:
                return

    def _mark(self, path: tuple, at: int) -> None:
        self.found.setdefault(path, bisect_right(self._starts, at))
