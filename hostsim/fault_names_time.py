"""Faults of the clock. Law: see fault_names.py."""

from hostsim.fault_kinds import FaultKind

TIME: dict[str, FaultKind] = {}
