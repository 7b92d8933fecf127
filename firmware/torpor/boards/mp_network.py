"""Names, streams and datagrams on MicroPython. Law: the time-out is set before the connection, and holds for all.

Sockets die with the association: each session opens its own.
"""

import socket
from errno import ETIMEDOUT

from ..errors import LinkError

TCP_NODELAY = 1
IPPROTO_TCP = 6


def resolve(host, deadline_ms):
    """No look-up takes a time-out here: it takes as long as it takes."""
    if deadline_ms <= 0:
        raise LinkError("resolve", "timeout")
    try:
        return socket.getaddrinfo(host, 0)[0][-1][0]
    except OSError as error:
        raise LinkError("resolve", str(error))


def open_stream(address, port, tls, deadline_ms):
    raw = _opened(address, port, socket.SOCK_STREAM, "broker", deadline_ms)
    return Channel(raw, _secured(raw, tls) if tls is not None else raw, "broker")


def open_datagram(address, port, deadline_ms):
    raw = _opened(address, port, socket.SOCK_DGRAM, "time", deadline_ms)
    return Channel(raw, raw, "time")


class Channel:
    """An open stream or datagram channel. raw: the socket; inner: what is spoken over it."""

    def __init__(self, raw, inner, step):
        self._raw = raw
        self._inner = inner
        self._step = step

    def send(self, data, timeout_ms):
        self._patience(timeout_ms)
        return self._do(self._inner.write, data)

    def recv_into(self, buffer, timeout_ms):
        """readinto() waits until a buffer is full: it gets one byte's, and then takes what else is there."""
        self._patience(timeout_ms)
        if self._step == "time":
            data = self._do(self._inner.recv, len(buffer))
            buffer[: len(data)] = data
            return len(data)
        view = memoryview(buffer)
        count = self._do(self._inner.readinto, view[:1])
        if not count or len(buffer) == 1:
            return count or 0
        self._raw.setblocking(False)
        try:
            return count + (self._inner.readinto(view[1:]) or 0)
        except OSError:
            # it closed or broke after that byte: the next call finds out
            return count

    def _patience(self, timeout_ms):
        if timeout_ms <= 0:
            raise LinkError(self._step, "timeout")
        try:
            self._raw.settimeout(timeout_ms / 1000)
        except OSError as error:
            raise LinkError(self._step, str(error))

    def _do(self, call, argument):
        try:
            return call(argument)
        except OSError as error:
            raise _failure(error, self._step)

    def close(self):
        for opened in (self._inner, self._raw):
            try:
                opened.close()
            except OSError:
                pass


def _opened(address, port, kind, step, deadline_ms):
    if deadline_ms <= 0:
        raise LinkError(step, "timeout")
    try:
        raw = socket.socket(socket.AF_INET, kind)
    except OSError as error:
        # so many sockets are there, and no more
        raise LinkError(step, str(error))
    try:
        raw.settimeout(deadline_ms / 1000)
        raw.connect(socket.getaddrinfo(address, port)[0][-1])
    except OSError as error:
        raw.close()
        raise _failure(error, step)
    try:
        # small packets are not held back for others to come
        raw.setsockopt(IPPROTO_TCP, TCP_NODELAY, 1)
    except (OSError, ValueError, AttributeError):
        pass
    return raw


def _secured(raw, tls):
    """Spoken over TLS: the certificate is checked against the authority's, and the name in it against the host's."""
    import ssl

    try:
        with open(tls["ca"]) as file:
            authority = der(file)
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        # by default nothing is verified
        context.verify_mode = ssl.CERT_REQUIRED
        context.load_verify_locations(cadata=authority)
        return context.wrap_socket(raw, server_hostname=tls["host"])
    except ValueError as error:
        # what is refused is no OSError here
        raw.close()
        raise LinkError("tls", str(error).strip())
    except OSError as error:
        raw.close()
        raise LinkError("tls" if error.args[0] != ETIMEDOUT else "broker", str(error))


def der(lines):
    """The first certificate of a PEM file as DER, which is what the TLS library here reads. ValueError: none."""
    from binascii import a2b_base64

    text = None
    for line in lines:
        line = line.strip()
        if line == "-----BEGIN CERTIFICATE-----":
            text = ""
        elif text is not None:
            if line == "-----END CERTIFICATE-----":
                return a2b_base64(text)
            text += line
    raise ValueError("no certificate in the file")


def _failure(error, step):
    return LinkError(step, "timeout" if error.args and error.args[0] == ETIMEDOUT else str(error))
