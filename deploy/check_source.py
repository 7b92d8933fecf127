"""A file that was given to `torpor check`, as the settings of one node or of several. Law: a line that is named is a
line of the file that the person edits, never of a text made from it."""

import tomllib
from dataclasses import dataclass, field
from pathlib import Path

from deploy import batch
from deploy.check_finding import ERROR, Finding, label
from hostsim.runtimes.settings_check import Problem, judged
from hostsim.scenario_lines import lines_of
from hostsim.scenario_text import ScenarioError, parse, read_bytes


class BadFile(Exception):
    """No file, or not a text; str() is one line."""


@dataclass(frozen=True)
class Place:
    """Where a finding stands: `line` 0 is the file as a whole, `key` as the board's reader writes it."""

    line: int
    key: str


@dataclass
class Subject:
    """One node of a file: its settings as the board would get them, as written, and what the board says of them."""

    name: str
    text: str
    given: dict
    complete: dict | None
    problems: list[tuple[Place, Problem]]
    lines: dict[tuple, int]
    own: tuple = ()  # where in the file this node's own part lies, () where all of it is its own

    def place(self, path: tuple) -> Place:
        """The place of a key, or of the nearest part of the file that it would stand in."""
        return Place(self._line(path), "name" if self.own and path == ("node",) else label(path))

    def _line(self, path: tuple) -> int:
        """The line of a path, or of the nearest part that it would lie in; 0: there is none."""
        if not self.own:
            return nearest_line(self.lines, path)
        if path == ("node",):
            return nearest_line(self.lines, (*self.own, "name"))
        own = (*self.own, *path)
        # a repeated section of its own stands for all of the shared ones
        if path and (own in self.lines or (*self.own, path[0], 0) in self.lines):
            return nearest_line(self.lines, own)
        shared = nearest_line(self.lines, path)
        return shared or (self.lines.get(own[: len(self.own) + 1], 0) if path else 0)


@dataclass
class Source:
    """One file: its nodes, and what is wrong with the file as a whole."""

    path: Path
    is_batch: bool
    subjects: list[Subject]
    findings: list[tuple[Place, Finding]] = field(default_factory=list)


def read(path: Path) -> Source:
    """The nodes of a settings file or a batch file, told apart by the [[node]] of the latter. Raises BadFile."""
    data = _text_of(path)
    try:
        text, raw = parse(path, data)
    except ScenarioError as error:
        # the board's own reader says what it does not like; what it would let pass is still no TOML
        _, problems = judged(data)
        if problems:
            return Source(path, False, [_alone(data, {}, {}, problems)])
        return Source(path, False, [], [(Place(error.line or 0, ""), _unread(error))])
    lines = lines_of(text)
    if batch.is_batch(raw):
        return _batch(path, raw, lines)
    return Source(path, False, [_alone(data, raw, lines)])


def _text_of(path: Path) -> bytes:
    try:
        data = read_bytes(path)
    except ScenarioError as error:
        raise BadFile(str(error)) from None
    if b"\0" in data:
        raise BadFile(f"{path}: is not a text file")
    try:
        data.decode("utf-8")
    except UnicodeDecodeError as error:
        raise BadFile(f"{path}, line {data[: error.start].count(10) + 1}: is not UTF-8 text") from None
    return data


def _unread(error: ScenarioError) -> Finding:
    return Finding(ERROR, (), error.reason, "correct this line, then look again")


def _alone(data: bytes, raw: dict, lines: dict, problems: list[Problem] | None = None) -> Subject:
    complete = None
    if problems is None:
        complete, problems = judged(data)
    placed = [(Place(one.line, one.key), one) for one in problems]
    name = complete["node"] if complete else ""
    return Subject(name, data.decode(), raw, complete, placed, lines)


def _batch(path: Path, raw: dict, lines: dict) -> Source:
    members, mistakes = batch.members(raw)
    source = Source(path, True, [])
    for where, reason, remedy in mistakes:
        place = Place(nearest_line(lines, where), label(where))
        source.findings.append((place, Finding(ERROR, where, reason, remedy)))
    for member in members:
        complete, problems = judged(member.text.encode())
        given = tomllib.loads(member.text)
        subject = Subject(member.name, member.text, given, complete, [], lines, ("node", member.index))
        written = {line: path for path, line in sorted(lines_of(member.text).items(), key=lambda one: len(one[0]))}
        for one in problems:
            place = subject.place(_path(one, written))
            subject.problems.append((place if place.key == "name" else Place(place.line, one.key), one))
        source.subjects.append(subject)
    return source


def nearest_line(lines: dict[tuple, int], path: tuple) -> int:
    """The line of a path, or of the longest beginning of it that has one; 0: none has."""
    while path and path not in lines:
        path = path[:-1]
    return lines.get(path, 0)


def _path(problem: Problem, written: dict[int, tuple]) -> tuple:
    """What a problem is about. written: the path of each line of the text that the board read.

    The key may hide what is nobody's name, and the line of a missing key is that of what it should lie in.
    """
    if not problem.key:
        return ()
    told: tuple = ()
    for part in problem.key.removesuffix("a name").rstrip(", ").split("."):
        name, _, number = part.partition("#")
        told += (name, int(number) - 1) if number.isdecimal() else (name,) if name else ()
    at = written.get(problem.line, ())
    return at if at[: len(told)] == told else told
