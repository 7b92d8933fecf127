"""The air: which networks a node can join, when, and how long that takes. Law: only what is in reach can be joined.

A network is in reach of the nodes that it names, in its presence hours, outside its outage windows.
"""

from dataclasses import dataclass, field
from random import Random

from hostsim.timeline import Timeline

# absent: nothing to be heard. locked: the password is refused. no-address: joins, and no address is handed out.
# dead-end: joins, and nothing beyond it answers. hangs: the call never comes back, only the watchdog does.
# no-names: no name is resolved. captive: whatever is opened leads to a portal. slow: round trips of many times their
# length, and few bytes a second. no-time: nothing comes back from port 123.
KINDS = ("absent", "locked", "no-address", "dead-end", "hangs", "no-names", "captive", "slow", "no-time")
DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")

# Orders of magnitude from published figures for battery nodes: 0.4 s to an access point whose channel is known
# (flogics.com 2016, ESP8266, static address), up to 3 s for DHCP (the same), 6.5 s for all of it before anything was
# optimised (bakke.online 2017); Wi-Fi and TCP in 0.2 s with everything preset (voneicken.com 2018, ESP32).
# A scan of all channels: assumption.
SCANNING_MS = (1500, 2400)
ASSOCIATING_MS = (350, 800)
DHCP_MS = (200, 1500)
SCAN_MS = (2400, 3400)
HINTED_FAIL_MS = (600, 1100)
REFUSED_MS = (3000, 6000)
# a cell at its edge, a satellite, a mesh: assumption
SLOW_TIMES = 10
SLOW_RTT_MS_MAX = 5000
SLOW_BYTES_A_S = 500


@dataclass
class Network:
    """One access point's network. presence: (from_hour, to_hour, weekdays) in local time, or None for always."""

    ssid: str
    password: str
    rssi_dbm: int
    reach: frozenset[str]
    windows: list[tuple[float, float, str]] = field(default_factory=list)
    presence: tuple[float, float, frozenset[int]] | None = None
    utc_offset_s: int = 0
    start_epoch_s: int = 0
    bssid: bytes = b"\x02\x00\x00\x00\x00\x01"
    channel: int = 6
    rtt_ms: int = 40

    def __post_init__(self):
        self._timeline = Timeline(self.windows, KINDS)
        self._kind_at = self._timeline.kind_at

    def kind_at(self, node: str, now_s: float) -> str | None:
        """The kind of trouble at `now_s` seconds since the start; None when it can be used."""
        if node not in self.reach:
            return "absent"
        if self.presence is not None:
            local_s = self.start_epoch_s + now_s + self.utc_offset_s
            hour = local_s % 86400 / 3600.0
            from_hour, to_hour, weekdays = self.presence
            # 1970-01-01 was a Thursday
            if not from_hour <= hour < to_hour or int(local_s // 86400 + 3) % 7 not in weekdays:
                return "absent"
        return self._kind_at(now_s)

    def is_clear(self, from_s: float, to_s: float) -> bool:
        """True when there is no trouble from the one moment to the other, its hours of presence left aside."""
        return self._timeline.is_clear(from_s, to_s)

    def rtt_ms_at(self, node: str, now_s: float) -> int:
        """The round trip at this moment."""
        if self.kind_at(node, now_s) != "slow":
            return self.rtt_ms
        return max(self.rtt_ms, min(SLOW_TIMES * self.rtt_ms, SLOW_RTT_MS_MAX))


@dataclass
class Joined:
    """What came of trying to join. network: None when it failed. step: why. ms: how long it took."""

    network: Network | None
    ms: int
    step: str = ""
    hangs: bool = False


class Air:
    """All networks. Each node draws its joining times from its own generator."""

    def __init__(self, networks: list[Network]):
        self.networks = networks

    def join(
        self, node, now_s, ssid, password, hinted, deadline_ms, generator: Random, static_address: bool = False
    ) -> Joined:
        """Try to join `ssid`; hinted: (bssid, channel) to go straight for, or None to scan."""
        for network in self.networks:
            if network.ssid != ssid:
                continue
            kind = network.kind_at(node, now_s)
            if kind == "absent" or (hinted is not None and hinted != (network.bssid, network.channel)):
                continue
            if kind == "hangs":
                return Joined(None, deadline_ms, "join", hangs=True)
            if kind == "locked" or password != network.password:
                return self._failed(REFUSED_MS, deadline_ms, generator)
            if kind == "no-address" and not static_address:
                return Joined(None, deadline_ms, "join")
            ms = generator.randint(*ASSOCIATING_MS)
            if hinted is None:
                ms += generator.randint(*SCANNING_MS)
            if not static_address:
                ms += generator.randint(*DHCP_MS)
            if ms > deadline_ms:
                return Joined(None, deadline_ms, "join")
            return Joined(network, ms)
        return self._failed(SCAN_MS if hinted is None else HINTED_FAIL_MS, deadline_ms, generator)

    @staticmethod
    def _failed(span_ms, deadline_ms, generator) -> Joined:
        return Joined(None, min(deadline_ms, generator.randint(*span_ms)), "join")
