"""When something goes wrong in a scenario, and what. Law: each entry says when in one way, or is refused with a line.

In a window (from_day, to_day), once (at_day), or by chance (per_day, with lasts_h where it lasts, within a window).
"""

from hostsim.fault_kinds import Number
from hostsim.fault_names import FAULTS
from hostsim.faults import HOUR_S, Draw, Fault
from hostsim.scenario_text import Table

DAYS_MAX = 3660
DAY_S = 86400.0
PER_DAY = (0.0001, 1000)
LASTS_H = (0.001, 24 * DAYS_MAX)
TIMING_KEYS = ("from_day", "to_day", "at_day", "per_day", "lasts_h")


def windows_of(table: Table, kinds, place: tuple, draws: list[Draw]) -> list[tuple[float, float, str]]:
    """The outages of a network, the broker or the time servers; those that come by chance go into `draws`."""
    found: list[tuple[float, float, str]] = []
    for outage in table.tables("outage"):
        kind = outage.choice("kind", kinds)
        when = timing(outage, True)
        outage.done()
        if isinstance(when, tuple):
            _apart(outage, found, *when)
            found.append((*when, kind))
        else:
            draws.append(Draw(place, kind, **when))
    return found


def faults_of(tables: list[Table], nodes: list[str], draws: list[Draw]) -> list[Fault]:
    """The faults of the nodes; those that come by chance go into `draws`. Without a node: of each one."""
    found: list[Fault] = []
    for table in tables:
        name = table.choice("name", FAULTS)
        kind = FAULTS[name]
        whose = [table.choice("node", nodes)] if "node" in table.raw else nodes
        table.used.update(("node", *kind.extras))
        extras = {key: _extra(table, key, of) for key, of in kind.extras.items()}
        when = timing(table, kind.lasting)
        table.done()
        for node in whose:
            if isinstance(when, tuple):
                others = [(fault.from_s, fault.to_s) for fault in found if (fault.name, fault.node) == (name, node)]
                _apart(table, others if kind.lasting else [], *when)
                found.append(Fault(name, node, *when, extras))
            else:
                draws.append(Draw(("fault", node), name, **when, extras=extras))
    return found


def _extra(table: Table, key: str, of):
    if isinstance(of, Number):
        take = table.whole if of.whole else table.number
        return take(key, of.low, of.high, of.default)
    return table.choice(key, of.words, of.words[0])


def timing(table: Table, lasting: bool) -> tuple[float, float] | dict:
    """(from_s, to_s) of what comes at a known time, or what a Draw says of what comes by chance."""
    table.used.update(TIMING_KEYS)
    if "at_day" in table.raw:
        return _once(table, lasting)
    if "per_day" in table.raw:
        return _by_chance(table, lasting)
    if not lasting:
        raise table.wrong("at_day", "is missing: it strikes once (at_day), or by chance (per_day)")
    _none_of(table, ("lasts_h",), "goes with at_day or per_day; a window has from_day and to_day")
    return _window(table)


def _once(table: Table, lasting: bool) -> tuple[float, float]:
    _none_of(table, ("from_day", "to_day", "per_day"), "does not go with at_day")
    at_s = table.number("at_day", 0, DAYS_MAX) * DAY_S
    return at_s, at_s + _lasts_s(table, lasting)


def _by_chance(table: Table, lasting: bool) -> dict:
    per_day = table.number("per_day", *PER_DAY)
    from_s, to_s = 0.0, DAYS_MAX * DAY_S
    if "from_day" in table.raw or "to_day" in table.raw:
        from_s, to_s = _window(table)
    return {"per_day": per_day, "lasts_s": _lasts_s(table, lasting), "from_s": from_s, "to_s": to_s}


def _lasts_s(table: Table, lasting: bool) -> float:
    if not lasting:
        _none_of(table, ("lasts_h",), "is for what lasts: this strikes once each time")
        return 0.0
    return table.number("lasts_h", *LASTS_H) * HOUR_S


def _window(table: Table) -> tuple[float, float]:
    from_s = table.number("from_day", 0, DAYS_MAX) * DAY_S
    to_s = table.number("to_day", 0, DAYS_MAX) * DAY_S
    if not from_s < to_s:
        raise table.wrong("to_day", "must be after from_day")
    return from_s, to_s


def _none_of(table: Table, keys, reason: str) -> None:
    for key in keys:
        if key in table.raw:
            raise table.wrong(key, reason)


def _apart(table: Table, windows, from_s: float, to_s: float) -> None:
    """One place has one trouble at a time: what is written down must not overlap."""
    for other_from_s, other_to_s, *_ in windows:
        if from_s < other_to_s and other_from_s < to_s:
            raise table.wrong(
                "from_day" if "from_day" in table.raw else "at_day",
                f"overlaps the outage from day {other_from_s / DAY_S:g} to {other_to_s / DAY_S:g}",
            )
