"""The light and the button on CircuitPython. Law: a light that is missing never keeps the node from its work."""

import digitalio

from .cp_pins import pin

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
        self._input = None

    def show(self, pattern):
        """Blink a pattern, which takes at most 2 s."""
        if not self._led:
            return
        try:
            light = digitalio.DigitalInOut(pin(self._led))
        except (ValueError, RuntimeError):
            return
        try:
            for on_ms in PATTERNS[pattern]:
                light.switch_to_output(value=True)
                self._wait_ms(on_ms)
                light.value = False
                self._wait_ms(PAUSE_MS)
        finally:
            light.deinit()

    def button(self):
        """True while it is pressed: it pulls its pin low."""
        if not self._button:
            return False
        try:
            if self._input is None:
                self._input = digitalio.DigitalInOut(pin(self._button))
                self._input.switch_to_input(pull=digitalio.Pull.UP)
            return not self._input.value
        except (ValueError, RuntimeError):
            return False

    def release(self):
        """Let go of the button's pin, so that it can wake the board."""
        if self._input is not None:
            self._input.deinit()
            self._input = None
