"""A board's drive, mounted as a folder. Law: what is verified was dropped from this computer's cache first.

fsync hands each file to the medium; posix_fadvise(DONTNEED) makes the next read come from it. Where a system has no
such call, or does not obey, only a look at the drive after it was plugged in again proves more (docs/install.md).
"""

import errno
import hashlib
import os
from pathlib import Path

from deploy.install_target import TargetError

_CAN_FORGET = hasattr(os, "posix_fadvise")


class Folder:
    """root: where the drive is mounted. Raises TargetError where there is no folder that can be written."""

    proof = "after fsync, read again past this computer's cache" if _CAN_FORGET else "after fsync, read again"
    mpy = None

    def __init__(self, root: Path):
        self.where = str(root)
        self._root = root
        if not root.is_dir():
            raise TargetError(f"{root}: is not a folder: name the place where the board's drive is mounted")
        if not os.access(root, os.W_OK):
            raise OSError(errno.EROFS, os.strerror(errno.EROFS))
        if hasattr(os, "statvfs") and os.statvfs(root).f_flag & os.ST_RDONLY:
            raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    def names(self, folder: str) -> dict[str, bool] | None:
        path = self._root / folder
        # a folder that is gone has no names; a drive that is gone is an error
        if not path.is_dir() and self._root.is_dir():
            return None
        return {entry.name: entry.is_dir(follow_symlinks=False) for entry in os.scandir(path)}

    def read(self, path: str) -> bytes | None:
        try:
            return (self._root / path).read_bytes()
        except (FileNotFoundError, IsADirectoryError, NotADirectoryError):
            return None

    def _put(self, path: str, data: bytes, mode: str) -> None:
        with open(self._root / path, mode) as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())

    def create(self, path: str, data: bytes) -> None:
        self._put(path, data, "wb")

    def overwrite(self, path: str, data: bytes) -> None:
        self._put(path, data, "r+b")

    def move(self, old: str, new: str) -> None:
        (self._root / old).replace(self._root / new)

    def remove(self, path: str) -> None:
        (self._root / path).unlink()

    def make_folder(self, path: str) -> None:
        (self._root / path).mkdir(exist_ok=True)

    def remove_folder(self, path: str) -> None:
        (self._root / path).rmdir()

    def sync(self) -> None:
        if not hasattr(os, "sync"):
            return
        # a folder's own entries; os.sync() alone returns before they are written on some systems
        folder = os.open(self._root, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
        os.sync()

    def fresh(self) -> None:
        """digest() drops each file from the cache by itself."""

    def digest(self, path: str) -> str | None:
        try:
            with open(self._root / path, "rb") as file:
                if _CAN_FORGET:
                    os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
                return hashlib.file_digest(file, "sha256").hexdigest()
        except (FileNotFoundError, IsADirectoryError, NotADirectoryError):
            return None

    def room(self) -> tuple[int, int]:
        if not hasattr(os, "statvfs"):
            import shutil

            return shutil.disk_usage(self._root).free, 4096
        found = os.statvfs(self._root)
        return found.f_bavail * found.f_frsize, found.f_frsize

    def close(self) -> None:
        """Nothing is held open."""
