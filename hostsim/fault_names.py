"""Every fault that a scenario may name. Law: a name stands here once, with what it takes and what it means.

Each family has its table in a module of its own; docs/faults.md tells what the node does about each.
"""

from hostsim.fault_kinds import FaultKind
from hostsim.fault_names_card import CARD
from hostsim.fault_names_net import NET
from hostsim.fault_names_power import POWER
from hostsim.fault_names_sensor import SENSOR
from hostsim.fault_names_settings import SETTINGS
from hostsim.fault_names_time import TIME

FAMILIES = {"card": CARD, "power": POWER, "network": NET, "time": TIME, "sensors": SENSOR, "settings": SETTINGS}
FAULTS: dict[str, FaultKind] = {name: kind for family in FAMILIES.values() for name, kind in family.items()}
