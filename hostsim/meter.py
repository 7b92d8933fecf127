"""Time and charge by state. Law: every millisecond of a node's life is in exactly one state."""

from operator import mul
from random import Random


class Meter:
    """Counts a node's time in each state of its board and the charge that its TRUE currents take.

    board: hostsim.board.Board. The true current of a state is drawn once a node, evenly from current x (1 +- spread).
    `spent_ms`: time by state, in the order of `names`; `ms`: the same, a list. `charge_uah()`: taken so far.
    """

    def __init__(self, board, generator: Random):
        self.names = list(board.states)
        self.spent_ms = dict.fromkeys(self.names, 0)
        self.true_ua = [
            state.current_ua * (1.0 + state.spread * generator.uniform(-1.0, 1.0)) for state in board.states.values()
        ]

    @property
    def ms(self) -> list[int]:
        return list(self.spent_ms.values())

    def charge_uah(self) -> float:
        return sum(map(mul, self.true_ua, self.spent_ms.values())) / 3_600_000.0

    def charge_by_state_uah(self) -> dict[str, float]:
        return {n: ua * ms / 3_600_000.0 for n, ua, ms in zip(self.names, self.true_ua, self.ms, strict=True)}
