"""Faults of the supply and of the chip itself. Law: see fault_names.py."""

from hostsim.fault_kinds import FaultKind

POWER: dict[str, FaultKind] = {}
