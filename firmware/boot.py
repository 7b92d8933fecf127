"""Before main.py, CircuitPython only. Law: nothing here takes time, because it runs at every wake from deep sleep."""

import supervisor

# a file that a computer writes to the board must not restart a cycle in the middle of a card write
supervisor.runtime.autoreload = False
