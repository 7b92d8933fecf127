"""Faults of the sensors and their bus. Law: see fault_names.py."""

from hostsim.fault_kinds import FaultKind, Number

# which [[sensor]] of the settings, counted from 1 and round
_WHICH = {"sensor": Number(1, 16, 1, whole=True)}

SENSOR: dict[str, FaultKind] = {
    "sensor-absent": FaultKind("a sensor does not answer at its address", lasting=True, extras=_WHICH),
    "sensor-crc": FaultKind(
        "what a sensor says does not fit its checksum", lasting=True, extras={**_WHICH, "share": Number(0.01, 1, 1)}
    ),
    "sensor-stuck": FaultKind("a sensor says the same for ever", lasting=True, extras=_WHICH),
    "sensor-outlier": FaultKind(
        "one value of a sensor is far off", lasting=False, extras={**_WHICH, "by": Number(-1000, 1000, 40)}
    ),
    "sensor-slow": FaultKind(
        "a sensor takes its time", lasting=True, extras={**_WHICH, "ms": Number(1, 20_000, 500, whole=True)}
    ),
    "sensor-half-fed": FaultKind(
        "a sensor is fed through its bus while its rail is off, and wakes up confused", lasting=True, extras=_WHICH
    ),
    "bus-held": FaultKind("a part holds a line of the bus low", lasting=True),
}
