"""Whether a broker is there. Law: an answer, or a clear reason why there is none, within PROBE_S.

One CONNECT, its CONNACK, and DISCONNECT: OASIS MQTT 3.1.1, sections 3.1, 3.2 and 3.14.
"""

import os
import socket
import time

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


def probe(host: str, port: int) -> None:
    """Return when a broker takes a session; raise NoBroker."""
    deadline_s = time.monotonic() + PROBE_S
    name = b"torpor-probe-" + os.urandom(4).hex().encode()
    body = b"\x00\x04MQTT\x04\x02\x00\x0a" + len(name).to_bytes(2, "big") + name
    try:
        with socket.create_connection((host, port), PROBE_S) as stream:
            stream.sendall(bytes((0x10, len(body))) + body)
            answer = _answer(stream, deadline_s)
            stream.sendall(b"\xe0\x00")
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
