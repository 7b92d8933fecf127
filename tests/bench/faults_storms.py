"""The storms in the table of docs/faults.md. Law: a breach shows its seeds, and a name that never came shows 0."""

from collections import Counter

from hostsim.fault_names import FAMILIES
from hostsim.storm_sum import MONTH_DAYS

SEEDS_SHOWN_MAX = 20
COUNTS = ("storms", "nodes", "wakes", "due", "missed")
READINGS = (
    ("delivered", "the collecting side has them"),
    ("waiting", "not delivered, and still there"),
    ("overwritten", "gone from a full ring before they were delivered"),
    ("destroyed", "a fault of the card, or a broker that was killed, took the last copy: no firmware has it back"),
    ("lost", "none of these"),
    ("duplicates", "deliveries of what had been delivered"),
    ("unstored", "taken, and neither stored nor held any more: no working card, and no room in retained memory"),
)


def counted(runs: list[dict]) -> dict | None:
    """The figures of several runs of storms as one; None: there are none."""
    if not runs:
        return None
    whole = {key: sum(run[key] for run in runs) for key in (*COUNTS, "node_days")}
    for key in ("readings", "faults", "outages"):
        whole[key] = Counter()
        for run in runs:
            whole[key].update(run[key])
    whole["ranges"] = _joined(sorted(tuple(run["seeds"]) for run in runs))
    whole["days"] = sorted({run["days"] for run in runs})
    whole["covered"] = sorted({number for run in runs for number in run["covered"]})
    whole["failed"] = sorted((entry for run in runs for entry in run["failed"]), key=lambda entry: entry["seed"])
    return whole


def _joined(ranges: list[tuple[int, int]]) -> list[tuple[int, int]]:
    joined: list[tuple[int, int]] = []
    for first, end in ranges:
        if joined and joined[-1][1] == first:
            joined[-1] = (joined[-1][0], end)
        else:
            joined.append((first, end))
    return joined


def storm_rows(whole: dict) -> list[tuple]:
    """Rows of the first table."""
    seeds = ", ".join(f"{first}:{end}" for first, end in whole["ranges"])
    days = " or ".join(f"{days:g}" for days in whole["days"])
    readings = whole["readings"]
    faults = sum(whole["faults"].values()) + sum(whole["outages"].values())
    months = round(whole["node_days"] / MONTH_DAYS, 1)
    rows = [
        ("storms", whole["storms"], f"seeds {seeds}, {days} days each, on the runtime fast"),
        ("node-months", months, f"{whole['node_days']:,.0f} days of life of {whole['nodes']:,} nodes"),
        ("wakes", whole["wakes"], ""),
        ("slots due", whole["due"], ""),
        (
            "slots missed",
            whole["missed"],
            "without a reading; one that is not counted with its reason breaks invariant 8",
        ),
        ("faults", faults, "came to bear; by name below"),
        ("readings stored", readings["stored"], f"{readings['held']:,} of them held: in retained memory only"),
    ]
    rows += [(key, readings[key], says) for key, says in READINGS]
    return rows + _breaches(whole)


def _breaches(whole: dict) -> list[tuple]:
    seeds: dict[int, list[int]] = {number: [] for number in whole["covered"]}
    strange = [entry["seed"] for entry in whole["failed"] if entry["traces"] or entry["crashed"]]
    for entry in whole["failed"]:
        for number in sorted({breach["id"] for breach in entry["broken"]}):
            seeds.setdefault(number, []).append(entry["seed"])
    looked = ", ".join(str(number) for number in whole["covered"])
    rows = [("invariants broken", sum(map(len, seeds.values())), f"of {looked}, in each storm")]
    rows += [(f"invariant {number}", len(found), _seeds(found)) for number, found in sorted(seeds.items()) if found]
    return [*rows, ("unknown errors", len(strange), _seeds(strange) if strange else "storms in which one was raised")]


def _seeds(found: list[int]) -> str:
    more = len(found) - SEEDS_SHOWN_MAX
    shown = ", ".join(str(seed) for seed in found[:SEEDS_SHOWN_MAX])
    return f"storms: {'seed' if len(found) == 1 else 'seeds'} {shown}" + (f" and {more} more" if more > 0 else "")


def faults_by_name(whole: dict) -> str:
    """Every name with its count, a line for each family."""
    family_of = {name: family for family, names in FAMILIES.items() for name in names}
    lines: dict[str, dict[str, int]] = {family: {} for family in (*FAMILIES, "others")}
    for name, count in whole["faults"].items():
        lines[family_of.get(name, "others")][name] = count
    for place in ("network", "broker", "time server"):
        of_place = {name: count for name, count in whole["outages"].items() if name.startswith(f"{place} ")}
        lines[place] = {name.removeprefix(f"{place} "): count for name, count in of_place.items()}
    return "\n".join(
        f"- {family}: " + ", ".join(f"{name} {count:,}" for name, count in sorted(names.items()))
        for family, names in lines.items()
        if names
    )
