"""Any SenML pack in JSON, resolved as RFC 8428 section 4.6 says. Section numbers below are those of RFC 8428.

Law: a number is never rounded, and what the standard does not allow raises SenmlError.
"""

import base64
import binascii
import json
import re
from decimal import Context, Decimal, DecimalException, Inexact, InvalidOperation, Overflow

VERSION = 10  # the one that RFC 8428 defines
ABSOLUTE_FROM_S = 2**28  # a smaller time is relative to now (section 4.5.3)

_BASE = ("bn", "bt", "bu", "bv", "bs", "bver")
_VALUES = ("v", "vs", "vb", "vd")

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")  # section 4.5.1
_DATA = re.compile(r"[A-Za-z0-9_-]*")  # section 4.3: base64url without padding
_STRINGS = frozenset(("bn", "bu", "n", "u", "vs", "vd"))
_NUMBERS = frozenset(("bt", "bv", "bs", "v", "s", "t", "ut"))
# wide enough to add the largest double to the smallest and still be exact
_EXACT = Context(prec=800, traps=[Inexact, InvalidOperation, Overflow])


class SenmlError(ValueError):
    """The pack breaks RFC 8428, or is no reading as a node writes one; the message says how."""


def resolve(pack: list | bytes) -> list[dict]:
    """The resolved records of a pack (section 4.6), in chronological order.

    Each has n, t and what else it holds of u, v, vs, vb, vd (as bytes), s, ut; bver where it is not 10.
    Numbers are int or Decimal, exactly as written (a float in a list counts as its shortest decimal form).
    Without "now" a relative time cannot be resolved: it stays a number, the record has `"relative": True`,
    and it comes behind the absolute ones. A record of base fields alone gives none (as in example 5.1.7).
    bv is added where there is a v; bs alone is a sum (section 4.5.4). Unknown labels are dropped; one that
    ends in "_", a version above 10 and whatever else the standard forbids raises SenmlError.
    """
    records = _parse(bytes(pack)) if isinstance(pack, bytes | bytearray | memoryview) else pack
    if not isinstance(records, list) or not records:
        raise SenmlError("a pack is an array of at least one record")
    base = {"bn": "", "bt": 0, "bv": 0, "bver": VERSION}
    resolved = []
    for record in records:
        _check_types(record)
        base.update({label: value for label, value in record.items() if label in _BASE})
        if base["bver"] != records[0].get("bver", VERSION):
            raise SenmlError("records of one pack differ in version (section 4.4)")
        if base["bver"] > VERSION:
            raise SenmlError(f"version {base['bver']} is newer than {VERSION} (section 4.4)")
        if any(label not in _BASE for label in record):
            resolved.append(_resolve_one(record, base))
    return sorted(resolved, key=lambda record: ("relative" in record, record["t"]))


def _parse(pack: bytes) -> list:
    try:
        # decoded here, because the json module would take UTF-16 and UTF-32 too (section 5: UTF-8 only)
        return json.loads(
            pack.decode(), parse_float=_decimal, parse_constant=_no_constant, object_pairs_hook=_no_twins
        )
    except SenmlError:
        raise
    except (ValueError, RecursionError) as problem:
        raise SenmlError(f"not JSON in UTF-8: {problem}") from None


def _decimal(text: str) -> Decimal:
    if "E" in text:
        raise SenmlError(f"a capital E in {text} (section 5)")
    if float(text) in (float("inf"), float("-inf")):
        raise SenmlError(f"{text} is beyond a double (section 5)")
    try:
        return Decimal(text)
    except DecimalException:  # an exponent beyond even Decimal, so next to zero
        raise SenmlError(f"{text} is beyond a double (section 5)") from None


def _no_constant(text: str):
    raise SenmlError(f"{text} is not JSON")


def _no_twins(pairs: list[tuple]) -> dict:
    record = dict(pairs)
    if len(record) != len(pairs):
        raise SenmlError("a record has one label twice")
    return record


def _check_types(record: dict) -> None:
    if not isinstance(record, dict):
        raise SenmlError("a record is not an object")
    for label, value in record.items():
        if label in _STRINGS:
            fits = isinstance(value, str)
        elif label in _NUMBERS:
            fits = isinstance(value, int | float | Decimal) and not isinstance(value, bool)
        elif label == "vb":
            fits = isinstance(value, bool)
        elif label == "bver":
            fits = type(value) is int and value > 0
        elif label[-1:] == "_":
            raise SenmlError(f"the label {label} has to be understood and is not (section 4.4)")
        else:
            fits = True
        if not fits:
            raise SenmlError(f"{label} is not of its type (table 2)")


def _resolve_one(record: dict, base: dict) -> dict:
    name = base["bn"] + record.get("n", "")
    if not _NAME.fullmatch(name):
        raise SenmlError(f"not a name: {name!r} (section 4.5.1)")
    out = {"n": name, "t": _add(base["bt"], record.get("t", 0))}
    if out["t"] < ABSOLUTE_FROM_S:
        out["relative"] = True
    if "u" in record or "bu" in base:
        out["u"] = record.get("u", base.get("bu"))
    if "s" in record or "bs" in base:
        out["s"] = _add(base.get("bs", 0), record.get("s", 0))
    values = [label for label in _VALUES if label in record]
    if len(values) > 1 or not values and "s" not in out:
        raise SenmlError(f"{name}: {len(values)} values where there has to be one (section 4.2)")
    for label in values:
        out[label] = record[label]
    if "v" in out:
        out["v"] = _add(base["bv"], out["v"])
    if "vd" in out:
        out["vd"] = _octets(out["vd"])
    if "ut" in record:
        out["ut"] = _add(0, record["ut"])
    if base["bver"] != VERSION:
        out["bver"] = base["bver"]
    return out


def _octets(text: str) -> bytes:
    """Base64url without padding (RFC 4648 section 5)."""
    try:
        if not _DATA.fullmatch(text):
            raise SenmlError("vd is not base64url without padding (section 4.3)")
        return base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))
    except binascii.Error:
        raise SenmlError("vd is cut off (section 4.3)") from None


def _add(a: int | float | Decimal, b: int | float | Decimal) -> int | Decimal:
    if type(a) is int and type(b) is int:
        return a + b
    try:
        a, b = (Decimal(repr(x)) if isinstance(x, float) else Decimal(x) for x in (a, b))
        total = _EXACT.add(a, b)
    except DecimalException:
        raise SenmlError(f"{a} + {b} is beyond a double") from None
    if not total.is_finite():
        raise SenmlError(f"{total} is not a number of JSON")
    return total
