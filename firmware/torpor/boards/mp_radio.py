"""Wi-Fi on MicroPython. Law: imported only to join, and every join ends at its own deadline.

The platform would try one network again for ever, and join the first access point that it hears, not the strongest:
so it gets no second try, and is told which access point (docs/porting.md).
"""

import network

from ..errors import LinkError

STEP_MS = 50


class Radio:
    """tx_power_dbm: 0 is the platform's own; clock: waits."""

    def __init__(self, tx_power_dbm, clock):
        self._tx_power_dbm = tx_power_dbm
        self._clock = clock
        self._wlan = network.WLAN(network.WLAN.IF_STA)

    def join(self, asked, bssid, channel, deadline_ms):
        """(bssid, channel). bssid None: the strongest access point that is heard. Raises LinkError."""
        if deadline_ms <= 0:
            raise LinkError("join", "timeout")
        started_ms = self._clock.ticks_ms()
        self.off()
        try:
            self._up(asked)
            bssid, channel = (bytes(bssid), channel) if bssid else self._strongest(asked["ssid"])
            self._wlan.connect(asked["ssid"], asked["password"] or None, bssid=bssid)
            while not self._wlan.isconnected():
                if self._wlan.status() != network.STAT_CONNECTING:
                    raise LinkError("join", f"status {self._wlan.status()}")
                if self._clock.elapsed_ms(started_ms) >= deadline_ms:
                    raise LinkError("join", "timeout")
                self._clock.wait_ms(STEP_MS)
        except (OSError, RuntimeError, ValueError) as error:
            self.off()
            raise LinkError("join", str(error))
        except LinkError:
            self.off()
            raise
        return bssid, channel

    def _up(self, asked):
        wlan = self._wlan
        wlan.active(True)
        # its default is to try again without end
        wlan.config(reconnects=0)
        if self._tx_power_dbm:
            wlan.config(txpower=self._tx_power_dbm)
        if asked["address"]:
            # without DHCP nobody else names a name server
            dns = asked["dns"] or asked["gateway"]
            wlan.ifconfig((asked["address"], asked["netmask"], asked["gateway"], dns))

    def _strongest(self, ssid):
        """(bssid, channel); (None, 0) where it may be one that hides its name. Raises LinkError."""
        wanted = ssid.encode()
        best = None
        hidden = False
        for heard in self._wlan.scan():
            if heard[0] == wanted and (best is None or heard[3] > best[3]):
                best = heard
            hidden = hidden or not heard[0]
        if best is not None:
            return best[1], best[2]
        if not hidden:
            raise LinkError("join", "not heard")
        return None, 0

    def off(self):
        try:
            self._wlan.disconnect()
        except OSError:
            # it was not connected, or not even on
            pass
        self._wlan.active(False)

    def rssi_dbm(self):
        try:
            return self._wlan.status("rssi") if self._wlan.isconnected() else None
        except (OSError, ValueError):
            return None
