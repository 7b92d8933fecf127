"""What was stated of each reading's time, against the world. Law: true times and bounds come from the world alone.

When a sensor was read is the judge's to know; when a clock was set, lost its supply or jumped is told by the world as
it happens. What was stated is taken out of the payloads at the broker. The node is asked nothing, and what it may
state is worked out here a second time, by the sentence of invariant 5 and not by the judge's book.
"""

from bisect import bisect_left, bisect_right
from dataclasses import dataclass, field

from hostsim.senml_read import SenmlError, reading

BASE_S = 2
DAY_MS = 86_400_000


@dataclass
class Span:
    """A stretch of one time counter: when it began, was set to the time, and jumped without anybody's seeing it."""

    from_ms: int
    set_ms: list[int] = field(default_factory=list)
    jumped_ms: list[int] = field(default_factory=list)


class Spans:
    """What invariant 5 lets a node state. drift_ppm: what its clock is specified to be off by, at most."""

    def __init__(self, drift_ppm: int):
        self._drift_ppm = drift_ppm
        self.all = [Span(0)]

    def lost(self, t_ms: int) -> None:
        self.all.append(Span(t_ms))

    def bound_s(self, taken_ms: int) -> tuple[float | None, bool]:
        """(the most that a reading's time may be stated unsure by, whether a jump nobody can see excuses it).

        Since the last synchronisation; before the first one of a span, all of the way there from its beginning. None
        where there never was one: then no time can be stated.
        """
        span = self.all[bisect_right(self.all, taken_ms, key=lambda span: span.from_ms) - 1]
        at = bisect_right(span.set_ms, taken_ms)
        if at:
            from_ms, to_ms = span.set_ms[at - 1], taken_ms
        elif span.set_ms:
            from_ms, to_ms = span.from_ms, span.set_ms[0]
        else:
            return None, False
        bound_s = BASE_S + self._drift_ppm * (to_ms - from_ms) / 1e9
        return bound_s, bisect_left(span.jumped_ms, to_ms + 1) > bisect_left(span.jumped_ms, from_ms)


@dataclass(frozen=True)
class Stated:
    """One delivery. time_s and uncertainty_s: None where it came with run and seconds of the run instead."""

    ring: str
    seq: int
    taken_ms: int
    time_s: int | None
    uncertainty_s: int | None


class Watch:
    """Looks on while a world of one node lives. jumps_hide: a jump of its clock is one that no node could see."""

    def __init__(self, world, jumps_hide: bool):
        self.node = world.nodes[0]
        self.judge = world.judges[self.node.name]
        self.start_ms = world.start_epoch_s * 1000
        self.spans = Spans(world.scenario.nodes[0].settings["time"]["drift_ppm_max"])
        self.stated: list[Stated] = []
        self.messages: list[tuple[str, bytes]] = []
        self._jumps_hide = jumps_hide
        for name in ("clock_set", "clock_lost", "clock_jumped", "published"):
            self._listen(name, getattr(self, f"_{name}"))

    def _listen(self, name: str, hear) -> None:
        tell = getattr(self.judge, name)

        def heard(*arguments, **named):
            hear(*arguments, **named)
            return tell(*arguments, **named)

        setattr(self.judge, name, heard)

    def _clock_set(self, t_ms: int, epoch_s: int) -> None:
        if abs(epoch_s * 1000 - self.start_ms - t_ms) > DAY_MS:
            self.spans.lost(t_ms)  # to where it counts from
        else:
            self.spans.all[-1].set_ms.append(t_ms)

    def _clock_lost(self, t_ms: int) -> None:
        self.spans.lost(t_ms)

    def _clock_jumped(self, by_s: int) -> None:
        if self._jumps_hide:
            self.spans.all[-1].jumped_ms.append(self.node.now_ms)
        else:
            self.spans.lost(self.node.now_ms)

    def _published(self, t_ms: int, kind: str, payload: bytes, *_more, **_named) -> None:
        self.messages.append((f"torpor/{self.node.name}/{kind}", payload))
        if kind != "readings":
            return
        try:
            message = reading(payload)
        except SenmlError:
            return  # the judge says so
        ledger = self.judge.ledgers.get(int(message["ring"], 16))
        if ledger is not None and ledger.has(message["seq"]):
            taken_ms = ledger.taken_ms[message["seq"] % ledger.capacity]
            self.stated.append(
                Stated(message["ring"], message["seq"], taken_ms, message["time_s"], message["uncertainty_s"])
            )
