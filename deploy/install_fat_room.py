"""Free space of a FAT volume, counted. Law: from the table of clusters itself, never from a hint beside it.

FAT12, FAT16 and FAT32 (Microsoft, FAT: General Overview of On-Disk Format, 1.03).
"""

from collections.abc import Callable
from struct import Struct

SECTOR = 512
_BPB = Struct("<HBHBHHBHHHIII")  # from byte 11: bytes a sector ... sectors a table of FAT32 at 36
_ROOT_ENTRY = 32
CLUSTERS_FAT16, CLUSTERS_FAT32 = 4085, 65525


def room(read: Callable[[int, int], bytes]) -> tuple[int, int]:
    """(free bytes, bytes of a cluster); read(sector, count) gives sectors of the volume."""
    (_, cluster_sectors, reserved, tables, roots, total16, _, fat16, _, _, _, total32, fat32) = _BPB.unpack_from(
        read(0, 1), 11
    )
    table_sectors = fat16 or fat32
    data = reserved + tables * table_sectors + -(-roots * _ROOT_ENTRY // SECTOR)
    clusters = ((total16 or total32) - data) // cluster_sectors
    table = read(reserved, table_sectors)
    size = cluster_sectors * SECTOR
    return sum(1 for entry in _entries(table, clusters) if not entry) * size, size


def _entries(table: bytes, clusters: int):
    """What the table says of each cluster, the first of which is number 2."""
    if clusters < CLUSTERS_FAT16:
        for number in range(2, clusters + 2):
            pair = int.from_bytes(table[number * 3 // 2 : number * 3 // 2 + 2], "little")
            yield pair >> 4 if number & 1 else pair & 0xFFF
    else:
        width = 4 if clusters >= CLUSTERS_FAT32 else 2
        for number in range(2, clusters + 2):
            yield int.from_bytes(table[number * width : number * width + width], "little") & 0x0FFFFFFF
