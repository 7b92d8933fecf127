"""Faults of the memory card. Law: see fault_names.py."""

from hostsim.fault_kinds import FaultKind, Number

CARD: dict[str, FaultKind] = {
    "card-removed": FaultKind("the memory card is out of its slot", lasting=True),
    "card-write-dropped": FaultKind("the card takes what is written, and nothing of it lands", lasting=True),
    "card-torn": FaultKind("of a write only the beginning lands", lasting=False),
    "card-garbage": FaultKind("a write leaves rubbish behind", lasting=False),
    "card-read-error": FaultKind("the card does not give what it holds", lasting=True),
    "card-slow": FaultKind(
        "the card takes its time", lasting=True, extras={"more_ms": Number(1, 250, 50, whole=True)}
    ),
    "card-full": FaultKind("the card has no room for a new ring", lasting=True),
    "card-unit-gone": FaultKind("4 MiB of the ring are rubbish all at once", lasting=False),
}
