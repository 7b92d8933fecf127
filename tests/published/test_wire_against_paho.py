"""hostsim's broker against an MQTT client in other hands: paho-mqtt (PyPI, Eclipse) speaks to it over TCP.

Source of what must hold: MQTT 3.1.1 as paho-mqtt implements it; paho raises or disconnects where the broker's
packets are wrong, and makes the client's packets that the strict reader has to accept.
"""

import queue
import socket
import threading
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

paho = pytest.importorskip("paho.mqtt.client")

from hostsim import wire  # noqa: E402  behind the skip
from hostsim.broker import Broker  # noqa: E402

PATIENCE_S = 5


class Server:
    """Carries bytes between loopback sockets and a Broker, a thread for each connection."""

    def __init__(self, broker):
        self._broker, self._lock, self._threads = broker, threading.Lock(), []
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.settimeout(0.1)
        self.port = self._listener.getsockname()[1]
        self._stopping = threading.Event()
        self.now_s = 0
        self._start(self._accept)

    def _start(self, target, *args):
        thread = threading.Thread(target=target, args=args, daemon=True)
        self._threads.append(thread)
        thread.start()

    def _accept(self):
        while not self._stopping.is_set():
            try:
                peer, _ = self._listener.accept()
            except TimeoutError:
                continue
            self._start(self._serve, peer)

    def _serve(self, peer):
        with peer:
            peer.settimeout(0.05)
            with self._lock:
                connection = self._broker.connect(self.now_s)
            while connection and not connection.closed and not self._stopping.is_set():
                try:
                    data = peer.recv(4096)
                except TimeoutError:
                    data = b""
                else:
                    if not data:
                        break
                with self._lock:
                    answer = connection.feed(data, self.now_s)
                peer.sendall(answer)
            with self._lock:
                if connection:
                    connection.lost(self.now_s)

    def stop(self):
        self._stopping.set()
        for thread in self._threads:
            thread.join(PATIENCE_S)
        self._listener.close()
        assert not any(thread.is_alive() for thread in self._threads)


@pytest.fixture
def taken():
    return []


@pytest.fixture
def serve(taken):
    servers = []

    def start(windows=(), accounts=None):
        broker = Broker(windows, lambda *seen: taken.append(seen), accounts)
        servers.append(Server(broker))
        return broker, servers[-1]

    yield start
    for server in servers:
        server.stop()


class Client:
    """A paho client whose callbacks land in queues."""

    def __init__(self, port, client_id="desk", clean=False, account=None, will=None):
        self.connected, self.messages, self.acknowledged = queue.Queue(), queue.Queue(), queue.Queue()
        self.subscribed, self.gone = queue.Queue(), queue.Queue()
        self.paho = paho.Client(
            paho.CallbackAPIVersion.VERSION2,
            client_id=client_id,
            clean_session=clean,
            reconnect_on_failure=False,
        )
        self.paho.on_connect = lambda _c, _u, flags, reason, _p: self.connected.put((flags, reason))
        self.paho.on_message = lambda _c, _u, message: self.messages.put(message)
        self.paho.on_publish = lambda _c, _u, mid, _r, _p: self.acknowledged.put(mid)
        self.paho.on_subscribe = lambda _c, _u, mid, reasons, _p: self.subscribed.put((mid, reasons))
        self.paho.on_disconnect = lambda *_: self.gone.put(True)
        if account:
            self.paho.username_pw_set(*account)
        if will:
            self.paho.will_set(*will)
        self.paho.connect("127.0.0.1", port, keepalive=60)
        self.paho.loop_start()
        try:
            self.flags, self.reason = self.connected.get(timeout=PATIENCE_S)
        except queue.Empty:
            self.flags = self.reason = None  # closed before CONNACK

    def subscribe(self, topic, qos=0):
        _, mid = self.paho.subscribe(topic, qos)
        got, reasons = self.subscribed.get(timeout=PATIENCE_S)
        assert got == mid
        return [reason.value for reason in reasons]

    def message(self):
        message = self.messages.get(timeout=PATIENCE_S)
        return message.topic, message.payload, message.retain

    def close(self):
        self.paho.disconnect()
        self.paho.loop_stop()


@pytest.fixture
def client():
    clients = []

    def start(*args, **options):
        clients.append(Client(*args, **options))
        return clients[-1]

    yield start
    for each in clients:
        each.close()


def test_connect_subscribe_publish_and_retained_messages(serve, client, taken):
    broker, server = serve()
    broker.publish("torpor/yard-mast/have", b'{"id":1}')
    desk = client(server.port)
    assert (desk.reason.value, desk.flags.session_present) == (0, False)
    assert desk.subscribe("torpor/+/have", qos=1) == [0]  # granted QoS 0, which section 3.8.4 allows
    assert desk.message() == ("torpor/yard-mast/have", b'{"id":1}', True)

    payloads = [b"reading %d " % number + bytes(number * 20) for number in range(24)]
    mids = [desk.paho.publish("torpor/yard-mast/readings", payload, qos=1).mid for payload in payloads]
    assert [desk.acknowledged.get(timeout=PATIENCE_S) for _ in mids] == mids
    assert [seen[:5] for seen in taken] == [
        ("desk", "torpor/yard-mast/readings", payload, 0, False) for payload in payloads
    ]

    broker.publish("torpor/north-stack/have", b'{"id":2}')
    assert desk.message() == ("torpor/north-stack/have", b'{"id":2}', False)
    assert broker.violations == []


def test_a_retained_publish_of_one_client_reaches_the_next_and_can_be_cleared(serve, client):
    broker, server = serve()
    first = client(server.port, "first")
    first.paho.publish("torpor/yard-mast/health", b"{}", qos=1, retain=True).wait_for_publish(PATIENCE_S)
    second = client(server.port, "second")
    second.subscribe("torpor/#")
    assert second.message() == ("torpor/yard-mast/health", b"{}", True)
    first.paho.publish("torpor/yard-mast/health", b"", qos=1, retain=True).wait_for_publish(PATIENCE_S)
    assert broker.retained == {}


def test_a_stored_session_is_told_and_a_second_client_evicts_the_first(serve, client):
    _, server = serve()
    first = client(server.port)
    second = client(server.port)
    assert second.flags.session_present
    assert first.gone.get(timeout=PATIENCE_S)
    assert not client(server.port, "fresh", clean=True).flags.session_present


def test_credentials_that_are_wrong_or_missing(serve, client):
    _, server = serve(accounts={"yard": "oak"})
    reasons = [
        client(server.port, f"c{at}", account=account).reason.getName()
        for at, account in enumerate([("yard", "oak"), ("yard", "elm"), None])
    ]
    assert reasons == ["Success", "Bad user name or password", "Not authorized"]


def test_refuses_is_told_as_unavailable(serve, client):
    _, server = serve([(0, 10, "refuses")])
    assert client(server.port).reason.getName() == "Server unavailable"


def test_a_publish_that_is_dropped_is_sent_again_after_the_window(serve, client, taken):
    _, server = serve([(0, 10, "drops")])
    desk = client(server.port)
    sent = desk.paho.publish("torpor/yard-mast/readings", b"kept", qos=1)
    assert desk.gone.get(timeout=PATIENCE_S)
    assert taken == []
    assert desk.acknowledged.empty()
    server.now_s = 10
    desk.paho.loop_stop()
    desk.paho.reconnect()
    desk.paho.loop_start()
    assert desk.acknowledged.get(timeout=PATIENCE_S) == sent.mid
    # DUP is left out: where the close outran paho's own send, it takes the publish for a first one
    assert [seen[:4] for seen in taken] == [("desk", "torpor/yard-mast/readings", b"kept", 10)]


def test_forgets_takes_the_publish_and_paho_never_hears_of_it(serve, client, taken):
    _, server = serve([(0, 10, "forgets")])
    desk = client(server.port)
    desk.paho.publish("torpor/yard-mast/readings", b"twice", qos=1)
    assert desk.gone.get(timeout=PATIENCE_S)
    assert desk.acknowledged.empty()
    assert [seen[2] for seen in taken] == [b"twice"]


def test_a_will_is_published_when_the_socket_dies(serve, client, taken):
    _, server = serve()
    desk = client(server.port, will=("torpor/desk/gone", b"yes", 1, True))
    desk.paho.socket().shutdown(socket.SHUT_RDWR)
    until_s = time.monotonic() + PATIENCE_S
    while not taken and time.monotonic() < until_s:
        time.sleep(0.01)
    assert taken == [("desk", "torpor/desk/gone", b"yes", 0, False, True)]


@given(st.integers(0, 2000), st.binary(min_size=1, max_size=20))
def test_the_remaining_length_is_written_as_paho_writes_it(size, topic):
    packet = wire.publish(topic.hex(), bytes(size))
    pack = getattr(paho.Client, "_pack_remaining_length", None)
    if pack is None:
        pytest.skip("this paho-mqtt has no _pack_remaining_length")
    remaining = 2 + 2 * len(topic) + size
    header = pack(None, bytearray(b"\x30"), remaining)
    assert packet[: len(header)] == header
    assert len(packet) == len(header) + remaining
