"""An image file, as FatFs wants a disk. Law: what was written is in the file, and after sync() on the medium."""

import errno
import os
from pathlib import Path

from deploy.install_target import TargetError

SECTOR = 512
MIB_MIN, MIB_MAX = 3, 1000


def fat():
    """The package that wraps FatFs. Raises TargetError where it is not installed."""
    try:
        from fatfs import wrapper
    except ImportError:
        raise TargetError("an image needs the package fatfs-ng: pip install 'torpor[install]'") from None
    return wrapper


class ImageDisk:
    """What FatFs asks of a disk; it never takes an exception well, so the file is checked before."""

    def __init__(self, path: Path):
        self._file = path.open("r+b")
        self._count = self._file.seek(0, os.SEEK_END) // SECTOR

    def ioctl_get_sector_count(self) -> int:
        return self._count

    def ioctl_get_sector_size(self) -> int:
        return SECTOR

    def ioctl_get_block_size(self) -> int:
        return 1

    def ioctl_sync(self) -> None:
        """FatFs asks for it after each operation; what has to be on the medium is said with sync()."""

    def ioctl_trim(self) -> None:
        """Nothing is gained by it in a file."""

    def read(self, sector: int, size: int) -> bytes:
        """size: in bytes."""
        return self._read(sector, size)

    def write(self, sector: int, size: int, data: bytes) -> None:
        self._file.seek(sector * SECTOR)
        self._file.write(data)

    def sectors(self, sector: int, count: int) -> bytes:
        return self._read(sector, count * SECTOR)

    def _read(self, sector: int, size: int) -> bytes:
        self._file.seek(sector * SECTOR)
        data = self._file.read(size)
        if len(data) < size:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return data

    def sync(self) -> None:
        self._file.flush()
        os.fsync(self._file.fileno())

    def close(self) -> None:
        self._file.close()


def make(path: Path, mib: int) -> None:
    """A new image with an empty FAT volume in it. Raises TargetError where there is a file already."""
    wrapper = fat()
    if not MIB_MIN <= mib <= MIB_MAX:
        raise TargetError(f"--new-image: must be a number of MiB from {MIB_MIN} to {MIB_MAX}")
    try:
        with path.open("xb") as file:
            file.truncate(mib << 20)
    except FileExistsError:
        raise TargetError(f"{path}: is there already, and --new-image makes no file anew") from None
    disk = ImageDisk(path)
    volume = wrapper.Partition(disk)
    try:
        if wrapper.pyf_mkfs(volume._adjust_path(""), n_fat=2, au_size=SECTOR if mib < 32 else 0) != wrapper.PY_FR_OK:
            raise TargetError(f"{path}: no FAT volume could be made in it")
        disk.sync()
    finally:
        # FatFs has numbers for ten volumes, and gets this one back so
        volume.unmount()
        disk.close()
