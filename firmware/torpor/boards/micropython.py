"""The ports of a MicroPython board of the ESP32 family. Law: what a wake does not need is not imported, radio least.

docs/porting.md is the contract. Pin names come from the settings; each is looked up when it is first used.
"""

import gc
import os

import machine

from .. import last_good
from .console import Log
from .mp_clock import Clock
from .mp_memory import Nvm, Retained
from .mp_pins import Analog, Buses, Drivers, Rails
from .mp_power import Power, rest  # noqa: F401 - main.py's last resort is rest()
from .mp_signal import Signal

SETTINGS = "/settings.toml"
# bytes between two collections: when it waits until the heap is full, modules lie scattered over it, full of holes
COLLECT_EVERY = 32768


class Ports:
    """One board for one wake."""

    def __init__(self):
        gc.threshold(COLLECT_EVERY)
        self.log = Log()
        self.eui = eui(machine.unique_id())
        self.random = Random()
        self.nvm = Nvm()
        settings = last_good.choose(self.settings_file(), self.nvm).settings
        buses = Buses(settings["bus"])
        self.card = LateCard(settings["card"])

        def let_go(rail):
            buses.release(rail)
            if settings["card"]["rail"] == rail:
                self.card.release()

        self.power = Power(settings, Retained(machine.RTC()), self.nvm, Rails(settings["rails"]), let_go)
        self.clock = Clock(settings["time"], buses, self.nvm, self.power.reset_cause, self.power.feed_watchdog)
        self.signal = Signal(settings["status"], self.clock.wait_ms)
        self.power.attach(self.clock, self.signal)
        self.drivers = Drivers(buses)
        self.analog = Analog(settings["analog"])
        self.sound = LateSound()
        self.radio = LateRadio(settings["radio"].get("tx_power_dbm", 0), self.clock, self.power)
        self.network = LateNetwork()
        self._bench = (buses, settings["bus"])

    def bench(self):
        """What bring-up asks for besides."""
        from .mp_bench import Bench

        return Bench(*self._bench)

    def settings_file(self):
        try:
            with open(SETTINGS, "rb") as file:
                return file.read()
        except OSError:
            return None


class Random:
    def u32(self):
        return int.from_bytes(os.urandom(4), "little")


class LateCard:
    """The card, with its module imported by the first wake that asks for it."""

    def __init__(self, settings):
        self._settings = settings
        self._card = None

    def _found(self):
        if self._card is None:
            from .mp_card import Card

            self._card = Card(self._settings)
        return self._card

    def rings(self):
        return self._found().rings()

    def open(self, name):
        return self._found().open(name)

    def create(self, name, sector_count):
        return self._found().create(name, sector_count)

    def keep(self, name):
        self._found().keep(name)

    def release(self):
        if self._card is not None:
            self._card.release()


class LateSound:
    """Microphones, for the wakes that listen."""

    def open(self, entry):
        """As in mp_sound.py; NotImplementedError also where the interpreter was built without."""
        try:
            from .mp_sound import Microphone
        except ImportError as error:
            raise NotImplementedError(str(error))
        return Microphone(entry)


class LateRadio:
    """The radio, which is off until somebody joins a network."""

    def __init__(self, tx_power_dbm, clock, power):
        self._arguments = (tx_power_dbm, clock)
        self._power = power
        self._radio = None

    def join(self, network, bssid, channel, deadline_ms):
        self._power.radio_starts()
        if self._radio is None:
            from .mp_radio import Radio

            self._radio = Radio(*self._arguments)
        return self._radio.join(network, bssid, channel, deadline_ms)

    def off(self):
        try:
            if self._radio is not None:
                self._radio.off()
        finally:
            # the board sleeps next, whatever the radio says to that
            self._power.radio_is_off()

    def rssi_dbm(self):
        return self._radio.rssi_dbm() if self._radio is not None else None


class LateNetwork:
    """What is reached through the network that the radio has joined."""

    def resolve(self, host, deadline_ms):
        from . import mp_network

        return mp_network.resolve(host, deadline_ms)

    def open_stream(self, address, port, tls, deadline_ms):
        from . import mp_network

        return mp_network.open_stream(address, port, tls, deadline_ms)

    def open_datagram(self, address, port, deadline_ms):
        from . import mp_network

        return mp_network.open_datagram(address, port, deadline_ms)


def eui(uid):
    """An EUI-64 from the chip's number: a MAC address gets FF FE in its middle (IEEE guidelines)."""
    if len(uid) == 6:
        return uid[:3] + b"\xff\xfe" + uid[3:]
    return (bytes(8) + uid)[-8:]
