"""What bring-up asks of a MicroPython board. Law: imported on the bench only, and it takes nothing from a wake.

docs/porting.md, "On the bench".
"""

import sys

from machine import Pin

from ..bench import asking
from .mp_pins import SHIMS, pin

HEARD_MAX = 32
SETTLE_US = 100


class Bench:
    """buses: mp_pins.Buses; entries: the settings' [[bus]]."""

    def __init__(self, buses, entries):
        self._buses = buses
        self._wires = {}
        for entry in entries:
            self._wires[entry["name"]] = (entry["scl"], entry["sda"])

    def bus(self, name):
        # from now on its pins are the bus's
        self._wires.pop(name, None)
        return self._buses.get(name)

    def lines(self, name):
        # the board names the pins of a bus of its own to nobody
        if name not in self._wires:
            return None
        scl, sda = self._wires[name]
        return _state(scl), _state(sda)

    def address_of(self, driver):
        if SHIMS not in sys.path:
            # as when the node itself loads it
            sys.path.insert(0, SHIMS)
        return asking.address_of(driver)

    def scan(self):
        # importing it is what a wake without a session spares
        import network

        wlan = network.WLAN(network.WLAN.IF_STA)
        wlan.active(True)
        try:
            found_all = wlan.scan()
        finally:
            wlan.active(False)
        return [(_text(found[0]), bytes(found[1]), found[2], found[3]) for found in found_all[:HEARD_MAX]]


def _text(ssid):
    try:
        return ssid.decode()
    except UnicodeError:
        # any bytes may be a name
        return "".join([chr(byte) if 32 <= byte < 127 else "?" for byte in ssid])


def _state(name):
    """As in docs/porting.md, "On the bench"."""
    from time import sleep_us

    if pin(name, Pin.IN).value():
        return "high"
    pulled = pin(name, Pin.IN, Pin.PULL_UP)
    # the chip's own pull-up is weak, and a wire is a capacitor
    sleep_us(SETTLE_US)
    return "floating" if pulled.value() else "held"
