"""Real brokers for tests: amqtt in this process, and mosquitto where it is installed. They end with the tests."""

import asyncio
import datetime
import getpass
import logging
import os
import shutil
import socket
import subprocess
import threading
import time

import pytest
import trustme
from amqtt.broker import Broker
from amqtt.contexts import BrokerConfig, ListenerConfig
from hypothesis import settings

LIMIT_S = 10

# CI tries the same examples each time, so that a red run is about the change; everybody else tries new ones
settings.register_profile("ci", derandomize=True)
if os.environ.get("CI"):
    settings.load_profile("ci")


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def wait_for_port(port):
    limit = time.monotonic() + LIMIT_S
    while time.monotonic() < limit:
        try:
            socket.create_connection(("127.0.0.1", port), 1).close()
            return
        except OSError:
            time.sleep(0.02)
    pytest.fail(f"no broker on port {port} within {LIMIT_S} s")


@pytest.fixture(scope="session")
def amqtt_port():
    logging.getLogger("amqtt").setLevel(logging.ERROR)
    logging.getLogger("transitions").setLevel(logging.ERROR)
    port = free_port()
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_forever, daemon=True)
    thread.start()

    async def start():
        broker = Broker(
            BrokerConfig(
                listeners={"default": ListenerConfig(bind=f"127.0.0.1:{port}")},
                plugins={"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
            )
        )
        await broker.start()
        return broker

    broker = asyncio.run_coroutine_threadsafe(start(), loop).result(LIMIT_S)
    yield port
    asyncio.run_coroutine_threadsafe(broker.shutdown(), loop).result(LIMIT_S)
    loop.call_soon_threadsafe(loop.stop)
    thread.join(LIMIT_S)


def mosquitto(folder, *lines):
    """Start it with these lines in its configuration; (port, process)."""
    binary = shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin:/usr/local/bin:/opt/homebrew/sbin")
    if binary is None:
        pytest.skip("mosquitto is not installed")
    port = free_port()
    config = folder / f"mosquitto-{port}.conf"
    # as root it would change to a user of its own, who may not read these files
    common = [f"user {getpass.getuser()}", "allow_anonymous true", "persistence false", "max_queued_messages 0"]
    config.write_text("\n".join([f"listener {port} 127.0.0.1", *common, *lines]) + "\n")
    process = subprocess.Popen([binary, "-c", config], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    wait_for_port(port)
    return port, process


@pytest.fixture(scope="session")
def mosquitto_port(tmp_path_factory):
    port, process = mosquitto(tmp_path_factory.mktemp("mosquitto"))
    yield port
    process.terminate()
    process.wait(LIMIT_S)


DAY = datetime.timedelta(days=1)


@pytest.fixture(scope="session")
def mosquitto_tls(tmp_path_factory):
    """broker(kind) -> (port, path of the CA to trust): one broker for each kind of certificate, made here.

    Kinds: good, wrong-ca, wrong-host, expired, not-yet-valid.
    """
    folder = tmp_path_factory.mktemp("tls")
    trusted, other = trustme.CA(), trustme.CA()
    trusted.cert_pem.write_to_path(folder / "ca.pem")
    now = datetime.datetime.now(datetime.UTC)
    host = "broker.yard.example"
    ways = {
        "good": lambda: trusted.issue_cert(host),
        "wrong-ca": lambda: other.issue_cert(host),
        "wrong-host": lambda: trusted.issue_cert("other.yard.example"),
        "expired": lambda: trusted.issue_cert(host, not_before=now - 30 * DAY, not_after=now - DAY),
        "not-yet-valid": lambda: trusted.issue_cert(host, not_before=now + DAY, not_after=now + 30 * DAY),
    }
    brokers = {}

    def broker(kind):
        if kind not in brokers:
            made = ways[kind]()
            made.cert_chain_pems[0].write_to_path(folder / f"{kind}.pem")
            made.private_key_pem.write_to_path(folder / f"{kind}.key")
            brokers[kind] = mosquitto(
                folder, f"certfile {folder / kind}.pem", f"keyfile {folder / kind}.key", "tls_version tlsv1.2"
            )
        return brokers[kind][0], folder / "ca.pem"

    yield broker
    for _, process in brokers.values():
        process.terminate()
    for _, process in brokers.values():
        process.wait(LIMIT_S)
