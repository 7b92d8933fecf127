"""ssl, as MicroPython's. Law: nothing is verified unless it is asked for, and what is refused is a ValueError.

The interpreter's own library reads the CA, and does the handshake where the connection is a real one.
"""

import json

import _wire
import tls
from tls import CERT_NONE, CERT_OPTIONAL, CERT_REQUIRED, PROTOCOL_TLS_CLIENT, PROTOCOL_TLS_SERVER  # noqa: F401


class SSLContext:
    def __init__(self, protocol):
        self._context = tls.SSLContext(protocol)
        self._trusts = 0

    @property
    def verify_mode(self):
        return self._context.verify_mode

    @verify_mode.setter
    def verify_mode(self, mode):
        self._context.verify_mode = mode

    def load_verify_locations(self, cafile=None, cadata=None):
        if cafile is not None:
            with open(cafile, "rb") as file:
                cadata = file.read()
        self._context.load_verify_locations(cadata)
        self._trusts = 1

    def wrap_socket(self, sock, server_side=False, do_handshake_on_connect=True, server_hostname=None):
        verified = self.verify_mode == CERT_REQUIRED
        if verified and server_hostname is None:
            raise ValueError("CERT_REQUIRED requires server_hostname")
        # what the clock says is wrong with a certificate, and, where the broker is simulated, all of it
        asked = json.dumps([verified, self._trusts, server_hostname])
        refusal = _wire.fetch("net.secure", sock._id, sock._timeout_ms, asked)
        if refusal:
            raise ValueError(refusal.decode())
        if sock.real is not None:
            sock.top = self._context.wrap_socket(sock.real, server_hostname=server_hostname)
        return SSLSocket(sock)


class SSLSocket:
    """A time-out is set on the socket underneath."""

    def __init__(self, sock):
        self._sock = sock
        self.readinto = sock.readinto
        self.write = sock.write

    def read(self, size):
        return self._sock.recv(size)

    def setblocking(self, flag):
        self._sock.setblocking(flag)

    def close(self):
        self._sock.close()
