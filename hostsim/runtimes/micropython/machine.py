"""One wake of a board: where its time goes, its watchdog, and who answers which question. Law: time passes here once.

Whatever a question does ends in a look at the watchdog, so that it bites in time.
"""

from hostsim.node import Node
from hostsim.runtimes.endings import WatchdogReset
from hostsim.runtimes.fitted import JudgedClock, Reach, fit
from hostsim.runtimes.micropython.chip import Chip
from hostsim.wiring import Rails


class Slept(BaseException):
    """Deep sleep: args[0] is the time in ms, None: until something else wakes it."""


class Reset(BaseException):
    """machine.reset()."""


class Hung(BaseException):
    """A call never came back, and there was no watchdog: the board is lost until somebody comes."""


class Machine:
    """What the parts of a board have in common. bites_ms: when the watchdog does, None: it is off."""

    def __init__(self, node: Node, world, judge, chip: Chip):
        self.node = node
        self.judge = judge
        self.chip = chip
        self.world = world
        self.booted_ms = node.now_ms
        self.rails = Rails(node.wiring.rails)
        self.reach = Reach(node, judge)
        self.buses = fit(node, self.rails, judge, self.reach, needs_lock=False)
        self.clock = JudgedClock(node, judge)
        self.bites_ms: int | None = None
        self.watchdog_ms = 0
        self._owed_us = 0

    def waiting(self) -> str:
        """The state that waiting is spent in."""
        return self.node.radio_state or "awake"

    def spend(self, state: str, ms: int) -> None:
        self.node.spend(state, ms)
        self.look()

    def spend_us(self, state: str, us: int) -> None:
        """Time too short for the world's clock is owed until it makes up a millisecond."""
        self._owed_us += us
        ms, self._owed_us = divmod(self._owed_us, 1000)
        if ms:
            self.spend(state, ms)

    def look(self) -> None:
        if self.bites_ms is not None and self.node.now_ms >= self.bites_ms:
            raise WatchdogReset

    def hang(self) -> None:
        """A call that never comes back."""
        if self.bites_ms is None:
            raise Hung
        self.node.spend(self.waiting(), max(0, self.bites_ms - self.node.now_ms))
        raise WatchdogReset

    def clock_s(self) -> float:
        """What the chip's own clock shows, s since 1970; since 2000 when it has not been set since it got power."""
        node, chip = self.node, self.chip
        if node.wiring.clock == "internal":
            shown = node.clock.shows(node.now_ms)
            return float(shown) if shown is not None else Y2K_S + self.since_boot_s()
        shown_s = chip.own_clock.shows(node.now_ms)
        return Y2K_S + self.since_boot_s() if shown_s is None else shown_s

    def true_s(self) -> float:
        return self.world.start_epoch_s + self.node.now_ms / 1000.0

    def since_boot_s(self) -> float:
        return (self.node.now_ms - self.booted_ms) / 1000.0


Y2K_S = 946684800.0
