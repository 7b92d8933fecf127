"""A broker of our own for a round trip. Law: it listens on this machine alone, and ends with the block that wants it.

mosquitto, with a certificate of a CA that is made for it and forgotten afterwards.
"""

import getpass
import os
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from ipaddress import ip_address
from pathlib import Path

HERE = "127.0.0.1"
LIMIT_S = 10.0
# where systems put servers, which are not on everybody's path
SERVERS = "/usr/sbin:/usr/local/sbin:/opt/homebrew/sbin"


class NoBrokerHere(Exception):
    """It cannot be started; str() is one line."""


def binary() -> str:
    """The path of mosquitto. Raises NoBrokerHere."""
    found = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:{SERVERS}")
    if found is None:
        raise NoBrokerHere("mosquitto is not installed here: the readings go through a real broker")
    return found


def certificates(folder: Path, hosts: list[str]) -> Path:
    """Make ca.pem, broker.pem and broker.key; returns the path of the CA. hosts: names that the broker has.

    Raises NoBrokerHere where the library for it is not installed.
    """
    try:
        import trustme
    except ImportError:
        raise NoBrokerHere("trustme is not installed here: pip install 'torpor[roundtrip]'") from None
    authority = trustme.CA(organization_name="timber yard round trip")
    server = authority.issue_cert(*hosts, str(ip_address(HERE)))
    authority.cert_pem.write_to_path(folder / "ca.pem")
    server.cert_chain_pems[0].write_to_path(folder / "broker.pem")
    server.private_key_pem.write_to_path(folder / "broker.key")
    return folder / "ca.pem"


@contextmanager
def running(folder: Path, tls: bool) -> Iterator[str]:
    """A broker that takes connections; the block gets HOST:PORT. Raises NoBrokerHere."""
    tool = binary()
    with socket.socket() as probe:
        probe.bind((HERE, 0))
        port = probe.getsockname()[1]
    lines = [f"listener {port} {HERE}", "allow_anonymous true", f"user {getpass.getuser()}", "set_tcp_nodelay true"]
    lines += ["max_queued_messages 0", "max_inflight_messages 1000"]
    if tls:
        lines += [f"certfile {folder.absolute() / 'broker.pem'}", f"keyfile {folder.absolute() / 'broker.key'}"]
    config = folder / "broker.conf"
    config.write_text("\n".join((*lines, "")))
    with (folder / "broker.log").open("w") as log:
        process = subprocess.Popen([tool, "-c", str(config)], stdin=subprocess.DEVNULL, stdout=log, stderr=log)
        try:
            _wait_for(port, process, folder / "broker.log")
            yield f"{HERE}:{port}"
        finally:
            process.terminate()
            process.wait(LIMIT_S)


def _wait_for(port: int, process: subprocess.Popen, log: Path) -> None:
    until_s = time.monotonic() + LIMIT_S
    while process.poll() is None and time.monotonic() < until_s:
        try:
            socket.create_connection((HERE, port), 1).close()
            return
        except OSError:
            time.sleep(0.02)
    raise NoBrokerHere(f"mosquitto does not start: {log} says why")
