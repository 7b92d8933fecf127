"""A MicroPython board on a serial port, through mpremote. Law: the board itself says what is on it, and hashes it.

mpremote interrupts what runs and talks to the interpreter; a watchdog that the firmware had started is given its
longest time, and fed.
"""

import contextlib
import errno
import io
import os
import struct
import time

from deploy.install_target import FOR_MICROPYTHON, TargetError

BAUD = 115200
QUIET_S = 5.0  # how long a byte may take to come
_CHUNK = 256
_ABOUT = "__import__('sys').implementation"
# the longest that the ESP32 takes here, and that the RP2040 does
_FEED = """
import sys, os
try:
    w
except NameError:
    w = None
    if 'torpor.boards.mp_power' in sys.modules:
        from machine import WDT
        for ms in (600000, 8388):
            try:
                w = WDT(timeout=ms)
                break
            except ValueError:
                pass
if w:
    w.feed()
"""
_ROOM = "(lambda s: (s[1] * s[3], s[1]))(os.statvfs('/'))"


class Serial:
    """port: as mpremote names it; wait_s: for a board that sleeps, or waits for its reset. Raises TargetError."""

    proof = "hashed by the board, after each file was closed there"

    def __init__(self, port: str, wait_s: float):
        self.where = port
        try:
            from mpremote import transport, transport_serial
        except ImportError:
            raise TargetError("--serial needs mpremote: pip install 'torpor[install]'") from None
        self._errors = (transport.TransportError, struct.error, OSError)
        self._refused = transport.TransportExecError
        self._link = self._connected(transport_serial.SerialTransport, wait_s)
        found = self._ask(f"({_ABOUT}.name, getattr({_ABOUT}, '_mpy', 0), getattr({_ABOUT}, '_machine', ''))")
        if found[0] != FOR_MICROPYTHON:
            raise TargetError(
                f"{port}: {found[0]} answers, not MicroPython: a CircuitPython board gets --to its drive"
            )
        self.mpy = found[1] or None
        version = self._ask(f"'.'.join([str(part) for part in {_ABOUT}.version[:3]])")
        self.board = f"MicroPython {version} on {found[2]}"

    def _connected(self, transport, wait_s: float):
        limit = time.monotonic() + wait_s
        while True:
            try:
                return self._raw(transport)
            except self._errors as error:
                if time.monotonic() >= limit:
                    raise TargetError(
                        f"{self.where}: no MicroPython answers ({_line(error)}): plug the board in, press its reset,"
                        " and run this again at once; --wait gives more time; close what else uses the port"
                    ) from None
                time.sleep(0.5)

    def _raw(self, transport):
        # mpremote prints what it does not understand
        with contextlib.redirect_stdout(io.StringIO()):
            link = transport(self.where, baudrate=BAUD, timeout=QUIET_S)
            try:
                link.enter_raw_repl(soft_reset=False)
            except self._errors:
                link.close()
                raise
        return link

    def _do(self, call, *words):
        """What a call of mpremote's gives; the errors of the board's files as they are, others as a board gone."""
        try:
            with contextlib.redirect_stdout(io.StringIO()):
                self._link.exec(_FEED)
                return call(*words)
        except self._refused as error:
            raise _os_error(error) from None
        except OSError as error:
            # of a file on the board; what the port itself raises is a class of pyserial's
            if type(error).__module__ == "builtins" and error.errno:
                raise OSError(error.errno, os.strerror(error.errno)) from None
            raise OSError(errno.EIO, f"the board does not answer any more ({_line(error)})") from None
        except self._errors as error:
            raise OSError(errno.EIO, f"the board does not answer any more ({_line(error)})") from None

    def _ask(self, expression: str):
        return self._do(self._link.eval, expression)

    def names(self, folder: str) -> dict[str, bool] | None:
        try:
            found = self._do(self._link.fs_listdir, "/" + folder)
        except OSError as error:
            if error.errno in (errno.ENOENT, errno.ENOTDIR, errno.EINVAL):
                return None
            raise
        return {entry.name: bool(entry.st_mode & 0x4000) for entry in found}

    def read(self, path: str) -> bytes | None:
        try:
            return bytes(self._do(self._link.fs_readfile, "/" + path, _CHUNK))
        except OSError as error:
            if error.errno in (errno.ENOENT, errno.EISDIR):
                return None
            raise

    def create(self, path: str, data: bytes) -> None:
        self._put(path, data, "wb")

    def overwrite(self, path: str, data: bytes) -> None:
        self._put(path, data, "r+b")

    def _put(self, path: str, data: bytes, mode: str) -> None:
        self._do(self._link.exec, f"f = open({'/' + path!r}, {mode!r})")
        for begin in range(0, len(data), _CHUNK):
            self._do(self._link.exec, f"n = f.write({data[begin : begin + _CHUNK]!r})")
        self._do(self._link.exec, "f.close()")

    def move(self, old: str, new: str) -> None:
        # littlefs replaces a file at once; FAT refuses, and the old one has to go first
        text = (
            f"try:\n os.rename({'/' + old!r}, {'/' + new!r})\n"
            f"except OSError:\n os.remove({'/' + new!r})\n os.rename({'/' + old!r}, {'/' + new!r})"
        )
        self._do(self._link.exec, text)

    def remove(self, path: str) -> None:
        self._do(self._link.fs_rmfile, "/" + path)

    def make_folder(self, path: str) -> None:
        try:
            self._do(self._link.fs_mkdir, "/" + path)
        except OSError as error:
            if error.errno != errno.EEXIST:
                raise

    def remove_folder(self, path: str) -> None:
        self._do(self._link.fs_rmdir, "/" + path)

    def sync(self) -> None:
        """Files are on the board's flash when they are closed; where it has a cache it says so."""
        self._do(self._link.exec, "if hasattr(os, 'sync'): os.sync()")

    def fresh(self) -> None:
        """The board has no cache that outlives a closed file."""

    def digest(self, path: str) -> str | None:
        try:
            return self._do(self._link.fs_hashfile, "/" + path, "sha256").hex()
        except OSError as error:
            if error.errno in (errno.ENOENT, errno.EISDIR):
                return None
            raise

    def room(self) -> tuple[int, int]:
        return self._ask(_ROOM)

    def close(self) -> None:
        """The board starts anew, with what it now has."""
        with contextlib.suppress(*self._errors), contextlib.redirect_stdout(io.StringIO()):
            try:
                self._link.exec_raw_no_follow("import machine\nmachine.reset()")
                time.sleep(0.1)
            finally:
                self._link.close()


def _line(error: BaseException) -> str:
    return str(error).strip().splitlines()[-1] if str(error).strip() else type(error).__name__


def _os_error(error) -> OSError:
    """What the board raised, as this computer has it; its numbers are the same where its words are not."""
    last = _line(error)
    words = last.replace("[", " ").replace("]", " ").replace(":", " ").split()
    for name, number in [(name, number) for number, name in errno.errorcode.items()]:
        if name in words or words[:1] == ["OSError"] and str(number) in words:
            return OSError(number, os.strerror(number))
    return OSError(errno.EIO, f"the board says {last}")
