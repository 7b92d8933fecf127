"""The radio port of the fast runtime. Law: the judge hears of the radio first, and it listens until it is off."""

from torpor.errors import LinkError

from hostsim.node import Node
from hostsim.runtimes.endings import WatchdogReset

WATCHDOG_MS = 8000  # RP2040's is 8388 ms at most; other chips allow more
SCAN_MS = 2400
CUT = ("absent", "dead-end")


class Radio:
    """`association` grows with every attempt to join and with off(): what was opened before is of no use after it."""

    def __init__(self, node: Node, air, judge):
        self._node = node
        self._air = air
        self._judge = judge
        self.network = None
        self.association = 0
        self._used = False

    def trouble(self) -> str | None:
        """What is wrong now with the network that the board still believes in."""
        return self.network.kind_at(self._node.name, self._node.now_ms / 1000.0)

    def is_cut(self) -> bool:
        """True when nothing comes back over that network."""
        return self.trouble() in CUT

    def rtt_ms(self) -> int:
        return self.network.rtt_ms_at(self._node.name, self._node.now_ms / 1000.0)

    def _on(self) -> None:
        node = self._node
        self._judge.radio_on(node.now_ms)
        self.association += 1
        self.network = None
        if not self._used:
            self._used = True
            node.spend("awake", node.durations["run_session"])
            if node.supply is not None:
                node.supply.radio_on()
        # until it is switched off it listens
        node.radio_state = "joining"

    def scan(self) -> list[tuple[str, int]]:
        self._on()
        node = self._node
        node.spend("joining", SCAN_MS)
        now_s = node.now_ms / 1000.0
        return [
            (network.ssid, network.rssi_dbm)
            for network in self._air.networks
            if network.kind_at(node.name, now_s) != "absent"
        ]

    def join(self, network: dict, bssid, channel: int, deadline_ms: int):
        self._on()
        node = self._node
        node.radio_uses += 1
        if deadline_ms <= 0:
            raise LinkError("join", "timeout")
        hinted = (bytes(bssid), channel) if bssid is not None else None
        came = self._air.join(
            node.name,
            node.now_ms / 1000.0,
            network["ssid"],
            network["password"],
            hinted,
            deadline_ms,
            node.radio_random,
            bool(network.get("address")),
        )
        node.spend("joining", came.ms)
        if came.hangs:
            node.spend("joining", WATCHDOG_MS)
            raise WatchdogReset
        if came.network is None:
            raise LinkError("join", came.step)
        self.network = node.network = came.network
        node.link_rtt_ms = self.rtt_ms()
        node.radio_state = "online"
        return came.network.bssid, came.network.channel

    def off(self) -> None:
        self.network = None
        self.association += 1
        self._node.radio_state = None

    def rssi_dbm(self):
        return self.network.rssi_dbm if self.network is not None else None
