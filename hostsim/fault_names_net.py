"""Faults of networks, broker and TLS that befall one node. Law: see fault_names.py."""

from hostsim.fault_kinds import FaultKind

NET: dict[str, FaultKind] = {}
