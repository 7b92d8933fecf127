"""What bring-up asks of a CircuitPython board. Law: imported on the bench only, and it takes nothing from a wake.

docs/porting.md, "On the bench".
"""

import digitalio

from ..bench.asking import address_of
from .cp_pins import pin

HEARD_MAX = 32


class Bench:
    """buses: cp_pins.Buses; entries: the settings' [[bus]]."""

    address_of = staticmethod(address_of)

    def __init__(self, buses, entries):
        self._buses = buses
        self._wires = {}
        for entry in entries:
            self._wires[entry["name"]] = (entry["scl"], entry["sda"])
        if not entries:
            self._wires["i2c"] = ("SCL", "SDA")

    def bus(self, name):
        return self._buses.get(name)

    def lines(self, name):
        try:
            scl, sda = self._wires[name]
            return _state(scl), _state(sda)
        except (KeyError, RuntimeError, ValueError):
            # no such bus or pin; or the bus is open, and its pins are in use
            return None

    def scan(self):
        # importing it switches the radio on
        import wifi

        radio = wifi.radio
        radio.enabled = True
        heard = []
        try:
            for network in radio.start_scanning_networks():
                if len(heard) < HEARD_MAX:
                    heard.append((network.ssid, bytes(network.bssid), network.channel, network.rssi))
        finally:
            radio.stop_scanning_networks()
            radio.enabled = False
        return heard


def _state(name):
    """As in docs/porting.md, "On the bench"."""
    line = digitalio.DigitalInOut(pin(name))
    try:
        line.switch_to_input()
        if line.value:
            return "high"
        line.switch_to_input(pull=digitalio.Pull.UP)
        return "floating" if line.value else "held"
    finally:
        line.deinit()
