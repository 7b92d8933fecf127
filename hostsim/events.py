"""events.jsonl: one line an event, in the order in which each node met them. Law: the same seed, the same bytes."""

import json
import traceback
from typing import TextIO

TRACES_MAX = 5


class Events:
    """Writes events to `stream` (None: nowhere). `traces`: the first few unexpected exceptions, as text."""

    def __init__(self, stream: TextIO | None):
        self._write = stream.write if stream is not None else None
        self.traces: list[str] = []

    def write(self, t_ms: int, node: str, event: str, fields: dict[str, int]) -> str:
        """Write one event; returns its line. t_ms: ms since the scenario's start."""
        line = f'{{"t_s":{t_ms / 1000:.3f},"node":"{node}","event":"{event}"'
        for key, value in fields.items():
            line += f',"{key}":{value if type(value) is int else json.dumps(value)}'
        line += "}\n"
        if self._write is not None:
            self._write(line)
        return line

    def trace(self, error: BaseException) -> None:
        if len(self.traces) < TRACES_MAX:
            self.traces.append("".join(traceback.format_exception(error)))
