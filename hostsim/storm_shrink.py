"""A storm that fails, made small. Law: what is returned fails in the same way as what was given.

The same way: the same invariant of the same node is broken, or the same exception is raised. First the days are cut
behind the breach and the other nodes left out, then pieces go in chunks, smaller and smaller (delta debugging: Zeller
and Hildebrandt, 2002), then one by one.
"""

import time
from dataclasses import dataclass, replace

from hostsim.faults import Fault
from hostsim.storm_draw import DAY_S
from hostsim.storm_life import lived
from hostsim.storm_pieces import AccessPoint, Clock, Outage, Setting, Site, Storm, Unfit, built

# what is judged at the very end may need the end a little later than the breach
AFTER_S = 300.0
DAYS_MIN = 0.02


@dataclass(frozen=True)
class Failure:
    """A way to fail. invariant None: an exception nobody knows, of the type `what`. node: whose, None: not told."""

    invariant: int | None
    node: str | None = None
    what: str = ""


@dataclass
class Shrunk:
    """storm: the smallest that was found; evidence: what breaks in it, "" when it did not even fail a second time;
    lives: how often a storm was lived through."""

    storm: Storm
    evidence: str
    lives: int
    in_time: bool


def failure_of(result: dict) -> Failure | None:
    """The way in which a storm failed: its first breach in time, else an exception; None: it did not."""
    if result["broken"]:
        first = min(result["broken"], key=lambda entry: (entry["t_s"], entry["id"]))
        return Failure(first["id"], first["node"])
    if result["traces"]:
        return Failure(None, None, _raised(result["traces"][0]))
    return None


def shrink(storm: Storm, failure: Failure, limit_s: float, clock=time.monotonic) -> Shrunk:
    """Leave out whatever is not needed for the failure, for `limit_s` seconds at most."""
    return _Search(storm, failure, clock() + limit_s, clock).run()


class _Search:
    def __init__(self, storm: Storm, failure: Failure, until_s: float, clock):
        self._best = storm
        self._failure = failure
        self._until_s = until_s
        self._clock = clock
        self._evidence = ""
        self._t_s = storm.days * DAY_S
        self._lives = 0

    def run(self) -> Shrunk:
        node = self._failure.node
        if not self._try(self._best):
            return Shrunk(self._best, "", self._lives, self._in_time())
        if node is not None and len(self._best.nodes) > 1:
            self._try(self._best.without_others(node))
        self._shorten()
        for kind in ((AccessPoint, Outage), (Site, Clock), Setting, Outage, Fault):
            self._try_pieces([piece for piece in self._best.pieces if not isinstance(piece, kind)])
        for name in {piece.name: None for piece in self._best.pieces if isinstance(piece, Fault)}:
            self._try_pieces([piece for piece in self._best.pieces if getattr(piece, "name", None) != name])
        self._shorten()
        self._in_chunks()
        self._shorten()
        return Shrunk(self._best, self._evidence, self._lives, self._in_time())

    def _in_time(self) -> bool:
        return self._clock() < self._until_s

    def _try(self, storm: Storm) -> bool:
        """True, and it is the best so far, when it fails in the same way."""
        if not self._in_time():
            return False
        self._lives += 1
        found = _fails(storm, self._failure)
        if found is None:
            return False
        self._best, (self._t_s, self._evidence) = storm, found
        return True

    def _try_pieces(self, pieces) -> bool:
        return len(pieces) < len(self._best.pieces) and self._try(replace(self._best, pieces=tuple(pieces)))

    def _shorten(self) -> None:
        """To just after the breach; else by halves, as far as it goes."""
        days = max(DAYS_MIN, _days((self._t_s + AFTER_S) / DAY_S))
        if days < self._best.days:
            self._try(_cut(self._best, days))
        step = self._best.days / 2
        while step > 0.25 and self._in_time():
            if self._best.days - step < DAYS_MIN or not self._try(_cut(self._best, _days(self._best.days - step))):
                step /= 2

    def _in_chunks(self) -> None:
        size = max(1, len(self._best.pieces) // 2)
        while self._in_time():
            at, before = 0, len(self._best.pieces)
            while at < len(self._best.pieces) and self._in_time():
                pieces = self._best.pieces
                if not self._try_pieces(pieces[:at] + pieces[at + size :]):
                    at += size
            if size == 1 and len(self._best.pieces) == before:
                return
            size = max(1, min(size // 2, len(self._best.pieces) // 2))


def _days(days: float) -> float:
    return float(f"{days:.3f}")


def _cut(storm: Storm, days: float) -> Storm:
    """The first days of a storm; what begins later is left out."""
    pieces = [piece for piece in storm.pieces if getattr(piece, "from_s", 0.0) < days * DAY_S]
    return replace(storm, days=days, pieces=tuple(pieces))


def _fails(storm: Storm, failure: Failure) -> tuple[float, str] | None:
    """(when in s, the evidence) when it fails in this way."""
    try:
        result = lived(built(storm))
    except Unfit:
        return None
    except Exception as error:
        if failure.invariant is None and type(error).__name__ == failure.what:
            return storm.days * DAY_S, str(error)
        return None
    if failure.invariant is None:
        raised = [trace for trace in result["traces"] if _raised(trace) == failure.what]
        return (storm.days * DAY_S, raised[0].strip().splitlines()[-1]) if raised else None
    for entry in result["broken"]:
        if (entry["id"], entry["node"]) == (failure.invariant, failure.node):
            return entry["t_s"], entry["evidence"]
    return None


def _raised(trace: str) -> str:
    """The type of the exception of a traceback."""
    return trace.strip().splitlines()[-1].partition(":")[0].rpartition(".")[2]
