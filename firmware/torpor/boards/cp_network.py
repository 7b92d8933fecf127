"""Names, streams and datagrams on CircuitPython. Law: the time-out is set before the connection, and holds for all.

Sockets die with the association: none is kept beyond its session.
"""

from errno import ETIMEDOUT

import socketpool
import wifi

from ..errors import LinkError

# errors of the TLS library are negative and below this; those of the socket under it come as they are
TLS_ERROR_MAX = -256


class Network:
    """watchdog: cp_power.Watchdog; it is fed before each call, and none takes longer than it allows."""

    def __init__(self, watchdog):
        self._watchdog = watchdog
        self._pool = socketpool.SocketPool(wifi.radio)

    def resolve(self, host, deadline_ms):
        """No look-up takes a time-out here: it takes as long as it takes."""
        if deadline_ms <= 0:
            raise LinkError("resolve", "timeout")
        self._watchdog.feed()
        try:
            # the type stubs describe one entry of what is a list
            return self._pool.getaddrinfo(host, 0)[0][4][0]  # pyright: ignore[reportIndexIssue]
        except (OSError, RuntimeError, ValueError) as error:
            raise LinkError("resolve", str(error))

    def open_stream(self, address, port, tls, deadline_ms):
        pool = self._pool
        limit_s = _seconds("broker", deadline_ms, self._watchdog)
        raw = _open(pool, pool.SOCK_STREAM, "broker")
        try:
            # small packets are not held back for others to come
            raw.setsockopt(pool.IPPROTO_TCP, pool.TCP_NODELAY, 1)
        except (OSError, RuntimeError, AttributeError):
            pass
        socket = raw
        try:
            if tls is not None:
                socket = _secured(raw, tls)
            socket.settimeout(limit_s)
            socket.connect((address, port))
        except (OSError, RuntimeError, ValueError) as error:
            raw.close()
            raise _failure(error, "broker", tls)
        return Channel(socket, "broker", self._watchdog)

    def open_datagram(self, address, port, deadline_ms):
        if deadline_ms <= 0:
            raise LinkError("time", "timeout")
        return Datagrams(_open(self._pool, self._pool.SOCK_DGRAM, "time"), "time", self._watchdog, (address, port))


class Channel:
    """An open stream."""

    def __init__(self, socket, step, watchdog):
        self._socket = socket
        self._step = step
        self._watchdog = watchdog

    def send(self, data, timeout_ms):
        return self._do(self._socket.send, data, timeout_ms)

    def recv_into(self, buffer, timeout_ms):
        return self._do(lambda into: self._socket.recv_into(into, len(into)), buffer, timeout_ms)

    def _do(self, call, data, timeout_ms):
        try:
            self._socket.settimeout(_seconds(self._step, timeout_ms, self._watchdog))
            return call(data)
        except (OSError, RuntimeError, ValueError) as error:
            raise _failure(error, self._step, None)

    def close(self):
        try:
            self._socket.close()
        except (OSError, RuntimeError):
            pass


class Datagrams(Channel):
    """A channel for datagrams to one address and back."""

    def __init__(self, socket, step, watchdog, address):
        super().__init__(socket, step, watchdog)
        self._address = address

    def send(self, data, timeout_ms):
        return self._do(lambda out: self._socket.sendto(out, self._address), data, timeout_ms)


def _seconds(step, deadline_ms, watchdog):
    """The time-out of a call that is about to begin."""
    if deadline_ms <= 0:
        raise LinkError(step, "timeout")
    watchdog.feed()
    return min(deadline_ms, watchdog.call_ms_max) / 1000


def _open(pool, kind, step):
    try:
        return pool.socket(pool.AF_INET, kind)
    except (OSError, RuntimeError) as error:
        # so many sockets are there, and no more
        raise LinkError(step, str(error))


def _secured(raw, tls):
    """Wrapped for TLS: the certificate is checked against the authority's, and the name in it against the host's."""
    import ssl

    try:
        with open(tls["ca"]) as file:
            authority = file.read()
        context = ssl.create_default_context()
        # `cafile` is not implemented here
        context.load_verify_locations(cadata=authority)
    except (OSError, ValueError) as error:
        raw.close()
        raise LinkError("tls", str(error))
    return context.wrap_socket(raw, server_hostname=tls["host"])


def _failure(error, step, tls):
    if error.args and error.args[0] == ETIMEDOUT:
        return LinkError(step, "timeout")
    number = error.args[0] if error.args else 0
    refused = isinstance(number, int) and number < TLS_ERROR_MAX or isinstance(error, ValueError)
    return LinkError("tls" if tls is not None and refused else step, str(error))
