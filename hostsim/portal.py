"""A captive portal: what stands between a node and the world. Law: it takes everything, and nothing comes through it.

Every name leads to it, every port of every address is answered by it, and what it says is none of what was asked for.
"""

from random import Random

ADDRESS = "192.0.2.1"  # RFC 5737: addresses for documentation
# RFC 6585 section 6 gives it a status of its own; most send people to a page of theirs
ANSWERS = (
    b"HTTP/1.1 302 Found\r\nLocation: http://portal.example/hello\r\nConnection: close\r\n\r\n",
    b"HTTP/1.1 511 Network Authentication Required\r\nContent-Length: 0\r\n\r\n",
    b"HTTP/1.0 400 Bad Request\r\n\r\n<html><body>Bad Request</body></html>",
)
TIME_ANSWERS = ("silent", "silent", "zero", "wrong-mode", "unsynchronised", "wrong-originate")


class Door:
    """One connection to it. `closed` as in a Connection; under TLS it shows a certificate of its own."""

    stream = None
    certificate_flaw = "tls-wrong-host"

    def __init__(self, draw: Random):
        self.closed = False
        self._answer = draw.choice(ANSWERS)
        self._silent = draw.random() < 0.2

    def feed(self, data: bytes, now_s: float) -> bytes:
        """It has heard enough with the first bytes."""
        if self.closed or self._silent or not data:
            return b""
        self.closed = True
        return self._answer

    def lost(self, now_s: float) -> None:
        self.closed = True
