"""What survives deep sleep. Law: these bytes are a hint and a diary; garbage in them costs a cold start, no more.

At most SIZE bytes at the start of the port's retained memory: magic, version, fields, CRC-32. Whatever memory is
left behind them belongs to held.py. The format is docs/formats.md, "Retained memory".
"""

from binascii import crc32
from struct import calcsize, pack, unpack_from

SIZE = 136
MAGIC = 0x74
VERSION = 1

# bits
TIME_KNOWN = 1
RADIO_HELD_OFF = 2
WRITES_HELD_OFF = 4
OLD_LAYOUT = 8
FIRST_READING = 16
HOLDING = 32
CARD_IN_DOUBT = 64  # the board was reset: the sectors around the head have to be looked at
TAIL_UNREAD = 128  # the oldest reading that waits could not be read in the last session

NO_SLOT = 0xFFFFFFFF
NO_LAYOUT = 255

# Counted by name in the health message; the order is the order of the bytes.
FAULTS = (
    "card",
    "sensor",
    "join",
    "resolve",
    "broker",
    "tls",
    "time",
    "settings",
    "watchdog",
    "brown-out",
    "defect",
)

_FORMAT = "<BBBIIIIIHBBIIHHIiiIIIIBBBB6s4sHHIIHHIIIHBBII11sI"
_FORMAT_BEFORE_CRC = _FORMAT[:-1]
_CRC_AT = SIZE - 4
assert calcsize(_FORMAT) == SIZE


class Retained:
    """The diary of one node, read from and written to the port's retained memory.

    Fields are plain integers; their meaning stands in docs/formats.md.
    """

    # a field that is not named here is a slip of the pen: CPython refuses it, a board takes no notice
    __slots__ = ("_memory", "cold", "bits", "settings_crc", "ring_id", "head", "acked_to", "sent_to", "run")
    __slots__ += ("layout", "stage", "run_base_s", "run_epoch_s", "run_uncertainty_s", "residual_10ppb")
    __slots__ += ("synced_s", "drift_ppb", "timer_ppm", "asleep_rtc_s", "asleep_for_s", "last_slot")
    __slots__ += ("next_transmit_s", "failures", "trying", "network", "channel", "bssid", "broker_ip", "missed")
    __slots__ += ("unstored", "overwritten", "have_id", "have_sent", "have_day", "remote_id", "remote_sample_s")
    __slots__ += ("remote_transmit_s", "remote_last_days", "resets", "syncs", "charge_uah", "gap_slot", "faults")

    def __init__(self, memory):
        self._memory = memory
        self.cold = not self._load()

    def _load(self):
        head = bytes(self._memory[:SIZE])
        if len(head) < SIZE:
            return self._clear()
        (
            magic,
            version,
            self.bits,
            self.settings_crc,
            self.ring_id,
            self.head,
            self.acked_to,
            self.sent_to,
            self.run,
            self.layout,
            self.stage,
            self.run_base_s,
            self.run_epoch_s,
            self.run_uncertainty_s,
            self.residual_10ppb,
            self.synced_s,
            self.drift_ppb,
            self.timer_ppm,
            self.asleep_rtc_s,
            self.asleep_for_s,
            self.last_slot,
            self.next_transmit_s,
            self.failures,
            self.trying,
            self.network,
            self.channel,
            self.bssid,
            self.broker_ip,
            self.missed,
            self.unstored,
            self.overwritten,
            self.have_id,
            self.have_sent,
            self.have_day,
            self.remote_id,
            self.remote_sample_s,
            self.remote_transmit_s,
            self.remote_last_days,
            self.resets,
            self.syncs,
            self.charge_uah,
            self.gap_slot,
            faults,
            crc,
        ) = unpack_from(_FORMAT, head, 0)
        if magic != MAGIC or version != VERSION or crc32(head[:_CRC_AT]) != crc:
            return self._clear()
        self.faults = bytearray(faults)
        return True

    def _clear(self):
        self.bits = self.settings_crc = self.ring_id = self.head = self.acked_to = self.sent_to = 0
        self.run = self.stage = 0
        self.layout = NO_LAYOUT
        self.run_base_s = self.run_epoch_s = self.run_uncertainty_s = 0
        self.residual_10ppb = self.synced_s = self.drift_ppb = self.timer_ppm = 0
        self.asleep_rtc_s = self.asleep_for_s = 0
        self.last_slot = NO_SLOT
        self.next_transmit_s = self.failures = self.trying = self.network = self.channel = 0
        self.bssid = bytes(6)
        self.broker_ip = bytes(4)
        self.missed = self.unstored = self.overwritten = 0
        self.have_id = self.have_sent = self.have_day = 0
        self.remote_id = self.remote_sample_s = self.remote_transmit_s = self.remote_last_days = 0
        self.resets = self.syncs = self.charge_uah = self.gap_slot = 0
        self.faults = bytearray(len(FAULTS))
        return False

    def save(self):
        """Write the diary to retained memory; call it before anything that may not return."""
        image = pack(
            _FORMAT_BEFORE_CRC,
            MAGIC,
            VERSION,
            self.bits,
            self.settings_crc,
            self.ring_id,
            self.head,
            self.acked_to,
            self.sent_to,
            self.run,
            self.layout,
            self.stage,
            self.run_base_s,
            self.run_epoch_s,
            self.run_uncertainty_s,
            self.residual_10ppb,
            self.synced_s,
            self.drift_ppb,
            self.timer_ppm,
            self.asleep_rtc_s,
            self.asleep_for_s,
            self.last_slot,
            self.next_transmit_s,
            self.failures,
            self.trying,
            self.network,
            self.channel,
            self.bssid,
            self.broker_ip,
            self.missed,
            self.unstored,
            self.overwritten,
            self.have_id,
            self.have_sent,
            self.have_day,
            self.remote_id,
            self.remote_sample_s,
            self.remote_transmit_s,
            self.remote_last_days,
            self.resets,
            self.syncs,
            self.charge_uah,
            self.gap_slot,
            bytes(self.faults),
        )
        self._memory[:SIZE] = image + pack("<I", crc32(image))

    def count(self, fault):
        """Count one fault by its name; a counter stops at 255."""
        index = FAULTS.index(fault)
        if self.faults[index] < 255:
            self.faults[index] += 1

    def add_missed(self, slots):
        self.missed = min(65535, self.missed + slots)

    def add_unstored(self, readings):
        self.unstored = min(65535, self.unstored + readings)
