"""The light and the button on MicroPython. Law: a light that is missing never keeps the node from its work."""

from machine import Pin

from .mp_pins import pin

SHORT_MS = 120
LONG_MS = 700
PAUSE_MS = 180
# one look tells them apart: short ones count the steps that worked, long ones say what did not
PATTERNS = {
    "service": (LONG_MS, SHORT_MS),
    "stored": (SHORT_MS,),
    "joined": (SHORT_MS,) * 2,
    "accepted": (SHORT_MS,) * 3,
    "refused": (LONG_MS,),
    "unreached": (LONG_MS,) * 2,
}


class Signal:
    """settings: the table [status]; wait_ms(n) waits."""

    def __init__(self, settings, wait_ms):
        self._led = settings["led"]
        self._button = settings["button"]
        self._wait_ms = wait_ms

    def show(self, pattern):
        """Blink a pattern, which takes at most 2 s."""
        if not self._led:
            return
        try:
            light = pin(self._led, Pin.OUT)
        except ValueError:
            return
        for on_ms in PATTERNS[pattern]:
            light.value(1)
            self._wait_ms(on_ms)
            light.value(0)
            self._wait_ms(PAUSE_MS)

    def button(self):
        """True while it is pressed: it pulls its pin low."""
        if not self._button:
            return False
        try:
            return not pin(self._button, Pin.IN, Pin.PULL_UP).value()
        except ValueError:
            return False
