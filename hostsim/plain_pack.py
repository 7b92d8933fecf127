"""A pack told at a glance. Law: what is recognised here is, byte for byte, what docs/formats.md has for the record.

Nearly every pack is its stored record written in the one usual way: time known, every channel there, no flags. Such a
pack is made from the record and compared; all others are left to senml_read, which takes them apart.
"""

import re
from operator import truediv

from hostsim.senml_read import SenmlError, reading
from hostsim.senml_resolve import ABSOLUTE_FROM_S

_HEAD = re.compile(
    rb'\[\{"bn":"urn:dev:mac:([0-9a-f]{16})_","bt":([1-9][0-9]{8,9}),"n":"seq","v":([1-9][0-9]{0,8})\}'
    rb',\{"n":"ring","vs":"([0-9a-f]{8})"\},\{"n":"time-uncertainty","u":"s","v":(0|[1-9][0-9]{0,8})\}'
)
_ANY_HEAD = (
    b'[{"bn":"urn:dev:mac:0000000000000000_","bt":1000000000,"n":"seq","v":1}'
    b',{"n":"ring","vs":"00000000"},{"n":"time-uncertainty","u":"s","v":0}'
)
PLACES_MAX = 9


def head(payload: bytes):
    """(device, time_s, seq, ring id, uncertainty_s, bytes behind) of a pack that begins as usual, else None."""
    found = _HEAD.match(payload)
    if found is None:
        return None
    device, time_s, seq, ring_id, uncertainty_s = found.groups()
    if int(time_s) < ABSOLUTE_FROM_S:
        return None
    return device.decode(), int(time_s), int(seq), int(ring_id, 16), int(uncertainty_s), payload[found.end() :]


class PlainChannels:
    """How the channels of one layout, (name, unit, exponent, sensor) each, stand in a pack.

    usual: False for channels that no usual pack can have; nothing is said of them here.
    """

    def __init__(self, channels):
        self.count = len(channels)
        self._divisors = [10 ** max(0, -exponent) for _, _, exponent, _ in channels]
        self._form = "".join([_form(*channel) for channel in channels]).encode() + b"]"
        self.usual = all(-PLACES_MAX <= channel[2] <= 0 for channel in channels) and self._reads_back(channels)

    def _reads_back(self, channels) -> bool:
        try:
            found = reading(_ANY_HEAD + self.written([0] * self.count))
        except SenmlError:
            return False
        values = {name: (0, exponent) for name, _, exponent, _ in channels}
        units = {name: unit for name, unit, _, _ in channels if unit}
        return found["values"] == values and found["units"] == units

    def written(self, values) -> bytes:
        """What stands behind the head when all values are there and nothing has flags.

        Exact: a quotient of a 32-bit integer and a power of ten rounds to that integer's own digits.
        """
        return self._form % tuple(map(truediv, values, self._divisors))


def _form(name: str, unit: str, exponent: int, _sensor: str) -> str:
    fields = f'"n":"{name}","u":"{unit}"' if unit else f'"n":"{name}"'
    return ",{" + fields.replace("%", "%%") + f',"v":%.{max(0, -exponent)}f}}'
