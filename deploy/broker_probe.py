"""Whether a broker is there. Law: an answer, or a clear reason why there is none, within PROBE_S.

One CONNECT, its CONNACK, and DISCONNECT: OASIS MQTT 3.1.1, sections 3.1, 3.2 and 3.14.
"""

import os
import socket
import ssl
import time
from pathlib import Path

PROBE_S = 5.0
CONNACK = 0x20
REFUSALS = {
    1: "it does not speak MQTT 3.1.1",
    3: "it says that it is not available",
    4: "it wants a user and a password",
    5: "it wants a user and a password",
}


class NoBroker(Exception):
    """Nobody there that takes messages; str() is one line."""


def trust(ca: Path) -> ssl.SSLContext:
    """A context that trusts this certificate alone, whatever the name in the broker's; raise NoBroker."""
    try:
        context = ssl.create_default_context(cadata=ca.read_text(encoding="ascii"))
    except (OSError, ValueError) as error:
        raise NoBroker(f"{ca}: {getattr(error, 'strerror', None) or 'no certificate in PEM form'}") from None
    # the name is for the nodes to check: it stands in their settings, and here is only an address
    context.check_hostname = False
    return context


def probe(host: str, port: int, trusted: ssl.SSLContext | None = None) -> None:
    """Return when a broker takes a session, over TLS when it is told whom to trust; raise NoBroker."""
    deadline_s = time.monotonic() + PROBE_S
    name = b"torpor-probe-" + os.urandom(4).hex().encode()
    body = b"\x00\x04MQTT\x04\x02\x00\x0a" + len(name).to_bytes(2, "big") + name
    try:
        with _connected(host, port, trusted) as stream:
            stream.sendall(bytes((0x10, len(body))) + body)
            answer = _answer(stream, deadline_s)
            stream.sendall(b"\xe0\x00")
    except ssl.SSLCertVerificationError as error:
        raise NoBroker(f"its certificate is refused: {error.verify_message}") from None
    except TimeoutError:
        raise NoBroker(f"no answer within {PROBE_S:g} s") from None
    except OSError as error:
        raise NoBroker(error.strerror or str(error)) from None
    except UnicodeError:
        raise NoBroker("no such host name") from None
    if len(answer) < 4 or answer[0] != CONNACK:
        raise NoBroker("what answers there is no MQTT broker")
    if answer[3]:
        raise NoBroker(REFUSALS.get(answer[3], f"it refuses with code {answer[3]}"))


def _connected(host: str, port: int, trusted: ssl.SSLContext | None) -> socket.socket:
    stream = socket.create_connection((host, port), PROBE_S)
    return trusted.wrap_socket(stream, server_hostname=host) if trusted is not None else stream


def _answer(stream: socket.socket, deadline_s: float) -> bytes:
    """The four bytes of a CONNACK, or what came instead before the other side closed."""
    found = b""
    while len(found) < 4:
        stream.settimeout(max(0.01, deadline_s - time.monotonic()))
        data = stream.recv(4 - len(found))
        if not data:
            break
        found += data
    return found
