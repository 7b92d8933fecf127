"""os, with random numbers that the world can draw again. Law: all else is the interpreter's."""

import _wire
from uos import *  # noqa: F403


def urandom(count):
    return _wire.fetch("chip.random", count)
