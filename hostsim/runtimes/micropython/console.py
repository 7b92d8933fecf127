"""What the board prints. Law: an event's line becomes the event again; everything else the judge hears as it is."""

import re

EVENT = re.compile(r"([a-z][a-z0-9-]*)((?: [a-z_][a-z0-9_]*=-?\d+)*)")
TRACE = "trace "


class Printed(Exception):
    """What the interpreter printed of an exception."""


class Console:
    def __init__(self, node, events, judge):
        self._node = node
        self._events = events
        self._judge = judge
        self._rest = ""
        self._trace: list[str] = []

    def take(self, text: str) -> None:
        """Take what was printed, up to the last end of a line."""
        *lines, self._rest = (self._rest + text).split("\n")
        for line in lines:
            self._line(line.rstrip("\r"))

    def _line(self, line: str) -> None:
        found = EVENT.fullmatch(line)
        if found is not None and line != TRACE.strip():
            integers = dict(pair.split("=") for pair in found[2].split())
            self._event(found[1], {key: int(value) for key, value in integers.items()})
            return
        self._judge.logged(self._node.now_ms, line)
        if line.startswith(TRACE):
            self._event("trace", {})
        self._trace.append(line)

    def _event(self, name: str, integers: dict) -> None:
        line = self._events.write(self._node.now_ms, self._node.name, name, integers)
        self._judge.logged(self._node.now_ms, line)

    def end(self) -> None:
        """The wake is over: what was no event is a trace of what went wrong."""
        if self._rest:
            self.take("\n")
        if self._trace:
            self._events.trace(Printed("\n".join(self._trace)))
