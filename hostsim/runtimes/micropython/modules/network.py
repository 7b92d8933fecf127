"""network, as the ESP32's. Law: connect() returns at once, and the radio is on from active(True) to active(False)."""

import json
from binascii import hexlify, unhexlify

import _wire

STAT_BEACON_TIMEOUT, STAT_NO_AP_FOUND, STAT_WRONG_PASSWORD, STAT_ASSOC_FAIL = 200, 201, 202, 203
STAT_HANDSHAKE_TIMEOUT, STAT_IDLE, STAT_CONNECTING, STAT_GOT_IP = 204, 1000, 1001, 1010
STA_IF, AP_IF = 0, 1


class WLAN:
    IF_STA, IF_AP = 0, 1

    def __init__(self, interface_id=IF_STA):
        if interface_id != self.IF_STA:
            raise ValueError
        self._static = 0

    def active(self, is_active=None):
        if is_active is None:
            return bool(_wire.call("wlan.is_active"))
        _wire.call("wlan.active", bool(is_active))
        return None

    def config(self, **settings):
        for name in settings:
            if name not in ("reconnects", "txpower", "pm", "hostname"):
                raise ValueError("unknown config param")
            _wire.call("wlan.config", int(settings[name]) & 0xFFFFFFFF, 0, name)

    def ifconfig(self, addresses):
        if len(addresses) != 4 or not all(addresses):
            raise ValueError("invalid arguments")
        self._static = 1

    def scan(self):
        found = json.loads(_wire.fetch("wlan.scan"))
        return [(ssid.encode(), unhexlify(bssid), channel, rssi, 3, not ssid) for ssid, bssid, channel, rssi in found]

    def connect(self, ssid=None, key=None, *, bssid=None):
        asked = [ssid, key or "", hexlify(bssid).decode() if bssid else None]
        _wire.call("wlan.connect", self._static, 0, json.dumps(asked))

    def disconnect(self):
        _wire.call("wlan.disconnect")

    def isconnected(self):
        return self.status() == STAT_GOT_IP

    def status(self, param=None):
        if param == "rssi":
            return -_wire.call("wlan.rssi")
        if param is not None:
            raise ValueError("unknown status param")
        return _wire.call("wlan.status")
