"""Real brokers for tests: amqtt in this process, and mosquitto where it is installed. They end with the tests."""

import asyncio
import datetime
import logging
import os
import threading

import pytest
import trustme
from amqtt.broker import Broker
from amqtt.contexts import BrokerConfig, ListenerConfig
from hypothesis import settings
from own_broker import OwnBroker, free_port

LIMIT_S = 10

# CI tries the same examples each time, so that a red run is about the change; everybody else tries new ones
settings.register_profile("ci", derandomize=True)
if os.environ.get("CI"):
    settings.load_profile("ci")


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
    broker = OwnBroker(folder, "persistence false", "max_queued_messages 0", *lines)
    return broker.port, broker.process


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
