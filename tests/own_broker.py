"""A real mosquitto for tests and benchmarks. Law: it listens on this machine alone, and may be killed and come back.

As root it would change to a user of its own, who may not read a test's files: it stays who runs the tests.
"""

import getpass
import signal
import socket
import subprocess
import time

import pytest

from deploy.roundtrip_broker import HERE, NoBrokerHere, binary

LIMIT_S = 10


def free_port():
    with socket.socket() as probe:
        probe.bind((HERE, 0))
        return probe.getsockname()[1]


def wait_for_port(port):
    limit = time.monotonic() + LIMIT_S
    while time.monotonic() < limit:
        try:
            socket.create_connection((HERE, port), 1).close()
            return
        except OSError:
            time.sleep(0.02)
    pytest.fail(f"no broker on port {port} within {LIMIT_S} s")


class OwnBroker:
    """Running, on `port`. lines: of its configuration; what they do not say is as mosquitto has it."""

    def __init__(self, folder, *lines):
        try:
            tool = binary()
        except NoBrokerHere as absent:
            pytest.skip(str(absent))
        self.port = free_port()
        config = folder / f"mosquitto-{self.port}.conf"
        common = [f"listener {self.port} {HERE}", f"user {getpass.getuser()}", "allow_anonymous true"]
        config.write_text("\n".join([*common, *lines, ""]))
        self._words = [tool, "-c", str(config)]
        self.start()

    def start(self):
        self.process = subprocess.Popen(self._words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        wait_for_port(self.port)

    def end(self):
        self.process.terminate()
        self.process.wait(LIMIT_S)

    def kill(self):
        """-9: it has no moment left to save anything."""
        self.process.send_signal(signal.SIGKILL)
        self.process.wait(LIMIT_S)

    def restart(self):
        self.end()
        time.sleep(0.3)
        self.start()
