"""What befalls a node's supply and its chip. Law: a board that is gone does nothing more, and what it held is gone.

It happens at a passing of time: the n-th from the fault's moment on, in the middle of it; at a card write
(card_faults.py); or in the sleep. A node without such faults never comes here.
"""

import math
from dataclasses import replace

from hostsim.fault_names_power import POWER
from hostsim.rtc import sleep_ms

AT_A_STEP = ("power-cut", "watchdog-reset", "memory-zeroed")


class Supply:
    """The supply of one node; takes the place of its `spend`.

    ending: class of what a fault raises, by its name. `struck`: the fault that ended this wake, None: none has.
    """

    def __init__(self, node, ending: dict):
        self._node = node
        self._spend = node.spend
        self._ending = ending
        self._left: dict[str, int] = {}  # time steps until it happens
        self._awake = False
        self._next_ms = math.inf  # nothing of AT_A_STEP is due before
        self.struck = None
        node.spend = self.spend

    def begin_wake(self) -> None:
        self._awake = True
        self.struck = None
        coming = filter(None, map(self._node.faults.peek, AT_A_STEP))
        self._next_ms = min((fault.from_s * 1000.0 for fault in coming), default=math.inf)

    def end_wake(self) -> None:
        self._awake = False

    def spend(self, state: str, ms: int) -> None:
        """As Node.spend. Raises what ends the wake."""
        if self.struck is not None and self._awake:
            raise self._ending[self.struck.name]
        if self._awake and self._node.now_ms >= self._next_ms:
            for name in AT_A_STEP:
                if self._is_now(name):
                    self._spend(state, self._node.fault_random.randint(0, ms))
                    self.end(self._node.faults.strikes(name, self._node.now_ms))
        self._spend(state, ms)

    def _is_now(self, name: str) -> bool:
        faults = self._node.faults
        if not faults.is_due(name, self._node.now_ms):
            return False
        extras = faults.peek(name).extras
        if extras.get("at", "step") != "step":
            return False
        self._left[name] = left = self._left.get(name, extras["count"]) - 1
        if left > 0:
            return False
        del self._left[name]
        return True

    def radio_on(self) -> None:
        """The radio starts, which draws most. Raises what ends the wake."""
        fault = self._node.faults.holds("brown-out", self._node.now_ms)
        if fault is not None:
            self.end(fault)

    def end(self, fault) -> None:
        """Nothing happens on this board any more in this wake. Raises the fault's ending."""
        self.struck = fault
        raise self._ending[fault.name]

    def sleep(self, asked_s: int):
        """Sleep. Returns the power cut that ended it before its time, None: none did."""
        node = self._node
        struck = self.cut_before(
            node.now_ms + sleep_ms(node.sleep_timer, asked_s, node.now_ms, node.climate.inside_degc)
        )
        if struck is None:
            node.sleep(asked_s)
        return struck

    def cut_before(self, until_ms: int):
        """Sleep up to the power cut that comes before that. Returns it; None: none comes, and it is to sleep yet."""
        node = self._node
        fault = node.faults.peek("power-cut")
        at_ms = int(fault.from_s * 1000) if fault is not None and fault.extras["at"] == "sleep" else None
        if at_ms is None or at_ms >= until_ms:
            return None
        self._spend("asleep", max(0, at_ms - node.now_ms))
        return node.faults.strikes("power-cut", node.now_ms + 1)


def supply_of(node, ending: dict) -> Supply | None:
    """The node's, made when it is first asked for; None: nothing will befall it."""
    if node.supply is None and node.faults.names & POWER.keys():
        node.supply = Supply(node, ending)
    return node.supply


def lose(node, judge, fault) -> None:
    """What the board held is lost with the fault that ended its wake or its sleep."""
    extras = fault.extras
    if fault.name in ("power-cut", "memory-zeroed") or extras.get("memory") == "lost":
        size = len(node.retained)
        zeros = fault.name == "memory-zeroed" or node.fault_random.random() < 0.5
        node.retained[:] = bytes(size) if zeros else node.fault_random.randbytes(size)
        judge.memory_lost()
    if extras.get("clock") == "lost":
        node.clock.stop()
        judge.clock_lost(node.now_ms)


def lose_with_chip(node, judge, fault) -> bool:
    """As lose(), on a chip whose own clock has no cell. Returns True when what that clock showed is gone, too."""
    gone = fault.name == "power-cut" or fault.extras.get("memory") == "lost"
    if gone and node.wiring.clock == "internal":
        fault = replace(fault, extras={**fault.extras, "clock": "lost"})
    lose(node, judge, fault)
    if fault.extras.get("clock") == "lost" and node.clock_chip is not None:
        # its registers are as after power-on
        node.clock_chip.reset()
    return gone
