"""The golden files and the examples of docs/formats.md, with a reader of its own.

Law: what was written is read with the document and struct alone, never through the firmware.
"""

import json
import re
import struct
import sys
from pathlib import Path
from types import SimpleNamespace
from zlib import crc32

import pytest
from torpor import VERSION, health, last_good, messages, record, retained, senml

ROOT = Path(__file__).parents[2]
GOLDEN = ROOT / "tests" / "golden"
FORMATS = (ROOT / "docs" / "formats.md").read_text()

sys.path.insert(0, str(GOLDEN))
import make_golden  # noqa: E402 - lies beside the files that it makes

RING = (GOLDEN / "ring.bin").read_bytes()
RETAINED = (GOLDEN / "retained.bin").read_bytes()


def example(name):
    """The bytes of the hex block of that name in the document; `..` stands for zeros up to the next offset."""
    block = re.search(rf"```hex {name}\n(.*?)```", FORMATS, re.DOTALL).group(1)
    data = bytearray()
    for line in block.splitlines():
        offset, text = line.split(":", 1)
        assert int(offset) >= len(data)
        data += bytes(int(offset) - len(data))
        data += bytes.fromhex(text.split("|")[0])
    return bytes(data)


def sector(index):
    return RING[512 * index : 512 * index + 512]


def whole(data):
    return struct.unpack_from("<I", data, 508)[0] == crc32(data[:508])


def read_layout(data):
    assert whole(data)
    magic, version, slot, stride, ring_id, half, count, zero, eui = struct.unpack_from("<4sBBHIIBB8s", data, 0)
    assert (magic, version, zero) == (b"tpLy", 1, 0)
    at = 26

    def text():
        nonlocal at
        size = data[at]
        at += 1 + size
        return data[at - size : at].decode()

    node = text()
    channels = []
    for _ in range(count):
        name, unit, sensor = text(), text(), text()
        channels.append((name, unit, struct.unpack_from("<b", data, at)[0], sensor))
        at += 1
    return {
        "slot": slot,
        "stride": stride,
        "ring": ring_id,
        "half": half,
        "eui": eui,
        "node": node,
        "channels": channels,
    }


def read_record(data, channels):
    time_s, uncertainty_s, run, layout, zero, flags = struct.unpack_from("<IHHBBH", data, 0)
    assert zero == 0
    pairs = [struct.unpack_from("<iH", data, 12 + 6 * index) for index in range(channels)]
    return {
        "time_s": time_s,
        "uncertainty_s": uncertainty_s,
        "run": run,
        "layout": layout,
        "flags": flags,
        "values": [value for value, _ in pairs],
        "channel_flags": [flag for _, flag in pairs],
    }


def read_sector(data):
    """(header, {seq: record bytes}) of a whole data sector, else None."""
    if data[:4] != b"tpRg" or data[4] != 1 or not whole(data):
        return None
    keys = ("count", "stride", "ring", "seq", "acked_to", "run", "run_epoch_s", "run_uncertainty_s", "synced_s")
    header = dict(zip(keys, struct.unpack_from("<BHIIIHIHI", data, 5), strict=True))
    records = {}
    for index in range(header["count"]):
        at = 32 + header["stride"] * index
        records[header["seq"] - header["count"] + 1 + index] = data[at : at + header["stride"]]
    return header, records


def read_ring(file):
    """{seq: record bytes} as the document tells a reader to get them, with the layouts and the newest header."""
    first = read_layout(file[:512])
    half = first["half"]
    found = {}
    newest = None
    for base, parity in ((64, 0), (half + 128, 1)):
        for place in range(half):
            read = read_sector(file[512 * (base + place) : 512 * (base + place) + 512])
            if read is None or read[0]["ring"] != first["ring"]:
                continue
            header, records = read
            assert header["seq"] % 2 == parity
            assert header["seq"] // 2 % half == place
            for seq, data in records.items():
                assert found.setdefault(seq, data) == data
            if newest is None or header["seq"] > newest["seq"]:
                newest = header
    oldest = max(1, newest["seq"] - 2 * half + 1)
    return {seq: data for seq, data in found.items() if seq >= oldest}, newest


@pytest.mark.parametrize("name", sorted(make_golden.golden()))
def test_the_firmware_still_writes_the_same_bytes(name):
    assert (GOLDEN / name).read_bytes() == make_golden.golden()[name]


def test_the_ring_read_by_the_document_alone():
    layouts = [read_layout(sector(0)), read_layout(sector(1))]
    assert [sector(128), sector(129)] == [sector(0), sector(1)]
    assert [len(layout["channels"]) for layout in layouts] == [3, 4]
    assert layouts[1]["channels"][3] == ("lux", "lx", 0, "adafruit_bh1750.BH1750")
    records, newest = read_ring(RING)
    expected = json.loads((GOLDEN / "ring_readings.json").read_text())
    assert sorted(records) == list(range(13, 141)) == sorted(map(int, expected))
    for seq, data in records.items():
        assert read_record(data, len(layouts[data[8]]["channels"])) == expected[str(seq)]
    assert (newest["seq"], newest["acked_to"], newest["run"]) == (140, 108, 1)
    # one is trashed: 133 lies in half 1, place 2
    assert sector(64 + 64 + 64 + 2) == b"\xff" * 512


def test_the_record_of_the_document():
    data = example("record")
    assert data == (GOLDEN / "record.bin").read_bytes()
    assert read_record(data, 4) == json.loads((GOLDEN / "ring_readings.json").read_text())["110"]


def test_the_layout_sector_of_the_document():
    data = example("layout")
    assert data == sector(0)
    layout = read_layout(data)
    assert (layout["node"], layout["stride"], layout["half"], layout["ring"]) == ("north-stack", 36, 64, 0x5EED1234)
    assert layout["eui"].hex() == "02a1b2fffec3d4e5"


def test_the_data_sector_of_the_document():
    data = example("sector")
    header, records = read_sector(data)
    assert data == sector(64 + 70 % 64)
    assert (header["seq"], header["count"], sorted(records)) == (140, 13, list(range(128, 141)))


def test_the_retained_memory_of_the_document():
    data = example("retained")
    assert data == RETAINED[:136]
    # every row of the table, read by its own offset and type
    rows = re.findall(r"^\| (\d+) \| (u8|u16|u32|i32|\d+ B) \| `(\w+)` \| .*\| (\S+) \|$", FORMATS, re.MULTILINE)
    assert len(rows) == 44
    codes = {"u8": "B", "u16": "H", "u32": "I", "i32": "i"}
    at = 0
    for offset, kind, field, value in rows:
        code = codes.get(kind) or kind.split()[0] + "s"
        assert int(offset) == at, field
        got = struct.unpack_from("<" + code, data, at)[0]
        at += struct.calcsize("<" + code)
        assert got == (bytes.fromhex(value) if code.endswith("s") else int(value, 0)), field
    assert at == 136
    assert struct.unpack_from("<I", data, 132)[0] == crc32(data[:132])


def test_the_held_readings_of_the_document():
    data = example("held")
    assert data == RETAINED[136:220]
    crc, ring_id, head, sent_to, count, stride, channels, zero = struct.unpack_from("<IIIIHHHH", data, 0)
    assert crc == crc32(data[4:])
    assert (ring_id, head, sent_to, count, stride, channels, zero) == (0x0A0B0C0D, 2, 0, 2, 30, 0xBEEF, 0)
    assert read_record(data[24:], 3)["values"] == [814, 7012, 3700]
    assert read_record(data[54:], 3)["values"] == [813, 7012, 3700]


def json_example(name):
    return json.loads(re.search(rf"```json {name}\n(.*?)```", FORMATS, re.DOTALL).group(1))


@pytest.mark.parametrize(("name", "seq", "channels"), [("pack", 110, 4), ("pack-without-time", 1, 3)])
def test_the_packs_of_the_document(name, seq, channels):
    time_s, uncertainty_s, run, _, flags, values, channel_flags = make_golden.reading(seq)
    shown = [channel[:3] for channel in [*make_golden.CHANNELS, make_golden.LIGHT][:channels]]
    known = uncertainty_s != 65535
    written = senml.pack(
        "urn:dev:mac:02a1b2fffec3d4e5_",
        time_s if known else None,
        seq,
        "5eed1234",
        uncertainty_s,
        shown,
        [None if value == record.ABSENT else value for value in values],
        channel_flags,
        None if known else run,
        None if known else time_s,
        flags,
    )
    text = re.search(rf"```json {name}\n(.*?)```", FORMATS, re.DOTALL).group(1)
    assert written.decode() == text.replace("\n", "")


def test_the_health_keys_of_the_document():
    section = FORMATS.split("## 12. Health")[1].split("## 13.")[0]
    diary = retained.Retained(bytearray(256))
    diary.count("tls")
    choice = SimpleNamespace(crc=1, problem=None)
    sent = json.loads(health.message(diary, None, (5, None), choice, "yard-office", -60, 3700, []))
    assert re.findall(r"^\| `(\w+)` \|", section, re.MULTILINE) == list(sent)
    assert sent["faults"] == {"tls": 1}
    assert sorted(sent["clock"]) == ["drift_ppb", "state", "uncertainty_s"]


def test_the_messages_of_the_document():
    diary = retained.Retained(bytearray(256))
    asked = messages.have(json.dumps(json_example("have")), "5eed1234", diary)
    assert (asked, diary.have_id) == ([(13, 20), (57, 57)], 17)
    assert messages.remote_settings(json.dumps(json_example("settings")), diary, lambda key, value: True)
    assert (diary.remote_sample_s, diary.remote_transmit_s, diary.remote_id) == (600, 3600, 2)


def test_the_nvm_slot_of_the_document():
    written = {}
    nvm = SimpleNamespace(slots=2, read=lambda index: written.get(index, b""), write=written.__setitem__)
    choice = last_good.choose((ROOT / "firmware" / "settings.toml").read_bytes(), nvm)
    ((_, image),) = written.items()
    magic, file_crc, generation, accepted, firmware, size = struct.unpack_from("<4sIIBBH", image, 0)
    assert (magic, file_crc, generation, accepted) == (b"tpSe", choice.crc, 0, 0)
    assert firmware == crc32(VERSION.encode()) & 0xFF
    assert json.loads(image[16 : 16 + size]) == choice.settings
    assert struct.unpack_from("<I", image, 16 + size)[0] == crc32(image[: 16 + size])
    assert len(image) == 20 + size
    last_good.accept(nvm, choice.crc)
    assert {struct.unpack_from("<IB", slot, 8) for slot in written.values()} >= {(1, 1)}
