"""The checksum of sectors and diary. Law: it is the CRC-32 that everybody else computes."""

import zlib
from binascii import crc32
from struct import unpack_from

import pytest
from torpor import ring


# Source: CRC catalogue entry CRC-32/ISO-HDLC (check value); the longer ones recomputed with an independent package.
@pytest.mark.parametrize(
    ("data", "value"),
    [
        (b"123456789", 0xCBF43926),
        (b"", 0),
        (b"a", 0xE8B7BE43),
        (b"The quick brown fox jumps over the lazy dog", 0x414FA339),
        (bytes(32), 0x190A55AD),
        (b"\xff" * 32, 0xFF6CAB0B),
    ],
)
def test_check_values(data, value):
    assert crc32(data) == value


def test_a_sealed_sector_has_it_over_its_first_508_bytes():
    sector = bytearray(range(256)) * 2
    ring.seal(sector)
    assert unpack_from("<I", sector, 508)[0] == zlib.crc32(bytes(sector[:508]))
    assert ring.crc_ok(sector)
    for place in (0, 255, 507, 508, 511):
        broken = bytearray(sector)
        broken[place] ^= 1
        assert not ring.crc_ok(broken)
