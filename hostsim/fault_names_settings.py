"""Faults of the settings file. Law: see fault_names.py."""

from hostsim.fault_kinds import FaultKind

SETTINGS: dict[str, FaultKind] = {}
