"""Faults of the supply and of the chip itself. Law: see fault_names.py."""

from hostsim.fault_kinds import Choice, FaultKind, Number

DAMAGE = ("dropped", "torn", "garbage", "ones", "group-8", "group-32", "landed")
COUNT = Number(1, 400, 1, whole=True)

POWER: dict[str, FaultKind] = {
    "power-cut": FaultKind(
        "the supply goes and comes back",
        lasting=False,
        extras={
            "at": Choice(("write", "step", "sleep")),
            "count": COUNT,
            "damage": Choice(DAMAGE),
            "clock": Choice(("kept", "lost")),
        },
    ),
    "brown-out": FaultKind(
        "the supply gives way under the radio", lasting=True, extras={"memory": Choice(("kept", "lost"))}
    ),
    "watchdog-reset": FaultKind("the board is reset by its watchdog", lasting=False, extras={"count": COUNT}),
    "memory-zeroed": FaultKind(
        "a watchdog reset that leaves nothing in retained memory", lasting=False, extras={"count": COUNT}
    ),
}
