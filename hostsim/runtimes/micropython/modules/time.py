"""time under its usual name. Law: like a built-in module it stays out of sys.modules, where a file may stand in."""

import sys

from _time import *  # noqa: F403

del sys.modules["time"]
