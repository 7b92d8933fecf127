"""Numbers for storms. Law: what is drawn lies within its bounds, and a scenario's file can hold it exactly."""

from math import exp, log
from random import Random

from hostsim.fault_kinds import Number

DAY_S = 86400.0
# times are multiples of 2**-14 day, 5.3 s: a decimal of a day in a file is then the same number of seconds again
STEPS_A_DAY = 1 << 14


def on_grid_s(at_s: float) -> float:
    return int(at_s / DAY_S * STEPS_A_DAY) / STEPS_A_DAY * DAY_S


def about(draw: Random, low: float, high: float) -> float:
    """A number of which each power of ten between two positive bounds is as likely as the next one."""
    return exp(draw.uniform(log(low), log(high)))


def extra(draw: Random, of):
    """What a fault takes, within its bounds: often its default, sometimes a bound itself."""
    if not isinstance(of, Number):
        return draw.choice(of.words)
    way = draw.random()
    if way < 0.35:
        value = of.default
    elif way < 0.45:
        value = draw.choice((of.low, of.high))
    elif way < 0.75 and of.low > 0:
        value = about(draw, of.low, of.high)
    else:
        value = draw.uniform(of.low, of.high)
    if of.whole:
        return min(int(of.high), max(int(of.low), int(value + 0.5)))
    return min(of.high, max(of.low, float(f"{value:.4g}")))


def times_s(draw: Random, per_day: float, lasts_h: tuple[float, float] | None, end_s: float, gusts_s) -> list:
    """[(from_s, to_s)] of what comes `per_day` times a day and lasts for hours between two bounds (None: it strikes).

    Some of it comes in gusts, since trouble comes in company; what lasts never comes again before it is over.
    """
    found: list[tuple[float, float]] = []
    at_s = 0.0
    while True:
        at_s += draw.expovariate(per_day) * DAY_S
        if at_s >= end_s:
            break
        from_s = at_s
        if gusts_s and draw.random() < 0.3:
            from_s = min(max(0.0, draw.choice(gusts_s) + draw.uniform(-1.0, 1.0) * 3600.0), end_s)
        to_s = from_s + about(draw, *lasts_h) * 3600.0 if lasts_h is not None else from_s
        found.append((on_grid_s(from_s), on_grid_s(to_s)))
    found.sort()
    if lasts_h is None:
        return found
    apart: list[tuple[float, float]] = []
    for from_s, to_s in found:
        if from_s < to_s and (not apart or apart[-1][1] <= from_s):
            apart.append((from_s, to_s))
    return apart
