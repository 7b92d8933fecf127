"""socketpool and ssl of CircuitPython. Law: without a time-out a call blocks for ever; with one it ends in ETIMEDOUT.

Streams and datagrams are those of hostsim.runtimes.links, in the platform's words. Name look-ups take no time-out.
"""

import base64
import errno
import re

from hostsim.runtimes.circuitpython.clocks import clock_s
from hostsim.runtimes.circuitpython.machine import CERTIFICATE_REFUSED, Machine

FOR_EVER_MS = 1 << 40
NAME_MS_MAX = 20000
SOCKETS_MAX = 4
NO_NAME = -2
# a certificate is not valid for a clock that is further off
CLOCK_OFF_S_MAX = 86400
PEM = re.compile(r"-----BEGIN CERTIFICATE-----\s+([A-Za-z0-9+/=\s]+)-----END CERTIFICATE-----")


class Socket:
    """A stream or datagram socket; not connected until connect(), or the first sendto()."""

    def __init__(self, machine: Machine, kind: int, opened: set):
        self._machine = machine
        self._kind = kind
        self._opened = opened
        self._opened.add(self)
        self._inner = None
        self._timeout_ms = FOR_EVER_MS
        self.secured = None  # (host, trusted PEM) under TLS

    def settimeout(self, seconds) -> None:
        self._timeout_ms = FOR_EVER_MS if seconds is None else int(seconds * 1000)

    def setsockopt(self, level, name, value) -> None:
        pass

    def connect(self, address) -> None:
        machine = self._machine
        machine.dialling.secured = self.secured
        tls = None
        if self.secured is not None:
            host, trusted = self.secured
            tls = {"host": host, "ca": trusted}
        self._inner = self._limited(machine.links.open_stream, address[0], address[1], tls)
        if tls is not None and not self._certificate_holds():
            self.close()
            raise OSError(CERTIFICATE_REFUSED, "MBEDTLS_ERR_X509_CERT_VERIFY_FAILED")

    def _certificate_holds(self) -> bool:
        machine = self._machine
        in_time = abs(clock_s(machine) - machine.true_s()) <= CLOCK_OFF_S_MAX
        return in_time and self.secured[1] is not None

    def _limited(self, call, *arguments):
        """The call with this socket's time-out as its deadline; without one it may block for ever."""
        try:
            return self._machine.link_call(call, *arguments, self._timeout_ms)
        except OSError as error:
            if error.args[0] == errno.ETIMEDOUT and self._timeout_ms == FOR_EVER_MS:
                self._machine.hang()
            raise

    def _open(self):
        if self._inner is None:
            raise OSError(errno.ENOTCONN)
        return self._inner

    def send(self, data) -> int:
        return self._limited(self._open().send, data)

    def sendto(self, data, address) -> int:
        if self._inner is None:
            self._inner = self._limited(self._machine.links.open_datagram, *address)
        return self._limited(self._inner.send, data)

    def recv_into(self, buffer, bufsize=0) -> int:
        return self._limited(self._open().recv_into, memoryview(buffer)[: bufsize or len(buffer)])

    def close(self) -> None:
        self._opened.discard(self)
        if self._inner is not None:
            self._inner.close()
            self._inner = None


class SocketPool:
    AF_INET, SOCK_STREAM, SOCK_DGRAM = 2, 1, 2
    IPPROTO_TCP, TCP_NODELAY = 6, 1

    class gaierror(OSError):  # noqa: N801 - the platform's name
        pass

    def __init__(self, machine: Machine, radio):
        self._machine = machine
        self._opened: set[Socket] = set()

    def socket(self, family=2, type=1, proto=0) -> Socket:  # noqa: A002
        if len(self._opened) >= SOCKETS_MAX:
            raise RuntimeError("Out of sockets")
        return Socket(self._machine, type, self._opened)

    def getaddrinfo(self, host, port, family=0, type=0, proto=0, flags=0):  # noqa: A002
        try:
            address = self._machine.link_call(self._machine.links.resolve, host, NAME_MS_MAX)
        except OSError:
            raise self.gaierror(NO_NAME, "Name or service not known") from None
        return [(self.AF_INET, self.SOCK_STREAM, 0, "", (address, port))]


class SslContext:
    check_hostname = True

    def __init__(self):
        self._trusted = None

    def load_verify_locations(self, cafile=None, cadata=None) -> None:
        if cafile is not None:
            raise NotImplementedError
        found = PEM.search(cadata)
        if found is None:
            raise ValueError("Invalid CA")
        base64.b64decode(found[1])
        self._trusted = cadata

    def wrap_socket(self, sock, *, server_side=False, server_hostname=None) -> Socket:
        # without a name nothing could be checked, and this context does check
        sock.secured = (server_hostname or "", self._trusted)
        return sock
