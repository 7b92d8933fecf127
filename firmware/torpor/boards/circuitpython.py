"""The ports of a CircuitPython board. Law: what a wake does not need is not imported, and the radio least of all.

docs/porting.md is the contract. Pin names come from the settings; each is looked up when it is first used.
"""

import os

import alarm
import microcontroller

from .. import last_good
from ..retained import Retained
from . import cp_sleep
from .console import Log
from .cp_clock import Clock
from .cp_memory import Memory
from .cp_pins import Analog, Buses, Drivers, Rails
from .cp_power import Power, Watchdog, remember_resets
from .cp_signal import Signal

SETTINGS = "/settings.toml"


class Ports:
    """One board for one wake."""

    def __init__(self):
        self.log = Log()
        self.eui = eui(microcontroller.cpu.uid)
        self.random = Random()
        self.nvm = Memory(microcontroller.nvm)
        settings = last_good.choose(self.settings_file(), self.nvm).settings
        cause = cp_sleep.reset_cause(self.nvm)
        remember_resets(self.nvm, cause)
        watchdog = Watchdog(settings["status"]["watchdog_s"])
        buses = Buses(settings["bus"])
        self.card = LateCard(settings["card"], watchdog.feed)
        self.clock = Clock(settings["time"], buses, self.nvm, cause, watchdog.feed)
        self.signal = Signal(settings["status"], self.clock.wait_ms)
        self.drivers = Drivers(buses)
        self.analog = Analog(settings["analog"])
        self.sound = LateSound()
        self.radio = LateRadio(settings["radio"].get("tx_power_dbm", 0), watchdog)
        self.network = LateNetwork(watchdog)
        self._bench = (buses, settings["bus"])
        rails = Rails(settings["rails"])

        def let_go(rail):
            buses.release(rail)
            if settings["card"]["rail"] == rail:
                self.card.release()

        self.power = Power(settings, cause, rails, watchdog, self.clock, self.signal, let_go)

    def bench(self):
        """What bring-up asks for besides."""
        from .cp_bench import Bench

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
    """The card, with its modules imported by the first wake that asks for it."""

    def __init__(self, settings, feed):
        self._arguments = (settings, feed)
        self._card = None

    def _found(self):
        if self._card is None:
            from .cp_card import Card

            self._card = Card(*self._arguments)
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
        """As in cp_sound.py; NotImplementedError also where the interpreter was built without."""
        try:
            from .cp_sound import Sound
        except ImportError as error:
            raise NotImplementedError(str(error))
        return Sound().open(entry)


class LateRadio:
    """The radio, which is off until somebody joins a network."""

    def __init__(self, tx_power_dbm, watchdog):
        self._arguments = (tx_power_dbm, watchdog)
        self._radio = None

    def join(self, network, bssid, channel, deadline_ms):
        if self._radio is None:
            from .cp_radio import Radio

            self._radio = Radio(*self._arguments)
        return self._radio.join(network, bssid, channel, deadline_ms)

    def off(self):
        if self._radio is not None:
            self._radio.off()

    def rssi_dbm(self):
        return self._radio.rssi_dbm() if self._radio is not None else None


class LateNetwork:
    """What is reached through the network that the radio has joined."""

    def __init__(self, watchdog):
        self._watchdog = watchdog
        self._network = None

    def _found(self):
        if self._network is None:
            from .cp_network import Network

            self._network = Network(self._watchdog)
        return self._network

    def resolve(self, host, deadline_ms):
        return self._found().resolve(host, deadline_ms)

    def open_stream(self, address, port, tls, deadline_ms):
        return self._found().open_stream(address, port, tls, deadline_ms)

    def open_datagram(self, address, port, deadline_ms):
        return self._found().open_datagram(address, port, deadline_ms)


def eui(uid):
    """An EUI-64 from the chip's number: a MAC address gets FF FE in its middle (IEEE guidelines)."""
    uid = bytes(uid)
    if len(uid) == 6:
        return uid[:3] + b"\xff\xfe" + uid[3:]
    return (bytes(8) + uid)[-8:]


def rest(error, retry_s):
    """The last resort of main.py: count what kept the ports from being built, and sleep. Does not return."""
    try:
        Log().trace(error)
        diary = Retained(alarm.sleep_memory)
        diary.count("settings" if isinstance(error, (AttributeError, KeyError, ValueError)) else "defect")
        diary.save()
    finally:
        cp_sleep.sleep(retry_s)
