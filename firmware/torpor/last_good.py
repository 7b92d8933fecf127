"""Which settings count. Law: a broken settings file never takes away the settings that last worked.

On-chip memory (NVM) has two slots, each whole or worthless by its CRC: the file last read, and the last settings
under which a broker accepted a reading. They are found by the CRC-32 of the file, so that a usual wake reads no TOML. The text in a
slot is JSON, because both interpreters have a decoder for it that costs no compiled line. The format is
docs/formats.md, "Settings in NVM".
"""

import json
from binascii import crc32
from struct import pack_into, unpack_from

MAGIC = b"tpSe"
_HEADER = "<4sIIBBH"
_HEADER_SIZE = 16

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
    "analog": [{"name": "battery", "pin": "", "divider_upper_ohm": 0, "divider_lower_ohm": 0, "rail": ""}],
    "rails": {},
    "battery": {
        "capacity_mah": 0,
        "radio_off_mv": 3400,
        "radio_on_mv": 3500,
        "write_off_mv": 3200,
        "write_on_mv": 3300,
    },
    "card": {"size_mib": 64, "channels_max": 8, "hold_ms": 20, "rail": ""},
    "time": {"servers": [], "sync_every_h": 24, "patience_h": 24, "drift_ppm_max": 100, "rtc": "internal"},
    "status": {"led": "", "button": "", "service_s": 60},
}


class Choice:
    """The settings in force: `settings`, `crc` (of their file), `good` (accepted before), `previous`, `problem`.

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
    found = []
    for index in range(nvm.slots):
        image = nvm.read(index)
        entry = None
        if len(image) >= _HEADER_SIZE + 4:
            magic, file_crc, generation, accepted, _, size = unpack_from(_HEADER, image, 0)
            end = _HEADER_SIZE + size
            if magic == MAGIC and end + 4 <= len(image):
                body = memoryview(image)[:end]
                if unpack_from("<I", image, end)[0] == crc32(body):
                    entry = (file_crc, generation, accepted, bytes(body[_HEADER_SIZE:]))
        found.append(entry)
    return found


def _write(nvm, index, file_crc, generation, accepted, text):
    image = bytearray(_HEADER_SIZE)
    image += text
    image += bytes(4)
    pack_into(_HEADER, image, 0, MAGIC, file_crc, generation, accepted, 0, len(text))
    pack_into("<I", image, len(image) - 4, crc32(memoryview(image)[: len(image) - 4]))
    nvm.write(index, image)


def _best(slots):
    """Index of the newest accepted slot, None when there is none."""
    best = None
    for index in range(len(slots)):
        if slots[index] and slots[index][2] and (best is None or slots[index][1] > slots[best][1]):
            best = index
    return best


def choose(data, nvm):
    """Choose by the bytes of settings.toml (None: missing) and what NVM holds; see Choice."""
    slots = _slots(nvm)
    best = _best(slots)
    crc = crc32(data) if data is not None else 0
    if data is not None:
        for index in range(len(slots)):
            if slots[index] and slots[index][0] == crc:
                previous = None
                if best is not None and best != index:
                    previous = json.loads(slots[best][3])
                return Choice(json.loads(slots[index][3]), crc, bool(slots[index][2]), previous, None)
    problem = "settings.toml is missing"
    if data is not None:
        # TOML is read once a change of the file
        from . import settings

        try:
            read = settings.read(data)
        except settings.SettingsError as error:
            problem = str(error)
        else:
            if slots:
                index = 0 if best is None or best == 1 else 1
                _write(nvm, index, crc, 0, 0, json.dumps(read).encode())
            previous = json.loads(slots[best][3]) if best is not None else None
            return Choice(read, crc, False, previous, None)
    if best is not None:
        return Choice(json.loads(slots[best][3]), slots[best][0], True, None, problem)
    return Choice(FALLBACK, 0, False, None, problem)


def accept(nvm, crc):
    """A broker accepted a reading under the settings of this file: they are the last good ones from now on."""
    slots = _slots(nvm)
    best = _best(slots)
    generation = slots[best][1] + 1 if best is not None else 1
    for index in range(len(slots)):
        if slots[index] and slots[index][0] == crc and not slots[index][2]:
            _write(nvm, index, crc, generation, 1, slots[index][3])
