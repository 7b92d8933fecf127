"""The platform's own time, and the two names of CircuitPython's that it lacks. Law: all else is the platform's.

For MicroPython only, where this folder is on sys.path: a file of this name comes before the built-in module, which
stays reachable as utime.
"""

from collections import namedtuple

from utime import *  # noqa: F403
from utime import ticks_diff, ticks_ms

_FIELDS = "tm_year tm_mon tm_mday tm_hour tm_min tm_sec tm_wday tm_yday tm_isdst"
_StructTime = namedtuple("struct_time", _FIELDS.split())
# counted from the import: floats have 30 bits on boards, and a wake is short
_START_MS = ticks_ms()


def struct_time(fields):
    """The nine fields of a sequence under CircuitPython's names."""
    return _StructTime(*fields)


def monotonic():
    """Seconds since this module was imported."""
    return ticks_diff(ticks_ms(), _START_MS) / 1000
