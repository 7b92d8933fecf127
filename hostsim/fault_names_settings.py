"""Faults of the settings file. Law: see fault_names.py."""

from hostsim.fault_kinds import FaultKind

SETTINGS: dict[str, FaultKind] = {
    "settings-missing": FaultKind("there is no settings file", lasting=True),
    "settings-broken": FaultKind("the settings file is no TOML", lasting=True),
    "settings-cut": FaultKind("the settings file ends in the middle", lasting=True),
    "settings-refused": FaultKind("the settings file has a key that no node knows", lasting=True),
    "settings-astray": FaultKind("the settings name networks that are not there", lasting=True),
}
