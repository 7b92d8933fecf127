"""Which settings count. Law: a broken settings file never takes away the settings that last worked.

On-chip memory (NVM) has two slots, each whole or worthless by its CRC: the file last read, and the last settings
under which a broker accepted a reading. They are found by the CRC-32 of the file, so that a usual wake reads no TOML.
The text in a slot is JSON, because both interpreters have a decoder for it that costs no compiled line. What another
version of the firmware wrote is not read: its keys may be others. The format is docs/formats.md, "Settings in NVM".
"""

import json
from binascii import crc32
from struct import pack_into, unpack_from

from . import VERSION

MAGIC = b"tpSe"
_HEADER = "<4sIIBBH"
_HEADER_SIZE = 16
_TEXT_BYTES_MAX = 65535
_FIRMWARE = crc32(VERSION.encode()) & 0xFF

# What a node does that has never had good settings: it samples its battery, stores, and says so.
FALLBACK = {
    "node": "unconfigured",
    "sample_every_s": 3600,
    "transmit_every_s": 86400,
    "must_last_days": 0,
    "broker": None,
    "network": [],
    "radio": {"last_good_first": True, "retry_base_s": 600, "retry_cap_s": 21600, "join_s_max_total": 60},
    "sensor": [],
    "bus": [],
    "analog": [{"name": "battery", "pin": "", "divider_upper_ohm": 0, "divider_lower_ohm": 0, "rail": ""}],
    "rails": {},
    "battery": {
        "capacity_mah": 0,
        "pin": "",
        "divider_upper_ohm": 0,
        "divider_lower_ohm": 0,
        "radio_off_mv": 3400,
        "radio_on_mv": 3500,
        "write_off_mv": 3200,
        "write_on_mv": 3300,
    },
    "card": {
        "size_mib": 64,
        "channels_max": 8,
        "hold_ms": 20,
        "sck": "",
        "mosi": "",
        "miso": "",
        "cs": "",
        "spi_hz": 8000000,
        "rail": "",
    },
    "time": {
        "servers": [],
        "sync_every_h": 24,
        "patience_h": 24,
        # what the clock is good for stands in the settings: the worst that they may say
        "drift_ppm_max": 100000,
        "rtc": "internal",
        "rtc_bus": "i2c",
        "rtc_alarm": "",
    },
    "status": {"led": "", "button": "", "service_s": 60, "watchdog_s": 90},
}


class Choice:
    """The settings in force: `settings`, `crc` (of their file), `good` (the last good ones), `previous`, `problem`.

    `previous` holds the last good settings when other ones are in force, else None. `problem` is a sentence when the
    file on the board is not what is in force, else None.
    """

    def __init__(self, settings, crc, good, previous, problem):
        self.settings = settings
        self.crc = crc
        self.good = good
        self.previous = previous
        self.problem = problem


def _slots(nvm):
    """[(file_crc, generation, accepted, json_bytes) or None] of each slot."""
    return [_slot(nvm, index) for index in range(nvm.slots)]


def _slot(nvm, index):
    try:
        image = nvm.read(index)
    except OSError:
        return None
    if len(image) < _HEADER_SIZE + 4:
        return None
    magic, file_crc, generation, accepted, firmware, size = unpack_from(_HEADER, image, 0)
    end = _HEADER_SIZE + size
    if magic != MAGIC or firmware != _FIRMWARE or end + 4 > len(image):
        return None
    body = memoryview(image)[:end]
    if unpack_from("<I", image, end)[0] != crc32(body):
        return None
    return file_crc, generation, accepted, bytes(body[_HEADER_SIZE:])


def _write(nvm, index, file_crc, generation, accepted, text):
    """Fill a slot; what does not fit into one is not kept, and its file is read anew at each wake."""
    if len(text) > _TEXT_BYTES_MAX:
        return
    image = bytearray(_HEADER_SIZE)
    image += text
    image += bytes(4)
    pack_into(_HEADER, image, 0, MAGIC, file_crc, generation, accepted, _FIRMWARE, len(text))
    pack_into("<I", image, len(image) - 4, crc32(memoryview(image)[: len(image) - 4]))
    try:
        nvm.write(index, image)
    except OSError:
        pass


def _best(slots):
    """Index of the newest accepted slot, None when there is none."""
    best = None
    for index in range(len(slots)):
        if slots[index] and slots[index][2] and (best is None or _newer(slots[index][1], slots[best][1])):
            best = index
    return best


def _newer(generation, other):
    # generations count modulo 2^32
    return 0 < (generation - other) & 0xFFFFFFFF < 0x80000000


def _match(slots, crc):
    """Index of the slot with the settings of the file with this CRC-32, None when there is none."""
    for index in range(len(slots)):
        if slots[index] and slots[index][0] == crc:
            return index
    return None


def choose(data, nvm):
    """Choose by the bytes of settings.toml (None: missing) and what NVM holds; see Choice."""
    slots = _slots(nvm)
    best = _best(slots)
    problem = "settings.toml is missing"
    if data is not None:
        crc = crc32(data)
        found = _match(slots, crc)
        if found is not None:
            return Choice(json.loads(slots[found][3]), crc, found == best, _others(slots, best, found), None)
        # TOML is read once a change of the file
        from . import settings

        try:
            read = settings.read(data)
        except settings.SettingsError as error:
            problem = _sentence(error)
        else:
            if slots:
                _write(nvm, 0 if best is None or best == 1 else 1, crc, 0, 0, json.dumps(read).encode())
            return Choice(read, crc, False, _others(slots, best, None), None)
    kept = best
    for index in range(len(slots)):
        # what was read once is better than nothing, accepted or not
        if kept is None and slots[index]:
            kept = index
    if kept is not None:
        return Choice(json.loads(slots[kept][3]), slots[kept][0], kept == best, None, problem)
    return Choice(FALLBACK, 0, False, None, problem)


def _others(slots, best, used):
    """The last good settings when they are not those in slot `used`, else None."""
    return json.loads(slots[best][3]) if best is not None and best != used else None


def _sentence(error):
    """The first problem of a file, and how many follow: this goes into each health message."""
    lines = str(error).split("\n")
    return lines[0] if len(lines) == 1 else f"{lines[0]} (and {len(lines) - 1} more)"


def accept(nvm, crc):
    """A broker accepted a reading under the settings of this file: they are the last good ones from now on."""
    slots = _slots(nvm)
    best = _best(slots)
    found = _match(slots, crc)
    if found is not None and found != best:
        generation = (slots[best][1] + 1) & 0xFFFFFFFF if best is not None else 1
        _write(nvm, found, crc, generation, 1, slots[found][3])
