"""One wake of this board. Law: an error that the port can count is counted, and the board sleeps.

Whatever else is raised goes to main.py, which knows a last way to sleep.
"""

import sys

RETRY_S = 600


def live():
    """Ends in deep sleep, or raises what is broken in the port itself."""
    if sys.implementation.name == "circuitpython":
        from . import circuitpython as port
    else:
        from . import micropython as port
    try:
        from ..cycle import wake

        wake(port.Ports())
    except Exception as error:
        # the port could not be built, or a module is broken
        port.rest(error, RETRY_S)
