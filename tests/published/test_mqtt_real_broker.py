"""Law: brokers in other hands accept what mqtt.py writes, and their own clients read it unchanged.

Sources: MQTT 3.1.1 section 3.1.4 (a client may send before CONNACK), section 4.4 (what is sent again, with
which packet ids), [MQTT-3.3.1-1] (DUP). Brokers: amqtt in this process, and mosquitto where it is installed.
Reader: paho-mqtt.
"""

import asyncio
import queue
import socket
import threading
import time

import paho.mqtt.client as paho
import pytest
from amqtt.adapters import StreamReaderAdapter
from amqtt.mqtt.connect import ConnectPacket
from amqtt.mqtt.publish import PublishPacket
from amqtt.mqtt.subscribe import SubscribePacket
from torpor import mqtt

LIMIT_S = 10
TOPIC = "torpor/north-stack/readings"
HAVE, SETTINGS = "torpor/north-stack/have", "torpor/north-stack/settings"


@pytest.fixture(params=["amqtt", "mosquitto"])
def port(request):
    return request.getfixturevalue(f"{request.param}_port")


@pytest.fixture
def reader(port):
    """A paho-mqtt subscriber to TOPIC -> a queue of payloads."""
    arrived = queue.Queue()
    ready = threading.Event()
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, client_id=f"reader{time.monotonic_ns()}")
    client.on_connect = lambda *_: client.subscribe(TOPIC, 1)
    client.on_subscribe = lambda *_: ready.set()
    client.on_message = lambda _client, _data, message: arrived.put(message.payload)
    client.connect("127.0.0.1", port)
    client.loop_start()
    assert ready.wait(LIMIT_S)
    yield arrived
    client.disconnect()
    client.loop_stop()


class Node:
    """A blocking socket and a Session; each call ends within LIMIT_S."""

    def __init__(self, port, receive_max, topics):
        self.topics = topics
        self.session = mqtt.Session(receive_max)
        self.socket = socket.create_connection(("127.0.0.1", port), LIMIT_S)

    def send(self, *packets):
        self.socket.sendall(b"".join(packets))

    def events(self, *awaited):
        """Events until one that begins like each of the awaited has come; none: until the broker closes.

        Retained messages nobody asked for are left out: amqtt hands them to every new client.
        """
        events, buffer = [], bytearray(64)
        limit = time.monotonic() + LIMIT_S
        while not awaited or not all(any(e[: len(a)] == a for e in events) for a in awaited):
            self.socket.settimeout(max(0.01, limit - time.monotonic()))
            count = self.socket.recv_into(buffer)
            if not count:
                break
            taken = 0
            while taken < count:
                taken += self.session.receive(memoryview(buffer)[taken:count])
                events += iter(self.session.next_event, None)
        return [event for event in events if event[0] != mqtt.MESSAGE or event[1] in self.topics]

    def close(self):
        self.socket.close()


@pytest.fixture
def connect(port):
    nodes = []

    def open_one(receive_max=256, topics=()):
        nodes.append(Node(port, receive_max, topics))
        return nodes[-1]

    yield open_one
    for node in nodes:
        node.close()


@pytest.fixture
def client_id():
    return f"node{time.monotonic_ns():x}"


def payloads(prefix, count):
    return [b"%s %d " % (prefix, n) + b"x" * 300 for n in range(count)]


def collect(arrived, count):
    return [arrived.get(timeout=LIMIT_S) for _ in range(count)]


def test_connect_subscribe_and_24_publish_in_one_go(connect, reader, client_id):
    node = connect()
    sent = payloads(client_id.encode(), 24)
    node.send(
        mqtt.connect(client_id, 60),
        mqtt.subscribe(1, [HAVE, SETTINGS]),
        *[mqtt.publish(TOPIC, payload, packet_id) for packet_id, payload in enumerate(sent, 2)],
    )
    wanted = [(mqtt.PUBACK, n) for n in range(2, 26)] + [(mqtt.SUBACK, 1)]
    events = node.events(*wanted)
    assert events[0] == (mqtt.CONNACK, 0, False)
    assert sorted(events[1:]) == wanted
    assert collect(reader, 24) == sent
    node.send(mqtt.disconnect())
    assert node.events() == []  # the broker closes, and has said nothing more


def test_same_packet_ids_and_dup_after_a_cut(connect, reader, client_id):
    sent = payloads(client_id.encode(), 5)
    first = connect()
    first.send(mqtt.connect(client_id, 60), *[mqtt.publish(TOPIC, p, n) for n, p in enumerate(sent, 1)])
    acknowledged = [(mqtt.PUBACK, n) for n in range(1, 6)]
    assert first.events(*acknowledged)[0] == (mqtt.CONNACK, 0, False)
    first.close()  # cut without DISCONNECT: as if the acknowledgements had never come

    again = connect()
    again.send(mqtt.connect(client_id, 60), *[mqtt.publish(TOPIC, p, n, dup=True) for n, p in enumerate(sent, 1)])
    events = again.events(*acknowledged)
    assert events[0] == (mqtt.CONNACK, 0, True)  # CleanSession=0: the broker has kept the session
    assert sorted(events[1:]) == acknowledged
    # [MQTT-4.3.2-2]: acknowledged ids are new publications, whatever DUP says; twice, and not once less
    assert collect(reader, 10) == sent + sent


def test_retained_comes_before_the_last_puback(connect, client_id):
    holder = connect()
    holder.send(mqtt.connect(client_id + "h", 60), mqtt.publish(HAVE, b'{"id":7}', 1, retain=True))
    holder.events((mqtt.PUBACK, 1))

    node = connect(topics=(HAVE.encode(),))
    sent = payloads(client_id.encode(), 8)
    node.send(
        mqtt.connect(client_id, 60),
        mqtt.subscribe(1, [HAVE]),
        *[mqtt.publish(TOPIC, payload, packet_id) for packet_id, payload in enumerate(sent, 2)],
    )
    events = node.events((mqtt.PUBACK, 9))
    retained = (mqtt.MESSAGE, HAVE.encode(), b'{"id":7}', 0, True)
    assert retained in events
    assert events.index(retained) < events.index((mqtt.PUBACK, 9))
    holder.send(mqtt.publish(HAVE, b"", 2, retain=True))
    assert (mqtt.PUBACK, 2) in holder.events((mqtt.PUBACK, 2))


def test_a_message_too_large_is_skipped_and_the_rest_arrives(connect, client_id):
    node = connect(64, (SETTINGS.encode(),))
    node.send(mqtt.connect(client_id, 60), mqtt.subscribe(1, [SETTINGS]))
    assert node.events((mqtt.SUBACK, 1)) == [(mqtt.CONNACK, 0, False), (mqtt.SUBACK, 1)]
    node.send(mqtt.publish(SETTINGS, b"x" * 70000), mqtt.publish(SETTINGS, b"small"))
    # 1 + 3 bytes of header, 2 of topic length
    large = (mqtt.OVERSIZE, 6 + len(SETTINGS) + 70000)
    small = (mqtt.MESSAGE, SETTINGS.encode(), b"small", 0, False)
    assert node.events(large, small) == [large, small]


@pytest.mark.parametrize("port", ["mosquitto"], indirect=True)  # amqtt does not send it again
def test_a_qos_1_message_comes_until_it_is_acknowledged(connect, client_id):
    # Not what the node asks for, but a session subscribed at QoS 1 by something else may hand it over.
    subscribe_qos_1 = mqtt.subscribe(1, [SETTINGS])[:-1] + b"\x01"
    topics = (SETTINGS.encode(),)
    awaited = (mqtt.MESSAGE, SETTINGS.encode(), b"m")
    first = connect(topics=topics)
    first.send(mqtt.connect(client_id, 60), subscribe_qos_1, mqtt.publish(SETTINGS, b"m", 5))
    assert first.events(awaited, (mqtt.PUBACK, 5))
    first.close()  # before it was acknowledged, so that it must come again [MQTT-4.4.0-1]

    second = connect(topics=topics)
    second.send(mqtt.connect(client_id, 60))
    packet_id = second.events(awaited)[-1][3]
    assert packet_id > 0
    second.send(mqtt.puback(packet_id), mqtt.disconnect())
    assert second.events() == []

    third = connect(topics=topics)
    third.send(mqtt.connect(client_id, 60), mqtt.publish(TOPIC, b"m", 6))
    assert third.events((mqtt.PUBACK, 6)) == [(mqtt.CONNACK, 0, True), (mqtt.PUBACK, 6)]
    third.send(mqtt.disconnect())
    assert third.events() == []


def decode(packet_class, packet):
    """Decoded by amqtt's own packet classes, through the stream reader they want."""

    async def read():
        reader = asyncio.StreamReader()
        reader.feed_data(packet)
        reader.feed_eof()
        return await packet_class.from_stream(StreamReaderAdapter(reader))

    return asyncio.run(read())


def test_amqtt_decodes_connect():
    got = decode(ConnectPacket, mqtt.connect("n1", 90, "yard", "pass word"))
    assert (got.proto_name, got.proto_level, got.keep_alive) == ("MQTT", 4, 90)
    assert (got.client_id, got.username, got.password) == ("n1", "yard", "pass word")
    assert not got.clean_session_flag
    assert not got.will_flag


def test_amqtt_decodes_subscribe():
    got = decode(SubscribePacket, mqtt.subscribe(513, [HAVE, SETTINGS]))
    assert got.variable_header.packet_id == 513
    assert got.payload.topics == [(HAVE, 0), (SETTINGS, 0)]


@pytest.mark.parametrize("size", [0, 1, 100, 127, 128, 16384, 2097152])
@pytest.mark.parametrize(("packet_id", "dup", "retain"), [(0, False, True), (1, False, False), (65535, True, True)])
def test_amqtt_decodes_publish(size, packet_id, dup, retain):
    got = decode(PublishPacket, mqtt.publish(TOPIC, b"z" * size, packet_id, dup, retain))
    assert (got.topic_name, bytes(got.data or b"")) == (TOPIC, b"z" * size)
    assert (got.qos, got.packet_id or 0) == (1 if packet_id else 0, packet_id)
    assert (bool(got.dup_flag), bool(got.retain_flag)) == (dup, retain)
