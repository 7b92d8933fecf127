"""One sector of anything. Law: node and desk both believe it or neither does, and only when it is whole.

The first byte of an input says whether the CRC is put right, because no fuzzer guesses one, and which slot it is.
"""

import struct
from pathlib import Path
from zlib import crc32

from torpor import record, ring, ring_layout

from hostsim import card_format

GOLDEN = Path(__file__).parents[1] / "golden" / "ring.bin"


class Blank:
    """A file of which only the size is asked."""

    sector_count = 320


def run_sector(data):
    first = data[0] if data else 0
    buffer = bytearray(data[1:513].ljust(512, b"\0"))
    if first & 1:
        struct.pack_into("<I", buffer, 508, crc32(buffer[:508]))
    whole = struct.unpack_from("<I", buffer, 508)[0] == crc32(buffer[:508])
    assert ring.crc_ok(buffer) == card_format.whole(buffer) == whole
    check_data(buffer, whole)
    check_layout(buffer, first >> 1, whole)


def check_data(buffer, whole):
    stride, ring_id, seq, acked_to = struct.unpack_from("<HIII", buffer, 6)
    card = Blank()
    this = ring.Ring(card, ring_id, stride, seq)
    believed = this.whole(buffer, seq)
    assert not believed or whole
    for other in (seq ^ 1, (seq + 64) & 0xFFFFFFFF):
        assert not this.whole(buffer, other)
    for stranger in (ring.Ring(card, ring_id ^ 1, stride, seq), ring.Ring(card, ring_id, stride ^ 2, seq)):
        assert not stranger.whole(buffer, seq)
    desk = card_format.data_sector(buffer)
    if stride >= 12:
        assert believed == (desk is not None)
    if desk is not None:
        assert desk[:4] == (ring_id, seq, acked_to, stride)
        channels = (stride - 12) // 6
        for index in range(desk[4]):
            at = 32 + index * stride
            mine, theirs = record.decode(buffer, at, channels), card_format.record(buffer, at, channels)
            assert mine[:5] == theirs[:5]
            assert (mine[5], mine[6]) == (list(theirs[5][0::2]), list(theirs[5][1::2]))


def check_layout(buffer, slot, whole):
    desk = card_format.layout_sector(buffer)
    assert desk is None or whole
    for asked in {slot, buffer[5]}:
        mine = ring_layout.decode(buffer, asked)
        if asked != buffer[5]:
            assert mine is None
        else:
            assert (mine is None) == (desk is None)
            assert mine is None or (buffer[5], *mine) == desk


def sector_seeds():
    golden = GOLDEN.read_bytes()
    places = (0, 1, 64, 65, 127, 128, 129, 192, 200, 255)
    sectors = [golden[512 * place : 512 * place + 512] for place in places]
    # cut behind the last record or name: what follows is zero
    short = [sector[:508].rstrip(b"\0") for sector in sectors]
    return [b"\x00" + sector for sector in sectors] + [b"\x01" + sector for sector in short]


WORDS = [b"tpRg\x01", b"tpLy\x01", b"\x34\x12\xed\x5e", b"\xff\xff", b"\x3c\x00", b"\xc3\x28"]
