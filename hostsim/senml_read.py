"""A node's own readings, as somebody else reads them.

Law: a payload is a reading exactly as docs/formats.md lays it out, or SenmlError; no number is rounded.

The judge reads every message of a simulated year, so each record is gone over once, and general SenML is left
to resolve(). A reading is compact JSON (no white space), which is what makes
the check for a label given twice a single count.
"""

import json
import re
from decimal import Decimal, DecimalException
from functools import lru_cache

from hostsim.senml_resolve import ABSOLUTE_FROM_S, SenmlError, resolve

__all__ = ["SenmlError", "reading", "resolve"]

_DEVICE = re.compile(r"urn:dev:mac:([0-9a-f]{16})_")  # RFC 9039: "_" ends the address
_RING = re.compile(r"[0-9a-f]{8}")
_CHANNEL = re.compile(r"[a-z0-9][a-z0-9-]*")
_OWN_NAMES = frozenset(("seq", "ring", "time-uncertainty", "run", "run-time", "flags"))


def _no_constant(text: str):
    raise SenmlError(f"{text} is not JSON")


# A number with a point comes out as bytes: at C speed, exact, and not to be mistaken for a JSON string.
_scan = json.JSONDecoder(parse_float=str.encode, parse_constant=_no_constant).scan_once


def reading(payload: bytes) -> dict:
    """One reading. Raises SenmlError.

    {"device": 16 hex digits, "seq": int, "ring": 8 hex digits, "time_s": int | None,
    "uncertainty_s": int | None, "run": int | None, "run_s": int | None,
    "values": {name: (digits, exponent)}, "units": {name: str}, "flags": {name: int}, "record_flags": int}

    values are as written: 23.10 is (2310, -2), 700 is (700, 0). A unitless channel is not in units. Either
    time_s and uncertainty_s are known, or run and run_s, or all four.
    """
    try:
        records = _records(payload)
        out, own = _first(records[0])
        values, units, flags = out["values"], out["units"], out["flags"]
        for record in records[1:]:
            name = record["n"]
            count = len(record)
            if count == 3 and name not in _OWN_NAMES:
                unit = record["u"]
                if type(unit) is not str or not unit or name in values:
                    raise SenmlError(f"{name}: twice, or with a bad unit")
                units[_channel(name)] = unit
                values[name] = _number(record["v"])
            elif name in _OWN_NAMES:
                if name in own:
                    raise SenmlError(f"{name} twice")
                own[name] = _own(name, record, count)
            elif count == 2 and name[-6:] == ".flags":
                channel = _channel(name[:-6])
                if channel in flags:
                    raise SenmlError(f"{name} twice")
                flags[channel] = _flag(record["v"])
            elif count == 2 and name not in values:
                values[_channel(name)] = _number(record["v"])
            else:
                raise SenmlError(f"{name}: twice, or with fields that a reading does not have")
    except (KeyError, TypeError, IndexError, AttributeError) as problem:
        raise SenmlError(f"not a reading: {problem!r}") from None
    return _with_time(out, own)


def _records(payload: bytes) -> list[dict]:
    try:
        text = str(payload, "ascii")
        records, end = _scan(text, 0)
    except SenmlError:
        raise
    except (ValueError, StopIteration, RecursionError):
        raise SenmlError("not JSON in ASCII") from None
    if end != len(text) or type(records) is not list:
        raise SenmlError("not one JSON array")
    # each label stands in front of exactly one `":` and no string of ours can hold that
    if " " in text or not text.isprintable() or text.count('":') != sum(map(len, records)):
        raise SenmlError("a label twice, or white space")
    return records


def _first(record: dict) -> tuple[dict, dict]:
    time_s = record.get("bt")
    if record["n"] != "seq" or len(record) != (3 if time_s is None else 4):
        raise SenmlError("the first record is not bn, bt and seq alone")
    if time_s is not None and (type(time_s) is not int or time_s < ABSOLUTE_FROM_S):
        raise SenmlError(f"{time_s!r} is not an absolute time")
    out = {"device": _device(record["bn"]), "seq": _whole(record["v"], 1), "ring": None, "time_s": time_s}
    out.update(values={}, units={}, flags={})
    return out, {"seq": out["seq"]}


def _own(name: str, record: dict, count: int):
    """The value of a record that is about the reading itself."""
    if name == "ring":
        if count != 2 or not _RING.fullmatch(record["vs"]):
            raise SenmlError("ring is not 8 hex digits")
        return record["vs"]
    if name == "flags":
        if count != 2:
            raise SenmlError("flags has a unit")
        return _flag(record["v"])
    if name == "run":
        if count != 2:
            raise SenmlError("run has a unit")
    elif count != 3 or record["u"] != "s":
        raise SenmlError(f"{name} is not in seconds")
    return _whole(record["v"], 0)


def _with_time(out: dict, own: dict) -> dict:
    out["ring"] = own.get("ring")
    out["uncertainty_s"] = own.get("time-uncertainty")
    out["run"], out["run_s"] = own.get("run"), own.get("run-time")
    out["record_flags"] = own.get("flags", 0)
    if out["ring"] is None:
        raise SenmlError("no ring")
    if (out["time_s"] is None) != (out["uncertainty_s"] is None):
        raise SenmlError("a time and its uncertainty go together")
    if (out["run"] is None) != (out["run_s"] is None):
        raise SenmlError("run and run-time go together")
    if out["time_s"] is None and out["run"] is None:
        raise SenmlError("neither a time nor a run")
    return out


@lru_cache(1024)
def _device(base_name: str) -> str:
    found = _DEVICE.fullmatch(base_name)
    if not found:
        raise SenmlError(f"{base_name!r} is not a device URN with an EUI-64")
    return found[1]


@lru_cache(1024)
def _channel(name: str) -> str:
    if not _CHANNEL.fullmatch(name) or name in _OWN_NAMES:
        raise SenmlError(f"{name!r} is not a channel name")
    return name


def _whole(value, least: int) -> int:
    if type(value) is not int or not least <= value < 2**32:
        raise SenmlError(f"{value!r} is not a whole number from {least} to 2**32 - 1")
    return value


def _flag(value) -> int:
    if type(value) is not int or not 0 < value < 2**16:
        raise SenmlError(f"{value!r} is not a 16-bit set of flags, or an empty one")
    return value


def _number(value) -> tuple[int, int]:
    if type(value) is int:
        return value, 0
    if type(value) is not bytes:
        raise SenmlError(f"{value!r} is not a number")
    whole, _, places = value.partition(b".")
    if places.isdigit():
        return int(whole + places), -len(places)
    return _with_exponent(value)


def _with_exponent(value: bytes) -> tuple[int, int]:
    try:
        sign, digits, exponent = Decimal(value.decode()).as_tuple()
    except DecimalException:
        raise SenmlError(f"{value!r} is beyond any number of ours") from None
    digits = int("".join(map(str, digits)))
    return (-digits if sign else digits), exponent
