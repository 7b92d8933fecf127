"""Where the files of a FAT volume lie. Law: read from the medium alone, with no code of whoever wrote it.

FAT16 and FAT32, with or without a partition table (Microsoft, FAT: General Overview of On-Disk Format, 1.03; long
names: the same, "FAT Long Directory Entries"). Only files in the root are found.
"""

from collections.abc import Callable
from dataclasses import dataclass
from struct import Struct

SECTOR = 512
_ENTRY = 32
_BPB = Struct("<HBHBHHBHHHIII")  # from byte 11: bytes a sector ... sectors a FAT of FAT32 at 36
_PARTITION_AT = 446
_LONG_NAME = 0x0F
_FOLDER_OR_LABEL = 0x18
_FREE = 0xE5
_LOW_CASE_NAME, _LOW_CASE_END = 0x08, 0x10
# below so many clusters it is a FAT16, below the first number a FAT12
CLUSTERS_FAT16, CLUSTERS_FAT32 = 4085, 65525


class NotFat(ValueError):
    """There is no FAT16 or FAT32 volume here, or its chains do not end."""


@dataclass(frozen=True)
class File:
    """A file in the root. first: its first cluster, 0 while it has none."""

    name: str
    size: int
    first: int


class Volume:
    """read(sector) gives the 512 bytes of a sector of the medium. Raises NotFat.

    fats: the sectors of its tables, with an entry of `entry_bytes` for each cluster; data: where the clusters begin.
    """

    def __init__(self, read: Callable[[int], bytes]):
        self._read = read
        self._last = (-1, b"")  # the sector of the FAT read last: chains mostly stay in one
        boot = read(0)
        self._begin = 0
        if not _is_boot(boot):
            self._begin = int.from_bytes(boot[_PARTITION_AT + 8 : _PARTITION_AT + 12], "little")
            boot = read(self._begin) if self._begin else b""
            if not _is_boot(boot):
                raise NotFat("neither a volume nor a partition that holds one")
        (_, self.cluster_sectors, reserved, fats, roots, total16, _, fat16, _, _, _, total32, fat32) = (
            _BPB.unpack_from(boot, 11)
        )
        self._fat = self._begin + reserved
        self._root = self._fat + fats * (fat16 or fat32)
        self.fats = range(self._fat, self._root)
        self._root_sectors = -(-roots * _ENTRY // SECTOR)
        self.data = self._root + self._root_sectors
        self.clusters = (self._begin + (total16 or total32) - self.data) // self.cluster_sectors
        if self.clusters < CLUSTERS_FAT16:
            raise NotFat("a FAT12")
        self._wide = self.clusters >= CLUSTERS_FAT32
        self.entry_bytes = 4 if self._wide else 2
        self._root_cluster = int.from_bytes(boot[44:48], "little") if self._wide else 0

    def _sector_of(self, cluster: int) -> int:
        return self.data + (cluster - 2) * self.cluster_sectors

    def _next(self, cluster: int) -> int:
        width = self.entry_bytes
        at = cluster * width
        sector = self._fat + at // SECTOR
        if self._last[0] != sector:
            self._last = (sector, self._read(sector))
        return int.from_bytes(self._last[1][at % SECTOR : at % SECTOR + width], "little") & 0x0FFFFFFF

    def extents(self, file: File) -> list[tuple[int, int]]:
        """[(first sector, sectors)] of a file, in order, as far as its size reaches. Raises NotFat."""
        return self._chain(file.first, -(-file.size // SECTOR))

    def _chain(self, cluster: int, sectors: int) -> list[tuple[int, int]]:
        found: list[tuple[int, int]] = []
        while sectors > 0:
            if not 2 <= cluster < self.clusters + 2:
                raise NotFat(f"a chain leads to cluster {cluster}")
            begin, count = self._sector_of(cluster), min(sectors, self.cluster_sectors)
            if found and sum(found[-1]) == begin:
                found[-1] = (found[-1][0], found[-1][1] + count)
            else:
                found.append((begin, count))
            sectors -= count
            cluster = self._next(cluster) if sectors else 0
        return found

    def _root_entries(self):
        if self._wide:
            cluster = self._root_cluster
            for _ in range(self.clusters):
                if not 2 <= cluster < self.clusters + 2:
                    return
                yield from self._entries(self._sector_of(cluster), self.cluster_sectors)
                cluster = self._next(cluster)
            raise NotFat("the root does not end")
        yield from self._entries(self._root, self._root_sectors)

    def _entries(self, begin: int, count: int):
        for sector in range(begin, begin + count):
            data = self._read(sector)
            for at in range(0, SECTOR, _ENTRY):
                yield data[at : at + _ENTRY]

    def files(self) -> list[File]:
        """The files in the root, by their long names where they have one. Raises NotFat."""
        found = []
        parts: dict[int, bytes] = {}
        for entry in self._root_entries():
            if entry[0] == 0:
                break
            if entry[11] == _LONG_NAME and entry[0] != _FREE:
                parts[entry[0] & 0x3F] = entry[1:11] + entry[14:26] + entry[28:32]
                continue
            if entry[0] != _FREE and not entry[11] & _FOLDER_OR_LABEL:
                first = int.from_bytes(entry[26:28], "little") | int.from_bytes(entry[20:22], "little") << 16
                found.append(File(_name(entry, parts), int.from_bytes(entry[28:32], "little"), first))
            parts = {}
        return found


def _is_boot(data: bytes) -> bool:
    return len(data) == SECTOR and data[0] in (0xEB, 0xE9) and data[11:13] == b"\x00\x02" and data[13] > 0


def _name(entry: bytes, parts: dict[int, bytes]) -> str:
    if parts:
        text = b"".join(parts[number] for number in sorted(parts)).decode("utf-16-le", "replace")
        return text.partition("\0")[0]
    name = entry[:8].decode("latin-1").rstrip()
    end = entry[8:11].decode("latin-1").rstrip()
    name = name.lower() if entry[12] & _LOW_CASE_NAME else name
    end = end.lower() if entry[12] & _LOW_CASE_END else end
    return f"{name}.{end}" if end else name
