"""The promises, as the judge keeps them. Law: a promise is broken by the first fact against it, and says which."""

from dataclasses import dataclass

NAMES = {
    1: "every stored reading is delivered, still waiting, or was seen to be overwritten",
    2: "nothing is delivered that was not stored or held, and a reading has one content for ever",
    3: "the radio is never on before the slot's reading is safe",
    4: "every wake ends in sleep within its deadline",
    5: "every delivered time lies within the uncertainty it states, and that is no larger than it must be",
    6: "the node's own ledger of charge agrees with the world",
    7: "no password or key appears anywhere",
    8: "every due slot is one reading, or one counted miss with a reason",
}
NOT_COVERED = (6,)


@dataclass
class Invariant:
    """state: "held", "broken" or "not covered". evidence: the first fact against it. count: how many there were."""

    id: int
    state: str = "held"
    evidence: str = ""
    count: int = 0
    replay: str | None = None

    @property
    def name(self) -> str:
        return NAMES[self.id]


class Invariants:
    """All of them. `describe(t_ms)` turns a moment into words for the evidence."""

    def __init__(self, replay: str, describe):
        self._replay = replay
        self._describe = describe
        self.all = {i: Invariant(i, "not covered" if i in NOT_COVERED else "held") for i in NAMES}

    def broken(self, invariant: int, node: str, t_ms: int, fact: str) -> None:
        entry = self.all[invariant]
        entry.count += 1
        if entry.state != "broken":
            entry.state = "broken"
            entry.evidence = f"{node}, {self._describe(t_ms)}: {fact}"
            entry.replay = self._replay
