"""Wi-Fi on CircuitPython. Law: imported only to join, because importing `wifi` starts the radio.

connect() can block for ever, whatever its time-out says (docs/porting.md): the watchdog is armed all the time, and
the node has noted which network it tries.
"""

import ipaddress

import wifi

from ..errors import LinkError


class Radio:
    """tx_power_dbm: 0 is the platform's own; watchdog: cp_power.Watchdog, which the node feeds before each join."""

    def __init__(self, tx_power_dbm, watchdog):
        self._tx_power_dbm = tx_power_dbm
        self._watchdog = watchdog

    def join(self, network, bssid, channel, deadline_ms):
        """(bssid, channel), bssid None where the platform does not say. Raises LinkError."""
        if deadline_ms <= 0:
            raise LinkError("join", "timeout")
        radio = wifi.radio
        self.off()
        timeout_s = max(1, min(deadline_ms, self._watchdog.call_ms_max) // 1000)
        try:
            radio.enabled = True
            self._prepare(network)
            radio.connect(
                network["ssid"],
                network["password"],
                channel=channel or 0,
                bssid=bytes(bssid) if bssid else None,
                timeout=timeout_s,
            )
            joined = radio.ipv4_address is not None
        except (OSError, RuntimeError, ValueError, NotImplementedError) as error:
            # ConnectionError is an OSError
            raise LinkError("join", str(error))
        if not joined:
            raise LinkError("join", "no address")
        return _where()

    def _prepare(self, network):
        if self._tx_power_dbm:
            wifi.radio.tx_power = self._tx_power_dbm
        address = network["address"]
        if not address:
            wifi.radio.start_dhcp()
            return
        wifi.radio.stop_dhcp()
        wifi.radio.set_ipv4_address(
            ipv4=ipaddress.IPv4Address(address),
            netmask=ipaddress.IPv4Address(network["netmask"]),
            gateway=ipaddress.IPv4Address(network["gateway"]),
            # without DHCP nobody else names one
            ipv4_dns=ipaddress.IPv4Address(network["dns"] or network["gateway"]),
        )

    def off(self):
        try:
            wifi.radio.stop_station()
        except (OSError, RuntimeError, NotImplementedError):
            pass
        try:
            wifi.radio.enabled = False
        except (OSError, RuntimeError, NotImplementedError):
            pass

    def rssi_dbm(self):
        info = _info()
        return info.rssi if info is not None else None


def _info():
    try:
        return wifi.radio.ap_info
    except NotImplementedError:
        # so on one port
        return None


def _where():
    info = _info()
    return (bytes(info.bssid), info.channel) if info is not None else (None, 0)
