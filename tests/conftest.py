"""Real brokers for tests: amqtt in this process, and mosquitto where it is installed. They end with the tests."""

import asyncio
import logging
import os
import shutil
import socket
import subprocess
import threading
import time

import pytest
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


@pytest.fixture(scope="session")
def mosquitto_port(tmp_path_factory):
    binary = shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin:/usr/local/bin:/opt/homebrew/sbin")
    if binary is None:
        pytest.skip("mosquitto is not installed")
    port = free_port()
    config = tmp_path_factory.mktemp("mosquitto") / "mosquitto.conf"
    config.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\nmax_queued_messages 0\n")
    process = subprocess.Popen([binary, "-c", config], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        wait_for_port(port)
        yield port
    finally:
        process.terminate()
        process.wait(LIMIT_S)
