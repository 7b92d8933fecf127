"""An install in words. Law: what is printed before the first write is everything that will be written or removed."""

from deploy.install_plan import Plan
from deploy.install_target import FOR_CIRCUITPYTHON

# measured on the MicroPython VM on a desktop: the least heap for 2,112 lines in 12 modules; the time to load 5,348
PY_WARNING = (
    "warning: this board gets .py files and compiles them at every wake: 1.6 times the heap (136 KB against 83 KB for"
    " 2,112 lines) and 7 times the time to load (27 ms against 4 ms for 5,348 lines; both measured with MicroPython"
    " on a desktop); CircuitPython's own compiler, named with --mpy-cross PATH, avoids both (docs/install.md)"
)


def lines(plan: Plan, kind: str, board: str, compiled: bool) -> list[str]:
    """The plan for a person, a line each."""
    contents = plan.contents
    size = sum(len(data) for data in contents.files.values())
    drivers = sorted({path.split("/")[1].partition(".")[0] for path in contents.files if path.startswith("lib/")})
    found = [f"board     {board}"]
    state = "is on it, and runs" if plan.runs else "is on it already" if plan.whole else f"{size // 1024} KiB"
    ending = ".mpy" if compiled else ".py"
    found.append(f"version   {contents.version}: {len(contents.files)} files, {ending}, {state}")
    found.append(f"drivers   {', '.join(drivers) or 'none'}")
    for change in plan.changes:
        way = "one sector, in place" if change.in_place else "new, or anew"
        kept = f"; the one that is there is kept as {change.keep_as}" if change.keep_as else ""
        found.append(f"writes    {change.name} ({way}{kept})")
    found += [f"renames   {name} to {kept}, which would run instead of main.py" for name, kept in plan.away]
    found += [f"removes   {path}" for path in [*plan.litter, *plan.leftovers]]
    found += [f"removes   fw/{name}, never finished or not named by a slot" for name in plan.stale]
    found += [f"removes   fw/{name}, after the switch" for name in plan.old]
    if not plan.runs:
        found.append(f"switches  to fw/{contents.version}, last")
    found.append(f"needs     {plan.bytes_needed // 1024} KiB of {plan.bytes_free // 1024} KiB free")
    found += contents.notes
    if kind == FOR_CIRCUITPYTHON and not compiled:
        found.append(PY_WARNING)
    return found


def nothing_to_do(plan: Plan) -> bool:
    lists = (plan.litter, plan.leftovers, plan.stale, plan.old, plan.changes, plan.away, plan.broken_slots)
    return plan.runs and not any(lists)
