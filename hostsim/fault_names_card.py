"""Faults of the memory card. Law: see fault_names.py."""

from hostsim.fault_kinds import FaultKind

CARD: dict[str, FaultKind] = {
    "card-removed": FaultKind("the memory card is out of its slot", lasting=True),
}
