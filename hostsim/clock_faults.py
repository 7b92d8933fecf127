"""What befalls a node's clock. Law: the judge hears of it when it happens, and from nobody else.

It happens while the node sleeps: before the wake in which it is due.
"""

RESET_S = 946684800  # 2000-01-01: where the usual chips begin
LAST_S = 4102444799  # the end of 2099, where they end
YEAR_S = 31_557_600


def befall(node, judge) -> None:
    """Let happen what is due; to be called at the beginning of a wake."""
    for name, happen in _AS.items():
        while node.faults.is_due(name, node.now_ms):
            happen(node, judge, node.faults.strikes(name, node.now_ms))


def _reset(node, judge, fault) -> None:
    if fault.extras["told"] == "told":
        node.clock.stop()
    else:
        node.clock.set(node.now_ms, RESET_S)
    judge.clock_lost(node.now_ms)


def _years_off(node, judge, fault) -> None:
    _shift(node, judge, fault.extras["years"] * YEAR_S)


def _jump(node, judge, fault) -> None:
    _shift(node, judge, fault.extras["seconds"])


def _shift(node, judge, by_s: int) -> None:
    """As far as the chip can show it; one that has stopped stays stopped."""
    shown_s = node.clock.shows(node.now_ms)
    if shown_s is not None:
        there_s = max(RESET_S, min(LAST_S, shown_s + by_s))
        node.clock.set(node.now_ms, there_s)
        judge.clock_jumped(there_s - shown_s)


_AS = {"clock-reset": _reset, "clock-years-off": _years_off, "clock-jump": _jump}
