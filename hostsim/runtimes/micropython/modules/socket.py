"""socket, as the ESP32's. Law: without settimeout() a call may block until the watchdog bites.

To a simulated world the bytes go over the wire to the host. To a real broker there is a real socket, of the VM's own:
whether anything comes through, and how long it took, still says the world.
"""

from errno import EAGAIN, ETIMEDOUT

import _wire

AF_INET = 2
SOCK_STREAM, SOCK_DGRAM = 1, 2
FOR_EVER_MS = 0x7FFFFFFF


def getaddrinfo(host, port, af=0, type=0, proto=0, flags=0):  # noqa: A002 - the platform's names
    return [(AF_INET, SOCK_STREAM, 0, "", (_wire.fetch("net.resolve", 0, 0, host).decode(), port))]


class socket:  # noqa: N801
    def __init__(self, af=AF_INET, type=SOCK_STREAM, proto=0):  # noqa: A002
        self._kind = type
        self._id = _wire.call("net.socket", type)
        self._timeout_ms = FOR_EVER_MS
        self.real = None
        # what carries the bytes of a real connection: the real socket, or TLS over it
        self.top = None

    def settimeout(self, seconds):
        self._timeout_ms = FOR_EVER_MS if seconds is None else int(seconds * 1000)

    def setblocking(self, flag):
        self._timeout_ms = FOR_EVER_MS if flag else 0

    def setsockopt(self, level, optname, value):
        if self.real is not None:
            self.real.setsockopt(level, optname, value)

    def connect(self, address):
        found = _wire.fetch("net.connect", self._id, self._timeout_ms, "{} {}".format(*address))
        if found:
            self._connect_really(*found.decode().split(" "))

    def _connect_really(self, host, port, wall_ms):
        import usocket

        self.real = self.top = usocket.socket()
        self.real.settimeout(int(wall_ms) / 1000)
        self.real.connect(usocket.getaddrinfo(host, int(port))[0][-1])

    def send(self, data):
        if self.real is None:
            return _wire.call("net.send", self._id, self._timeout_ms, data)
        wall_ms = _wire.call("net.may_send", self._id, self._timeout_ms, b"%d" % len(data))
        if not wall_ms:
            # it goes out, and nobody will ever see it
            return len(data)
        self.real.settimeout(wall_ms / 1000)
        return self.top.write(data)

    def write(self, data):
        view = memoryview(data)
        done = 0
        while done < len(view):
            done += self.send(view[done:])
        return done

    def recv(self, count):
        buffer = bytearray(count)
        return bytes(buffer[: self._some(buffer) or 0])

    def readinto(self, buffer):
        """Blocks until the buffer is full; None where it does not block and there is nothing."""
        view = memoryview(buffer)
        done = 0
        while done < len(view):
            count = self._some(view[done:])
            if not count:
                return done or count
            done += count
        return done

    def _some(self, buffer):
        if self.real is not None:
            return self._receive_really(buffer)
        try:
            data = _wire.fetch("net.recv", self._id, self._timeout_ms, b"%d" % len(buffer))
        except OSError as error:
            if error.args[0] == EAGAIN:
                return None
            raise
        buffer[: len(data)] = data
        return len(data)

    def _receive_really(self, buffer):
        wall_ms = _wire.call("net.may_receive", self._id, self._timeout_ms)
        if not wall_ms:
            self.real.setblocking(False)
            return self.top.readinto(buffer)
        self.real.settimeout(wall_ms / 1000)
        timed_out = 0
        try:
            return self.top.readinto(buffer)
        except OSError as error:
            timed_out = int(error.args[0] == ETIMEDOUT)
            raise
        finally:
            _wire.call("net.received", self._id, self._timeout_ms, b"%d" % timed_out)

    def close(self):
        if self.top is not None:
            self.top.close()
            self.real.close()
        _wire.call("net.close", self._id)
