"""Faults of the clock. Law: see fault_names.py."""

from hostsim.fault_kinds import Choice, FaultKind, Number

TIME: dict[str, FaultKind] = {
    "clock-reset": FaultKind(
        "the clock has lost its supply", lasting=False, extras={"told": Choice(("told", "silent"))}
    ),
    "clock-years-off": FaultKind(
        "the clock is years ahead all at once", lasting=False, extras={"years": Number(1, 50, 10, whole=True)}
    ),
    "clock-jump": FaultKind(
        "the clock jumps", lasting=False, extras={"seconds": Number(-86_400, 86_400, 3600, whole=True)}
    ),
}
