"""A FAT volume in an image file, written by the file system that boards have. Law: nothing stays in this process.

FatFs (the package fatfs-ng) does the file operations; before a file is verified the image is opened and mounted anew.
"""

import errno
import hashlib
import os
from pathlib import Path

from deploy.install_fat_room import room
from deploy.install_image_disk import ImageDisk, fat
from deploy.install_target import TargetError

_CHUNK = 4096


class Image:
    """path: the image file; disk: in the place of ImageDisk. Raises TargetError: no volume, or no fatfs-ng."""

    proof = "after fsync, from the image opened and mounted anew"
    mpy = None

    def __init__(self, path: Path, disk=None):
        self.where = str(path)
        self._path = path
        self._fat = fat()
        self._make = disk or ImageDisk
        self._open()

    def _open(self) -> None:
        self._disk = self._make(self._path)
        self._volume = self._fat.Partition(self._disk)
        try:
            self._volume.mount()
        except Exception as error:
            self.close()
            raise TargetError(f"{self.where}: holds no FAT volume that begins with its first sector") from error

    def _check(self, result: int) -> None:
        if result != self._fat.PY_FR_OK:
            known = {
                self._fat.PY_FR_NO_FILE: errno.ENOENT,
                self._fat.PY_FR_NO_PATH: errno.ENOENT,
                self._fat.PY_FR_EXIST: errno.EEXIST,
                # the package reports a full volume and a folder with files in it alike
                self._fat.PY_FR_DENIED: errno.ENOSPC,
                self._fat.PY_FR_WRITE_PROTECTED: errno.EROFS,
            }
            number = known.get(result, errno.EIO)
            raise OSError(number, os.strerror(number))

    def _at(self, path: str) -> str:
        return self._volume._adjust_path("/" + path)

    def _info(self, path: str):
        if not path:
            return True, 0
        info = self._fat.FILINFO_Handle()
        result = self._fat.pyf_stat(self._at(path), info)
        if result in (self._fat.PY_FR_NO_FILE, self._fat.PY_FR_NO_PATH):
            return None
        self._check(result)
        return info.is_directory(), info.get_size()

    def names(self, folder: str) -> dict[str, bool] | None:
        if self._info(folder) is None:
            return None
        handle, info, found = self._fat.DIR_Handle(), self._fat.FILINFO_Handle(), {}
        self._check(self._fat.pyf_opendir(handle, self._at(folder)))
        try:
            while True:
                self._check(self._fat.pyf_readdir(handle, info))
                try:
                    name = info.get_name()
                except UnicodeDecodeError:
                    continue
                if not name:
                    return found
                found[name] = info.is_directory()
        finally:
            self._fat.pyf_closedir(handle)

    def read(self, path: str) -> bytes | None:
        info = self._info(path)
        if info is None or info[0]:
            return None
        handle, data, left = self._fat.FIL_Handle(), b"", info[1]
        self._check(self._fat.pyf_open(handle, self._at(path), self._fat.PY_FA_READ))
        try:
            while left > 0:
                result, more = self._fat.pyf_read(handle, min(left, _CHUNK))
                self._check(result)
                if not more:
                    break
                data += more
                left -= len(more)
        finally:
            self._fat.pyf_close(handle)
        return data

    def _put(self, path: str, data: bytes, mode: int) -> None:
        handle = self._fat.FIL_Handle()
        self._check(self._fat.pyf_open(handle, self._at(path), self._fat.PY_FA_WRITE | mode))
        try:
            for begin in range(0, len(data), _CHUNK):
                chunk = data[begin : begin + _CHUNK]
                result, count = self._fat.pyf_write(handle, chunk)
                self._check(result)
                if count < len(chunk):
                    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        finally:
            result = self._fat.pyf_close(handle)
        self._check(result)

    def create(self, path: str, data: bytes) -> None:
        self._put(path, data, self._fat.PY_FA_CREATE_ALWAYS)

    def overwrite(self, path: str, data: bytes) -> None:
        self._put(path, data, self._fat.PY_FA_OPEN_EXISTING)

    def move(self, old: str, new: str) -> None:
        if self._info(new) is not None:
            self.remove(new)
        self._check(self._fat.pyf_rename(self._at(old), self._at(new)))

    def remove(self, path: str) -> None:
        self._check(self._fat.pyf_unlink(self._at(path)))

    remove_folder = remove

    def make_folder(self, path: str) -> None:
        if self._info(path) is None:
            self._check(self._fat.pyf_mkdir(self._at(path)))

    def sync(self) -> None:
        self._disk.sync()

    def digest(self, path: str) -> str | None:
        data = self.read(path)
        return None if data is None else hashlib.sha256(data).hexdigest()

    def fresh(self) -> None:
        self.close()
        self._open()

    def room(self) -> tuple[int, int]:
        return room(self._disk.sectors)

    def close(self) -> None:
        self._volume.unmount()
        self._disk.close()
