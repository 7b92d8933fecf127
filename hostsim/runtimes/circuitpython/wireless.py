"""wifi of CircuitPython, and the modules that a wake without a session does not import.

Law: what blocks on a board blocks here, whatever was asked: connect() is bounded only where the access point answers,
and without an address from DHCP it blocks until the watchdog bites.
"""

import ipaddress
import types

from torpor.errors import LinkError

from hostsim.runtimes.circuitpython.clocks import module
from hostsim.runtimes.circuitpython.machine import Machine
from hostsim.runtimes.circuitpython.sockets import SocketPool, SslContext
from hostsim.runtimes.endings import WatchdogReset


class WifiRadio:
    """wifi.radio. Importing `wifi` has switched it on."""

    def __init__(self, machine: Machine):
        self._machine = machine
        self._enabled = True
        self._static = False
        self.tx_power = 20.0
        self.ipv4_dns = None
        machine.judge.radio_on(machine.node.now_ms)
        machine.node.radio_state = "joining"
        if machine.node.supply is not None:
            machine.node.supply.radio_on()

    @property
    def enabled(self) -> bool:
        return self._enabled

    @enabled.setter
    def enabled(self, on) -> None:
        machine = self._machine
        if on and not self._enabled:
            machine.judge.radio_on(machine.node.now_ms)
            machine.node.radio_state = "joining"
        elif not on:
            machine.radio.off()
        self._enabled = bool(on)

    @property
    def connected(self) -> bool:
        return self._machine.radio.network is not None

    @property
    def ap_info(self):
        network = self._machine.radio.network
        if network is None:
            return None
        return types.SimpleNamespace(
            ssid=network.ssid, bssid=network.bssid, channel=network.channel, rssi=network.rssi_dbm
        )

    @property
    def ipv4_address(self):
        return ipaddress.IPv4Address("192.0.2.100") if self.connected else None

    def start_station(self) -> None:
        self._up()

    def stop_station(self) -> None:
        self._up()
        self._machine.radio.off()
        self._machine.node.radio_state = "joining"

    def start_dhcp(self, *, ipv4=True, ipv6=False) -> None:
        self._up()
        self._static = False

    def stop_dhcp(self) -> None:
        self._up()

    def set_ipv4_address(self, *, ipv4, netmask, gateway, ipv4_dns) -> None:
        self._up()
        for address in (ipv4, netmask, gateway, ipv4_dns):
            if not isinstance(address, ipaddress.IPv4Address):
                raise TypeError("Only IPv4 addresses supported")
        self._static = True

    def _up(self) -> None:
        if not self._enabled:
            raise RuntimeError("Wifi is not enabled")

    def connect(self, ssid, password=b"", *, channel=0, bssid=None, timeout=None) -> None:
        self._up()
        if not 1 <= len(ssid.encode()) <= 32:
            raise ValueError("ssid length must be 1-32")
        if password and not 8 <= len(password) <= 64:
            raise ValueError("password length must be 8-64")
        machine = self._machine
        if self.connected and machine.radio.network.ssid == ssid:
            # it does not ask whether that is still so
            return
        asked = {"ssid": ssid, "password": password or "", "address": self._static}
        # a try is over after a while, unless the access point takes part in it; the time-out bounds further ones
        limit_ms = int((timeout or 5) * 1000)
        trouble = self._trouble(ssid, password)
        try:
            machine.radio.join(asked, bssid, channel, limit_ms)
        except LinkError:
            if trouble == "no-address" and not self._static:
                machine.hang()
            machine.look()
            words = {"absent": "No network with that ssid", "locked": "Authentication failure"}
            raise ConnectionError(words.get(trouble, "Unknown failure 2")) from None
        except WatchdogReset:
            machine.hang()
        machine.look()

    def _trouble(self, ssid, password) -> str | None:
        node = self._machine.node
        for network in self._machine.air.networks:
            if network.ssid == ssid:
                kind = network.kind_at(node.name, node.now_ms / 1000.0)
                wrong = password != network.password and kind not in ("absent", "hangs")
                return "locked" if wrong else kind
        return "absent"


def late_modules(machine: Machine) -> dict:
    """{name: what makes the module when it is first imported}."""
    addresses = module("ipaddress", IPv4Address=ipaddress.IPv4Address, ip_address=ipaddress.ip_address)
    return {
        "wifi": lambda: module("wifi", radio=WifiRadio(machine)),
        "socketpool": lambda: module(
            "socketpool",
            SocketPool=type(
                "SocketPool",
                (SocketPool,),
                {"__init__": lambda self, radio: SocketPool.__init__(self, machine, radio)},
            ),
        ),
        "ssl": lambda: module("ssl", create_default_context=SslContext, SSLContext=SslContext),
        "ipaddress": lambda: addresses,
    }
