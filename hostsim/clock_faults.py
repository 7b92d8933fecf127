"""What befalls a node's clock. Law: the judge hears of it when it happens, and from nobody else.

It happens while the node sleeps: before the wake in which it is due.
"""

from hostsim.fault_names_time import TIME

RESET_S = 946684800  # 2000-01-01: where the usual chips begin
LAST_S = 4102444799  # the end of 2099, where they end
YEAR_S = 31_557_600


def befall(node, judge) -> None:
    """Let happen what is due; to be called at the beginning of a wake."""
    for name in TIME.keys() & node.faults.names:
        fault = node.faults.strikes(name, node.now_ms)
        while fault is not None:
            _AS[name](node, judge, fault)
            fault = node.faults.strikes(name, node.now_ms)


def _reset(node, judge, fault) -> None:
    if fault.extras["told"] == "told":
        node.clock.stop()
    else:
        node.clock.set(node.now_ms, RESET_S)
    judge.clock_lost(node.now_ms)


def _years_off(node, judge, fault) -> None:
    shown_s = node.clock.shows(node.now_ms)
    if shown_s is not None:
        node.clock.set(node.now_ms, min(LAST_S, shown_s + fault.extras["years"] * YEAR_S))
        judge.clock_jumped(node.now_ms, None)


def _jump(node, judge, fault) -> None:
    shown_s = node.clock.shows(node.now_ms)
    if shown_s is not None:
        by_s = max(RESET_S, min(LAST_S, shown_s + fault.extras["seconds"])) - shown_s
        node.clock.set(node.now_ms, shown_s + by_s)
        judge.clock_jumped(node.now_ms, by_s)


_AS = {"clock-reset": _reset, "clock-years-off": _years_off, "clock-jump": _jump}
