"""socket and ssl on the world's links. Law: bytes come as late as the joined network lets them, or never.

With a real broker the VM opens a socket of its own and does its own handshake: `may_...` says whether anything comes
through and how long to wait in wall time, `received` charges for it.
"""

import errno
import json
import re

from torpor.errors import LinkError

from hostsim.runtimes import sockets
from hostsim.runtimes.links import CLOCK_OFF_S_MAX, Links
from hostsim.runtimes.micropython.dialling import Dialling, Ticket
from hostsim.runtimes.micropython.machine import Machine

STREAM, DATAGRAM = 1, 2
FOR_EVER_MS = 0x7FFFFFFF
NAME_MS_MAX = 20000
SOCKETS_MAX = 10
NO_NAME = 202  # EAI_FAIL, as errno
ADDRESS = re.compile(rb"\d+\.\d+\.\d+\.\d+")
NUMBERS = {
    "timeout": errno.ETIMEDOUT,
    "refused": errno.ECONNREFUSED,
    "reset": errno.ECONNRESET,
    "not connected": errno.ENOTCONN,
    "no network": errno.EHOSTUNREACH,
}


class Opened:
    """One socket of the VM's. link: what it is connected to; ticket: of a real stream."""

    def __init__(self, kind: int):
        self.kind = kind
        self.link = None
        self.ticket: Ticket | None = None


class Net:
    def __init__(self, machine: Machine, station):
        self._machine = machine
        self._station = station
        self._dialling = Dialling(machine.world)
        self._links = Links(machine.node, self._dialling, station)
        self._opened: dict[int, Opened] = {}
        self._next = 0

    def _call(self, timeout_ms: int, call, *arguments):
        """A call with the socket's time-out as its deadline; without one it may block for ever."""
        try:
            return call(*arguments, timeout_ms)
        except LinkError as error:
            number = NUMBERS.get(str(error.args[1]), errno.ECONNABORTED)
            if number == errno.ETIMEDOUT and timeout_ms == FOR_EVER_MS:
                self._machine.hang()
            raise OSError(number) from None

    def resolve(self, a, b, data):
        if ADDRESS.fullmatch(data):
            return data
        try:
            return self._links.resolve(data.decode(), NAME_MS_MAX).encode()
        except LinkError:
            raise OSError(NO_NAME) from None

    def socket(self, a, b, data):
        if len(self._opened) >= SOCKETS_MAX:
            raise OSError(errno.ENFILE)
        self._next += 1
        self._opened[self._next] = Opened(a)
        return self._next

    def _socket(self, number: int) -> Opened:
        opened = self._opened.get(number)
        if opened is None:
            raise OSError(errno.EBADF)
        return opened

    def _link(self, number: int):
        link = self._socket(number).link
        if link is None:
            raise OSError(errno.ENOTCONN)
        return link

    def connect(self, a, b, data):
        """b"host port wall_ms" where the VM has to open a real socket to there."""
        opened = self._socket(a)
        address, port = data.decode().split(" ")
        self._dialling.ticket = None
        if opened.kind == DATAGRAM:
            opened.link = self._call(b, self._links.open_datagram, address, int(port))
            return b""
        opened.link = self._call(b, lambda limit_ms: self._links.open_stream(address, int(port), None, limit_ms))
        opened.ticket = self._dialling.ticket
        if opened.ticket is None:
            return b""
        host, real_port = self._machine.world.desk.address[:2]
        return f"{host} {real_port} {_wall_ms(b)}".encode()

    def send(self, a, b, data):
        return self._call(b or 1, self._link(a).send, data)

    def recv(self, a, b, data):
        buffer = bytearray(int(data))
        link = self._link(a)
        try:
            # it does not wait: whatever is there within a millisecond
            count = self._call(b or 1, link.recv_into, buffer)
        except OSError as error:
            if b == 0 and error.args[0] == errno.ETIMEDOUT:
                raise OSError(errno.EAGAIN) from None
            raise
        return bytes(buffer[:count])

    def close(self, a, b, data):
        opened = self._opened.pop(a, None)
        if opened is not None and opened.link is not None:
            opened.link.close()

    # --- TLS, and a real broker -------------------------------------------------------------------------------------

    def secure(self, a, b, data):
        """Why the certificate is refused, b"" when it is not, or when the VM is to find out."""
        machine, opened = self._machine, self._socket(a)
        verified, trusts, host = json.loads(data)
        rtt_ms = machine.node.link_rtt_ms
        # two more round trips and the arithmetic of a full handshake
        took_ms = 2 * rtt_ms + machine.node.board.durations["tls"]
        limit_ms = min(took_ms, b)
        if opened.link is None:
            raise OSError(errno.ENOTCONN)
        if self._station.network is None or self._station.is_cut() or took_ms > b:
            machine.spend("online", limit_ms if took_ms > b else b)
            raise OSError(errno.ETIMEDOUT)
        machine.spend("online", took_ms)
        off_s = machine.clock_s() - machine.world.start_epoch_s - machine.node.now_ms / 1000.0
        if not verified:
            return b""
        if off_s < -CLOCK_OFF_S_MAX:
            return b"\nThe certificate validity starts in the future\n"
        if off_s > CLOCK_OFF_S_MAX:
            return b"\nThe certificate validity has expired\n"
        flaw = opened.link.certificate_flaw
        if flaw == "tls-expired":
            return b"\nThe certificate validity has expired\n"
        if flaw == "tls-wrong-ca":
            return b"\nThe certificate is not correctly signed by the trusted CA\n"
        if flaw is not None:
            return b"\nThe certificate Common Name (CN) does not match with the expected CN\n"
        if opened.ticket is not None:
            return b""
        if not trusts:
            return b"\nThe certificate is not correctly signed by the trusted CA\n"
        if host != machine.world.broker_host:
            return b"\nThe certificate Common Name (CN) does not match with the expected CN\n"
        return b""

    def may_send(self, a, b, data):
        """How long to wait in wall time, ms; 0: it goes out, and never arrives."""
        ticket = self._socket(a).ticket
        ticket.reached = False
        self._call(b or 1, self._link(a).send, bytes(int(data)))
        return max(1, _wall_ms(b)) if ticket.reached else 0

    def may_receive(self, a, b, data):
        """The same; 0: what is there already."""
        self._call(b or 1, self._link(a).recv_into, bytearray(1))
        return _wall_ms(b)

    def received(self, a, b, data):
        """data: b"1" when nothing came in time."""
        timed_out = data == b"1"
        if timed_out and b == FOR_EVER_MS:
            self._machine.hang()
        self._machine.spend("online", b if timed_out else min(b, self._machine.node.link_rtt_ms))


def _wall_ms(timeout_ms: int) -> int:
    return min(timeout_ms, int(sockets.WALL_S * 1000))
