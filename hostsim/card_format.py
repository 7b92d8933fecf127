"""What lies on a card, read from docs/formats.md. Law: nothing here was taken from the node's own reader or writer.

Sectors of 512 bytes, little endian, CRC-32 (zlib's) of bytes 0 to 507 at 508.
"""

from struct import Struct
from zlib import crc32

SECTOR = 512
LAYOUT_SECTORS = 64
GAP_SECTORS = 64
ABSENT = -(2**31)
WINDOW_MAX = (508 - 32) // 12  # records that a sector has room for, at most

_DATA = Struct("<4sBBHIII")
_LAYOUT = Struct("<4sBBHIIBB8s")
_ANCHOR = Struct("<HI")
_CRC = Struct("<I")
_RECORDS: dict[int, Struct] = {}


def half_of(sector_count: int) -> int:
    """Data sectors in each half of a ring file."""
    return (sector_count - GAP_SECTORS) // 2 - LAYOUT_SECTORS


def place_of(seq: int, half: int) -> int:
    """The sector in which reading `seq` lies."""
    return LAYOUT_SECTORS + (LAYOUT_SECTORS + half if seq % 2 else 0) + seq // 2 % half


def whole(data) -> bool:
    return len(data) == SECTOR and _CRC.unpack_from(data, 508)[0] == crc32(data[:508])


def data_sector(data):
    """(ring_id, seq, acked_to, stride, count) of a whole data sector, else None. Its records begin at byte 32."""
    magic, version, count, stride, ring_id, seq, acked_to = _DATA.unpack_from(data)
    if magic != b"tpRg" or version != 1 or not whole(data) or count < 1 or stride < 12 or 32 + count * stride > 508:
        return None
    return ring_id, seq, acked_to, stride, count


def dated_run(data) -> int | None:
    """The run of a data sector that says when it began; None where it does not."""
    run, run_epoch_s = _ANCHOR.unpack_from(data, 20)
    return run if run_epoch_s else None


def layout_sector(data):
    """(slot, stride, ring_id, half, eui, node, channels) of a whole layout sector, else None.

    channels: (name, unit, exponent, sensor) each.
    """
    magic, version, slot, stride, ring_id, half, count, _, eui = _LAYOUT.unpack_from(data, 0)
    if magic != b"tpLy" or version != 1 or not whole(data):
        return None
    try:
        node, channels = _texts(data, count)
    except (IndexError, UnicodeDecodeError):
        return None
    return slot, stride, ring_id, half, eui, node, channels


def _texts(data, count: int):
    at = _LAYOUT.size
    texts = []
    exponents = []
    node_length = data[at]
    node = bytes(data[at + 1 : at + 1 + node_length]).decode()
    at += 1 + node_length
    for _ in range(count):
        for _ in range(3):
            length = data[at]
            texts.append(bytes(data[at + 1 : at + 1 + length]).decode())
            at += 1 + length
        exponents.append(data[at] - 256 if data[at] > 127 else data[at])
        at += 1
    channels = [(texts[3 * i], texts[3 * i + 1], exponents[i], texts[3 * i + 2]) for i in range(count)]
    return node, channels


def record(data, at: int, channels: int):
    """(time_s, uncertainty_s, run, layout, flags, (value, flags, value, flags ...)) of the record at byte `at`."""
    form = _RECORDS.get(channels)
    if form is None:
        form = _RECORDS[channels] = Struct("<IHHBBH" + "iH" * channels)
    fields = form.unpack_from(data, at)
    return fields[0], fields[1], fields[2], fields[3], fields[5], fields[6:]
