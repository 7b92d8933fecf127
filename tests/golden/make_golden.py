"""Makes the golden files beside it. Law: the same bytes at every run, and only this file writes them.

Run it after a wanted change of a format, with a new version number in that format: python tests/golden/make_golden.py
"""

import json
from pathlib import Path

from torpor import record, ring, ring_layout
from torpor.held import Held
from torpor.retained import HOLDING, TIME_KNOWN, Retained

HERE = Path(__file__).parent
EUI = bytes.fromhex("02a1b2fffec3d4e5")
RING_ID = 0x5EED1234
HELD_ID = 0x0A0B0C0D
HALF = 64
SECTORS = 2 * (HALF + ring.LAYOUT_SLOTS) + ring.TAIL_GAP
CHANNELS = [
    ("temperature", "Cel", -2, "adafruit_sht4x.SHT4x"),
    ("relative-humidity", "%RH", -2, "adafruit_sht4x.SHT4x"),
    ("battery", "V", -3, "analog"),
]
LIGHT = ("lux", "lx", 0, "adafruit_bh1750.BH1750")
HEAD = 140
EVERY_S = 600
# the run begins with its time unknown; it is learned after reading 12
RUN_EPOCH_S = 1796083200
LEARNED_AFTER = 12
LIGHT_FROM = 101
TRASHED = 133


class Memory:
    """A card that works."""

    def __init__(self, sector_count):
        self.sector_count = sector_count
        self.data = bytearray(512 * sector_count)

    def read(self, sector, buffer):
        buffer[:] = self.data[512 * sector : 512 * sector + 512]

    def write(self, sector, buffer):
        self.data[512 * sector : 512 * sector + 512] = buffer


def reading(seq):
    """The record tuple of reading `seq`."""
    run_s = (seq - 1) * EVERY_S
    known = seq > LEARNED_AFTER
    values = [1200 - 7 * seq, 6500 + 3 * seq, 3900 - seq]
    flags = [0, 0, 0]
    if seq == 110:
        values[0:2] = [record.ABSENT, record.ABSENT]
        flags[0:2] = [record.SENSOR_FAILED, record.SENSOR_FAILED]
    layout = 0
    if seq >= LIGHT_FROM:
        layout = 1
        values.append(40 * seq)
        flags.append(0)
    return (
        RUN_EPOCH_S + run_s if known else run_s,
        2 + seq // 40 if known else record.TIME_UNKNOWN,
        1,
        layout,
        record.FIRST_AFTER_RESET if seq == 1 else 0,
        values,
        flags,
    )


def encoded(taken, stride):
    data = bytearray(stride)
    record.encode(data, 0, stride, taken)
    return data


def ring_image():
    file = Memory(SECTORS)
    stride = record.stride(4)
    made = ring_layout.create(file, RING_ID, stride, EUI, "north-stack", CHANNELS)
    for seq in range(1, HEAD + 1):
        if seq == LIGHT_FROM:
            buffer = bytearray(512)
            ring_layout.encode(buffer, 1, stride, RING_ID, HALF, EUI, "north-stack", [*CHANNELS, LIGHT])
            ring_layout.write(file, 1, buffer)
        made.acked_to = max(0, seq - 30) // 6 * 6
        known = seq > LEARNED_AFTER
        anchor = (1, RUN_EPOCH_S, 3, RUN_EPOCH_S + 7000) if known else (1, 0, 0, 0)
        made.append(encoded(reading(seq), stride), anchor)
    file.write(made.sector_of(TRASHED), b"\xff" * 512)
    return bytes(file.data)


def retained_image():
    memory = bytearray(256)
    diary = Retained(memory)
    diary.bits = TIME_KNOWN | HOLDING
    diary.settings_crc = 0xCAFE0001
    diary.ring_id = RING_ID
    diary.head, diary.acked_to, diary.sent_to = 140, 108, 120
    diary.run, diary.layout, diary.stage = 1, 1, 7
    diary.run_base_s, diary.run_epoch_s, diary.run_uncertainty_s = 1796083201, RUN_EPOCH_S, 3
    diary.residual_10ppb, diary.synced_s, diary.drift_ppb, diary.timer_ppm = 41, RUN_EPOCH_S + 7000, -4200, 15000
    diary.asleep_rtc_s, diary.asleep_for_s = 1796166605, 587
    diary.last_slot, diary.next_transmit_s = 2993611, 1796169600
    diary.failures, diary.trying, diary.network, diary.channel = 1, 2, 1, 6
    diary.bssid, diary.broker_ip = bytes.fromhex("020000aabbcc"), bytes([192, 168, 7, 20])
    diary.missed, diary.unstored, diary.overwritten = 3, 1, 0
    diary.have_id, diary.have_sent, diary.have_day = 17, 24, 20788
    diary.remote_id, diary.remote_sample_s, diary.remote_transmit_s, diary.remote_last_days = 2, 600, 3600, 0
    diary.resets, diary.syncs, diary.charge_uah, diary.gap_slot = 0, 4, 250000, 0
    diary.count("card")
    diary.save()
    stride = record.stride(3)
    held = Held(memory, stride, 0x0000BEEF, HELD_ID)
    for seq in (1, 2):
        held.add(encoded((RUN_EPOCH_S + 600 * seq, 2, 1, 0, 0, [815 - seq, 7012, 3700], [0, 0, 0]), stride))
    return bytes(memory)


def readings_table():
    """What a reader must get out of ring.bin."""
    keys = ("time_s", "uncertainty_s", "run", "layout", "flags", "values", "channel_flags")
    first = HEAD - 2 * HALF + 1
    return {str(seq): dict(zip(keys, reading(seq), strict=True)) for seq in range(first, HEAD + 1)}


def golden():
    """{file name: bytes}."""
    table = json.dumps(readings_table(), indent=None, separators=(",", ":")).replace('},"', '},\n"') + "\n"
    return {
        "record.bin": bytes(encoded(reading(110), record.stride(4))),
        "ring.bin": ring_image(),
        "retained.bin": retained_image(),
        "ring_readings.json": table.encode(),
    }


if __name__ == "__main__":
    for name, data in golden().items():
        (HERE / name).write_bytes(data)
