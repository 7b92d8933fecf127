"""The faults of one node: which hold at a time, and which strike next.

Law: when a fault comes follows from the scenario and its seed; what it does is done by the part that it befalls.

A fault is lasting (it holds in its windows: a sensor that is stuck) or momentary (it strikes once, at the first
occasion from its time on: the power goes at a card write). hostsim/fault_names.py has them all.
"""

from bisect import bisect_right
from collections import Counter
from dataclasses import dataclass, field, replace
from random import Random

from hostsim.fault_names import FAULTS

HOUR_S = 3600.0


@dataclass(frozen=True)
class Fault:
    """One fault of one node. to_s is from_s where it is momentary; extras has what belongs to this name of fault."""

    name: str
    node: str
    from_s: float
    to_s: float
    extras: dict = field(default_factory=dict, hash=False)


@dataclass(frozen=True)
class Draw:
    """Something that comes by chance, `per_day` times a day between from_s and to_s, and lasts `lasts_s`.

    place: ("network", index), ("broker",), ("time_server",), or ("fault", node); name: what it is there.
    """

    place: tuple
    name: str
    per_day: float
    lasts_s: float
    from_s: float
    to_s: float
    extras: dict = field(default_factory=dict, hash=False)

    def times_s(self, generator: Random, end_s: float) -> list[float]:
        """When it comes: a Poisson process, and never again before the last one is over."""
        times: list[float] = []
        at_s = self.from_s
        while True:
            at_s += generator.expovariate(self.per_day) * 86400.0
            if at_s >= min(self.to_s, end_s):
                return times
            times.append(at_s)
            at_s += self.lasts_s


def drawn(scenario):
    """The scenario with everything that comes by chance at its time: same seed, same times."""
    if not scenario.draws:
        return scenario
    networks = [replace(network, windows=list(network.windows)) for network in scenario.networks]
    windows = {"broker": list(scenario.broker_windows), "time_server": list(scenario.time_windows)}
    faults = list(scenario.faults)
    for number, draw in enumerate(scenario.draws):
        generator = Random(f"{scenario.seed}/fault {number} {draw.name}/{'/'.join(map(str, draw.place))}")
        for at_s in draw.times_s(generator, scenario.days * 86400.0):
            window = (at_s, at_s + draw.lasts_s, draw.name)
            where, *which = draw.place
            if where == "fault":
                faults.append(Fault(draw.name, which[0], window[0], window[1], draw.extras))
            elif where == "network":
                networks[which[0]].windows.append(window)
            else:
                windows[where].append(window)
    return replace(
        scenario,
        networks=[replace(network) for network in networks],  # each makes its timeline anew
        broker_windows=windows["broker"],
        time_windows=windows["time_server"],
        faults=faults,
        draws=[],
    )


class Faults:
    """What befalls one node. `names`: of all that ever will. `seen`: how many of each name have come to bear.

    Lasting faults of one name: the one that begins last holds.
    """

    def __init__(self, faults):
        self.names = frozenset(fault.name for fault in faults)
        self.seen: Counter[str] = Counter()
        self._met: set[tuple[str, int]] = set()
        self._by_name: dict[str, list[Fault]] = {}
        for fault in sorted(faults, key=lambda fault: fault.from_s):
            self._by_name.setdefault(fault.name, []).append(fault)
        self._starts_ms = {name: [fault.from_s * 1000.0 for fault in found] for name, found in self._by_name.items()}

    def holds(self, name: str, now_ms: int) -> Fault | None:
        """The lasting fault of this name that holds now."""
        if name not in self.names:
            return None
        index = bisect_right(self._starts_ms[name], now_ms) - 1
        found = self._by_name[name]
        while index >= 0:
            fault = found[index]
            if now_ms < fault.to_s * 1000.0:
                if (name, index) not in self._met:
                    self._met.add((name, index))
                    self.seen[name] += 1
                return fault
            index -= 1
        return None

    def strikes(self, name: str, now_ms: int) -> Fault | None:
        """The momentary fault of this name that is due, once: who asks lets it happen."""
        if name not in self.names:
            return None
        starts = self._starts_ms[name]
        if not starts or starts[0] > now_ms:
            return None
        del starts[0]
        self.seen[name] += 1
        return self._by_name[name].pop(0)

    def peek(self, name: str) -> Fault | None:
        """The momentary fault of this name that comes next, due or not."""
        found = self._by_name.get(name)
        return found[0] if found else None

    def is_due(self, name: str, now_ms: int) -> bool:
        """True when `strikes` would give one."""
        if name not in self.names:
            return False
        starts = self._starts_ms[name]
        return bool(starts) and starts[0] <= now_ms


def is_lasting(name: str) -> bool:
    return FAULTS[name].lasting
