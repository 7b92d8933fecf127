"""The storing process beside the receiving one. Law: one answer for each batch, in order; none is half in the store.

Receiving and storing cost about the same, and Python does one thing at a time in a process. The other process is ours
alone: it is spoken to over its standard input and output, ends when they do, and hears of nothing else. Run as a
module it is that process.
"""

import os
import pickle
import select
import signal
import subprocess
import sys
from struct import Struct

from deploy.store import StoreAway, StoreError, open_store

_LENGTH = Struct("<I")
START_S = 30.0
END_S = 60.0


def _send(stream, value) -> None:
    data = pickle.dumps(value, pickle.HIGHEST_PROTOCOL)
    stream.write(_LENGTH.pack(len(data)) + data)
    stream.flush()


def _receive(stream):
    """The next value; EOFError when there is no other side any more."""
    head = stream.read(_LENGTH.size)
    data = stream.read(_LENGTH.unpack(head)[0]) if len(head) == _LENGTH.size else b""
    if not data:
        raise EOFError
    return pickle.loads(data)


class Beside:
    """A Keeper in a process of its own; batches are handed over one by one, and answered in their order.

    store: as for open_store; the first answer says whether it could be opened. Raises StoreAway and StoreError.
    """

    def __init__(self, store: str):
        # the paths of this process, and not the folder that somebody happens to stand in
        paths = os.pathsep.join(path for path in sys.path if path)
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-m", __name__],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env={**os.environ, "PYTHONPATH": paths},
        )
        self.waiting = 0
        try:
            self._give(store)
            self.answer()
        except BaseException:
            self.close()
            raise

    def _give(self, value) -> None:
        try:
            _send(self._process.stdin, value)
        except OSError:
            raise StoreAway("the storing process has ended") from None
        self.waiting += 1

    def keep(self, messages: list[tuple[str, bytes]], now_s: int) -> None:
        """Hand over a batch; answer() says what became of it."""
        self._give((messages, now_s))

    def ready(self) -> bool:
        """Whether answer() has one without waiting."""
        return bool(select.select([self._process.stdout], [], [], 0)[0])

    def answer(self):
        """What became of the oldest batch that waits (collect_batch.Kept). Waits for it."""
        self.waiting -= 1
        try:
            kind, value = _receive(self._process.stdout)
        except (EOFError, OSError):
            self.waiting = 0
            raise StoreAway("the storing process has ended") from None
        if kind == "away":
            raise StoreAway(value)
        if kind == "error":
            raise StoreError(value)
        return value

    def settle(self) -> list:
        """The answers that are still out, of a session that is over: those batches will come again."""
        found = []
        while self.waiting > 0:
            try:
                found.append(self.answer())
            except StoreAway:
                pass  # not stored, and not acknowledged either
        return found

    def alive(self) -> bool:
        return self._process.poll() is None

    def close(self) -> None:
        """Let it finish what it does."""
        for stream in (self._process.stdin, self._process.stdout):
            try:
                stream.close()
            except OSError:
                pass  # it has ended
        try:
            self._process.wait(END_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()


def main() -> None:
    """Store what comes over standard input until it ends."""
    # the one who reads the terminal decides when it is over
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.SIG_IGN)
    requests, answers = sys.stdin.buffer, os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # a stray print must not become an answer
    keeper = None
    try:
        while True:
            request = _receive(requests)
            try:
                if keeper is None:
                    from deploy.collect_batch import Keeper, without_collections

                    keeper = Keeper(open_store(request))
                    turn = without_collections()
                    _send(answers, ("kept", None))
                    continue
                kept = keeper.keep(*request)
                turn()
                _send(answers, ("kept", kept))
            except StoreAway as error:
                _send(answers, ("away", str(error)))
            except StoreError as error:
                _send(answers, ("error", str(error)))
    except (EOFError, OSError):
        pass


if __name__ == "__main__":
    main()
