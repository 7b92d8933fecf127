"""A fuzzer for where atheris is not. Law: an input that reaches a line that none reached before is kept.

Plain and slow: it counts lines and no branches, and guesses no constants. Its findings are as good as any.
"""

import random
import sys
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
FOLDERS = tuple(str(ROOT / name) for name in ("firmware/torpor", "hostsim", "deploy"))
BYTES = (0, 1, 2, 0x20, 0x7F, 0x80, 0xFE, 0xFF)


class Lines:
    """(file, line) that ran while it was on, of the project's own code."""

    def __init__(self):
        self.seen = set()
        self._ours = {}

    def __enter__(self):
        sys.settrace(self._call)
        return self

    def __exit__(self, *error):
        sys.settrace(None)

    def _call(self, frame, event, argument):
        code = frame.f_code
        ours = self._ours.get(code)
        if ours is None:
            ours = self._ours[code] = code.co_filename.startswith(FOLDERS)
        return self._line if ours else None

    def _line(self, frame, event, argument):
        if event == "line":
            self.seen.add((frame.f_code, frame.f_lineno))
        return self._line


def varied(data, corpus, words, size_max, chance):
    """`data` with one to four small changes."""
    out = bytearray(data)
    for _ in range(chance.choice((1, 1, 2, 4))):
        at = chance.randrange(len(out) + 1)
        kind = chance.randrange(8)
        if kind == 0 and at < len(out):
            out[at] ^= 1 << chance.randrange(8)
        elif kind == 1 and at < len(out):
            out[at] = chance.choice(BYTES)
        elif kind == 2:
            out[at:at] = chance.randbytes(chance.randrange(1, 5))
        elif kind == 3:
            del out[at : at + chance.randrange(1, 9)]
        elif kind == 4 and words:
            out[at:at] = chance.choice(words)
        elif kind == 5:
            out[at : at + chance.randrange(9)] = out[chance.randrange(len(out) + 1) :][: chance.randrange(1, 33)]
        elif kind == 6:
            out[at:] = chance.choice(corpus)[at:]
        elif at < len(out):
            out[at] = (out[at] + chance.choice((1, -1))) & 0xFF
    return bytes(out[:size_max])


def fuzz(target, seconds, seed, on_finding):
    """Try inputs for so long; (executions, lines reached, inputs kept, findings: 0 or 1)."""
    chance = random.Random(seed)
    lines, corpus, runs = Lines(), [b""], 0
    queue = [*target.seeds()]
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        given = bool(queue)
        data = queue.pop() if given else varied(chance.choice(corpus), corpus, target.words, target.size_max, chance)
        before = len(lines.seen)
        runs += 1
        try:
            with lines:
                target.run(data)
        except Exception as error:
            on_finding(data, error)
            return runs, len(lines.seen), len(corpus), 1
        if given or len(lines.seen) > before:
            corpus.append(data)
    return runs, len(lines.seen), len(corpus), 0
