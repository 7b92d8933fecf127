"""Settings text to plain values. Law: what is accepted is read exactly as TOML 1.0 reads it; all else is
refused with a line and a reason, and no reason ever repeats text of the file (it may be half a password).

The subset: comments, bare and quoted names, [section], [[section]], one-line texts, whole numbers of 64 bits,
true and false, lists, inline tables. The NUL byte is refused first, so 0 can mean "the end" below.
"""

from . import toml_scalars

SIZE_MAX = 16384
# Deeper than any setting needs; bounds the recursion, because a board's stack is a few KiB.
DEPTH_MAX = 6
# Values, list items and sections together; bounds the heap that a pasted or hostile file can ask for.
VALUES_MAX = 512

_BARE = b"abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-"
_LINE_END = b"\x00\r\n"
_VALUE_END = b"\x00 \t\r\n,]}#"
_DOTTED = "names joined by dots are not read on a board: write a [section] line and the plain name below it"


class TomlError(Exception):
    """The text is not in the subset. `line` counts from 1; `reason` holds nothing of the file's own text."""

    def __init__(self, line, reason):
        super().__init__(f"line {line}: {reason}")
        self.line = line
        self.reason = reason


def parse(data, lines=None):
    """Read `data` (bytes, UTF-8, at most SIZE_MAX) to a dict of str, int, bool, list, dict; raise TomlError.

    A dict (or what takes items like one) given as `lines` receives path -> line for each name and section; a
    path is a tuple such as ("network", 0, "ssid").
    """
    if len(data) > SIZE_MAX:
        raise TomlError(1, f"the file is larger than {SIZE_MAX} bytes")
    line, reason = toml_scalars.first_bad_byte(data)
    if reason:
        raise TomlError(line, reason)
    return _Reader(data, lines).document()


class _Reader:
    """One pass over checked bytes; `pos` is the next byte, `line` the line it stands on."""

    def __init__(self, data, lines):
        self.data = data
        self.size = len(data)
        self.pos = 0
        self.line = 1
        self.lines = lines
        self.count = 0

    def document(self):
        root = {}
        repeated = []  # names that [[name]] made: only those may come again
        table, path = root, ()
        while True:
            self.blank()
            if self.at(b"\x00"):
                return root
            if self.skip(b"["):
                table, path = self.section(root, repeated)
            else:
                self.pair(table, path, 0)
            self.spaces()
            self.comment()
            if not self.at(_LINE_END):
                raise self.error("the line goes on after its value: is a quote, a comma or a # missing?")

    def section(self, root, repeated):
        double = self.skip(b"[")
        self.spaces()
        name = self.name()
        self.spaces()
        if not self.skip(b"]") or (double and not self.skip(b"]")):
            raise self.error(_DOTTED if self.at(b".") else "the closing bracket of this section is missing")
        again = name in root
        if again and not (double and name in repeated):
            raise self.error("a section or a name like this stands further up already")
        self.counted()
        table = {}
        path = (name,)
        if not again:
            self.mark(path)
            root[name] = [] if double else table
        if double:
            if not again:
                repeated.append(name)
            path = (name, len(root[name]))
            root[name].append(table)
            self.mark(path)
        return table, path

    def pair(self, table, path, depth):
        name = self.name()
        self.spaces()
        if not self.skip(b"="):
            raise self.error(_DOTTED if self.at(b".") else "an = is expected after the name")
        self.spaces()
        if name in table:
            raise self.error("this name stands twice in one section")
        path = path + (name,)
        self.mark(path)
        table[name] = self.value(path, depth)

    def name(self):
        if self.at(b"\"'"):
            return self.text()
        start = self.pos
        while self.at(_BARE):
            self.pos += 1
        if self.pos == start:
            raise self.error("a name is expected here, of letters, digits, _ and -")
        return str(self.data[start : self.pos], "utf-8")

    def value(self, path, depth):
        self.counted()
        if depth > DEPTH_MAX:
            raise self.error(f"lists and tables stand in one another more than {DEPTH_MAX} deep")
        if self.at(b"\"'"):
            return self.text()
        if self.skip(b"["):
            return self.array(path, depth + 1)
        if self.skip(b"{"):
            return self.inline_table(path, depth + 1)
        start = self.pos
        while not self.at(_VALUE_END):
            self.pos += 1
        value, reason = toml_scalars.plain(str(self.data[start : self.pos], "utf-8"))
        if reason:
            raise self.error(reason)
        return value

    def array(self, path, depth):
        began = self.line
        items = []
        self.blank()
        while not self.skip(b"]"):
            if not self.at(b"\x00"):
                items.append(self.value(path + (len(items),), depth))
                self.blank()
            if self.skip(b","):
                self.blank()
            elif not self.at(b"]"):
                raise self.error(f"a comma or ] is missing in the list that begins on line {began}")
        return items

    def inline_table(self, path, depth):
        self.mark(path)
        table = {}
        self.spaces()
        if self.skip(b"}"):
            return table
        while True:
            self.spaces()
            self.pair(table, path, depth)
            self.spaces()
            if self.skip(b"}"):
                return table
            if not self.skip(b","):
                raise self.error("a comma or } is missing on this line")

    def text(self):
        quote = self.data[self.pos : self.pos + 1]
        if self.data[self.pos : self.pos + 3] == quote + quote + quote:
            raise self.error("texts over several lines are not read on a board: write one line in one quote")
        self.pos += 1
        out = bytearray()
        while not self.skip(quote):
            if self.at(_LINE_END):
                raise self.error("the closing quote is missing on this line")
            if quote == b'"' and self.skip(b"\\"):
                used, encoded = toml_scalars.escape(self.data, self.pos)
                if not used:
                    raise self.error("a backslash begins no known escape: write \\\\ for a backslash itself")
                out.extend(encoded)
                self.pos += used
            else:
                out.append(self.data[self.pos])
                self.pos += 1
        return str(out, "utf-8")

    def blank(self):
        """Skip spaces, comments and line ends."""
        while True:
            self.spaces()
            self.comment()
            if self.at(b"\n"):
                self.line += 1
            elif not self.at(b"\r"):
                return
            self.pos += 1

    def comment(self):
        if self.at(b"#"):
            end = self.data.find(b"\n", self.pos)
            self.pos = end if end >= 0 else self.size

    def spaces(self):
        while self.at(b" \t"):
            self.pos += 1

    def at(self, choices):
        return (self.data[self.pos] if self.pos < self.size else 0) in choices

    def skip(self, byte):
        found = self.at(byte)
        if found:
            self.pos += 1
        return found

    def counted(self):
        self.count += 1
        if self.count > VALUES_MAX:
            raise self.error(f"the file holds more than {VALUES_MAX} values")

    def mark(self, path):
        if self.lines is not None:
            self.lines[path] = self.line

    def error(self, reason):
        return TomlError(self.line, reason)
