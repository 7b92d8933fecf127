"""Packs told at a glance. Law: what is read here is read exactly as senml_read reads it, or not at all.

Nearly every pack of a node is its last one with other numbers. So a pack that was taken apart once becomes a regular
expression in which only the numbers are open, and the next ones cost a fifth. Anything unusual (flags, an unknown
time, an absent value, a number of another form) does not match, and is taken apart.
"""

import re

from hostsim.senml_resolve import ABSOLUTE_FROM_S

SHAPES_MAX = 256
NODES_MAX = 100_000
PLACES_MAX = 9
_HEAD = (
    rb'\[\{"bn":"urn:dev:mac:([0-9a-f]{16})_","bt":([1-9][0-9]{8,9}),"n":"seq","v":([1-9][0-9]{0,8})\}'
    rb',\{"n":"ring","vs":"([0-9a-f]{8})"\},\{"n":"time-uncertainty","u":"s","v":(0|[1-9][0-9]{0,8})\}'
)
# with the places behind the point 18 digits at most, so that it fits into 64 bits
_WHOLE = rb"-?(?:0|[1-9][0-9]{0,8})"


class Shapes:
    """The forms of pack that have been met."""

    def __init__(self):
        self._forms: dict[tuple, tuple] = {}
        self._of_node: dict[str, tuple] = {}

    def read(self, name: str, payload: bytes) -> dict | None:
        """A reading of the node of this name, its values as `plain` (store_batch); None: take it apart."""
        form = self._of_node.get(name)
        return _read(form, payload) if form is not None else None

    def learn(self, name: str, payload: bytes, message: dict) -> None:
        """Note the form of a pack that senml_read has taken apart."""
        if message["time_s"] is None or message["run"] is not None or message["record_flags"] or message["flags"]:
            return
        units = message["units"]
        key = tuple((channel, units.get(channel, ""), places) for channel, (_, places) in message["values"].items())
        form = self._forms.get(key)
        if form is None:
            form = _form(key)
            if form is None or not _alike(_read(form, payload), message):
                return
            if len(self._forms) >= SHAPES_MAX:
                self._forms.clear()
            self._forms[key] = form
        if len(self._of_node) >= NODES_MAX:
            self._of_node.clear()
        self._of_node[name] = form


def _form(key: tuple) -> tuple | None:
    parts = [_HEAD]
    for channel, unit, exponent in key:
        if not -PLACES_MAX <= exponent <= 0:
            return None
        fields = f'"n":"{channel}","u":"{unit}"' if unit else f'"n":"{channel}"'
        places = rb"\.[0-9]{%d}" % -exponent if exponent else b""
        parts.append(rb",\{" + re.escape(fields.encode()) + rb',"v":(' + _WHOLE + places + rb")\}")
    channels = tuple((channel, unit) for channel, unit, _ in key)
    return re.compile(b"".join(parts) + rb"\]").fullmatch, channels, [exponent for _, _, exponent in key]


def _read(form: tuple, payload: bytes) -> dict | None:
    match, channels, exponents = form
    found = match(payload)
    if found is None:
        return None
    device, time_s, seq, ring, uncertainty_s, *numbers = found.groups()
    time_s = int(time_s)
    if not ABSOLUTE_FROM_S <= time_s < 2**32:
        return None
    return {
        "device": device.decode(),
        "seq": int(seq),
        "ring": ring.decode(),
        "time_s": time_s,
        "uncertainty_s": int(uncertainty_s),
        "run": None,
        "run_s": None,
        "record_flags": 0,
        "plain": (channels, [int(number.replace(b".", b"")) for number in numbers], exponents),
    }


def _alike(found: dict | None, message: dict) -> bool:
    from deploy.store_batch import contents

    keys = ("device", "seq", "ring", "time_s", "uncertainty_s")
    return found is not None and all(found[k] == message[k] for k in keys) and contents(found) == contents(message)
