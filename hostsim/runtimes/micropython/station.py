"""network.WLAN in the simulated air. Law: a join takes its time whether anybody waits or not, and hangs no call."""

import json

from hostsim.runtimes.micropython.machine import Machine
from hostsim.runtimes.radio_port import SCAN_MS, Radio

NO_AP_FOUND, WRONG_PASSWORD, IDLE, CONNECTING, GOT_IP = 201, 202, 1000, 1001, 1010
NOT_STARTED, WIFI_INTERNAL = 0x3002, 0x3004  # ESP_ERR_WIFI_NOT_STARTED, ESP_ERR_WIFI_CONN, as errno
# a join goes on until somebody ends it
NEVER_MS = 3_600_000


class Station(Radio):
    """A Radio that joins in the background."""

    def __init__(self, machine: Machine):
        super().__init__(machine.node, machine.world.air, machine.judge)
        self._machine = machine
        self._up = False
        self._came = None  # what came, or will come, of the join that was begun last
        self._ready_ms = 0
        self._failure = NO_AP_FOUND
        self._tries_again = True  # the platform's default

    def is_active(self, a, b, data):
        return int(self._up)

    def active(self, a, b, data):
        if a and not self._up:
            self._on()
        elif not a:
            self.off()
        self._came = None
        self._up = bool(a)

    def _must_be_up(self) -> None:
        if not self._up:
            raise OSError(NOT_STARTED)

    def config(self, a, b, data):
        self._must_be_up()
        if data == b"reconnects":
            self._tries_again = a != 0

    def scan(self, a=0, b=0, data=b""):
        self._must_be_up()
        node = self._node
        self._machine.spend("joining", SCAN_MS)
        found = []
        for network in self._air.networks:
            if network.kind_at(node.name, node.now_ms / 1000.0) != "absent":
                found.append((network.ssid, network.bssid.hex(), network.channel, network.rssi_dbm))
        return json.dumps(found).encode()

    def connect(self, a, b, data):
        """a: there is a fixed address."""
        self._must_be_up()
        if self._came is not None and self._status() == CONNECTING:
            raise OSError(WIFI_INTERNAL)
        self.disconnect()
        node = self._node
        node.radio_uses += 1
        node.radio_state = "joining"
        ssid, key, bssid = json.loads(data)
        now_s = node.now_ms / 1000.0
        known = [network for network in self._air.networks if bssid == network.bssid.hex()]
        hinted = (known[0].bssid, known[0].channel) if known else (b"", 0) if bssid else None
        self._came = self._air.join(node.name, now_s, ssid, key, hinted, NEVER_MS, node.radio_random, bool(a))
        self._ready_ms = node.now_ms + self._came.ms
        heard = [n for n in self._air.networks if n.ssid == ssid and n.kind_at(node.name, now_s) != "absent"]
        self._failure = WRONG_PASSWORD if heard else NO_AP_FOUND

    def disconnect(self, a=0, b=0, data=b""):
        self._must_be_up()
        self._came = None
        self.network = None
        self.association += 1

    def _status(self) -> int:
        came = self._came
        if came is None:
            return IDLE
        if self._node.now_ms < self._ready_ms:
            return CONNECTING
        if came.network is None:
            return CONNECTING if self._tries_again else self._failure
        if self.network is None:
            self.network = self._node.network = came.network
            self._node.link_rtt_ms = self.rtt_ms()
            self._node.radio_state = "online"
        return GOT_IP

    def status(self, a, b, data):
        return self._status()

    def rssi(self, a, b, data):
        if self.network is None:
            raise OSError(WIFI_INTERNAL)
        return -self.network.rssi_dbm
