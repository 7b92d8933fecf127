"""What many storms come to. Law: a figure is a sum over storms, and no storm is left out."""

from collections import Counter

from hostsim.fault_names import FAMILIES
from hostsim.storm_run import failed

MONTH_DAYS = 365.25 / 12
READINGS = ("stored", "held", "unstored", "delivered", "duplicates", "overwritten", "waiting", "destroyed", "lost")


class Sum:
    """Takes in one result of storm_run.one after the other, in any order."""

    def __init__(self):
        self.storms = self.nodes = self.wakes = self.due = self.missed = 0
        self.node_days = 0.0
        self.cpu_s = 0.0
        self.readings: Counter[str] = Counter(dict.fromkeys(READINGS, 0))
        self.faults: Counter[str] = Counter()
        self.outages: Counter[str] = Counter()
        self.violations: Counter[int] = Counter()  # storms in which an invariant was broken
        self.failed: dict[int, dict] = {}  # seed: its result

    def take(self, result: dict) -> None:
        self.storms += 1
        self.cpu_s += result["cpu_s"]
        for node in result["nodes"]:
            self.nodes += 1
            self.node_days += node["lived_days"]
            self.wakes += node["wakes"]
            self.due += node["due"]
            self.missed += node["missed"]
            self.faults.update(node["faults"])
            self.readings.update({key: node["readings"][key] for key in READINGS})
        self.outages.update(result["outages"])
        self.violations.update({entry["id"] for entry in result["broken"]})
        if failed(result) is not None:
            self.failed[result["seed"]] = result

    def families(self) -> dict[str, int]:
        """How many faults of each family came to bear, with the outages of networks, broker and time servers."""
        found = {family: sum(self.faults[name] for name in names) for family, names in FAMILIES.items()}
        for name, count in self.outages.items():
            found["time" if name.startswith("time server") else "network"] += count
        return found

    def figures(self) -> dict:
        """All of it as plain data, seeds and names in order."""
        return {
            "schema": 1,
            "storms": self.storms,
            "nodes": self.nodes,
            "node_days": round(self.node_days, 1),
            "node_months": round(self.node_days / MONTH_DAYS, 1),
            "wakes": self.wakes,
            "due": self.due,
            "missed": self.missed,
            "readings": dict(self.readings),
            "families": self.families(),
            "faults": dict(sorted(self.faults.items())),
            "outages": dict(sorted(self.outages.items())),
            "violations": {str(invariant): count for invariant, count in sorted(self.violations.items())},
            "failed": [
                {
                    "seed": seed,
                    "broken": sorted(result["broken"], key=lambda entry: (entry["t_s"], entry["id"])),
                    "traces": result["traces"],
                    "crashed": result["crashed"],
                }
                for seed, result in sorted(self.failed.items())
            ],
            "cpu_s": round(self.cpu_s, 1),
        }
