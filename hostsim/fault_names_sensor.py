"""Faults of the sensors and their bus. Law: see fault_names.py."""

from hostsim.fault_kinds import FaultKind

SENSOR: dict[str, FaultKind] = {}
