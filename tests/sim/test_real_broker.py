"""A rehearsal over real sockets. Law: what a stranger reads from the broker is what lies on the cards."""

import queue
import threading
import time

import paho.mqtt.client as paho
import pytest
from on_card import on_card

from hostsim import rehearse
from hostsim.senml_read import reading

LIMIT_S = 30


class Stranger:
    """A paho-mqtt subscriber that knows nothing of the rehearsal."""

    def __init__(self, port):
        self.arrived = queue.Queue()
        ready = threading.Event()
        self.client = paho.Client(paho.CallbackAPIVersion.VERSION2, client_id=f"stranger{time.monotonic_ns()}")
        self.client.on_connect = lambda *_: self.client.subscribe("torpor/+/readings", 1)
        self.client.on_subscribe = lambda *_: ready.set()
        self.client.on_message = lambda _client, _data, message: self.arrived.put(message.payload)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        assert ready.wait(LIMIT_S)

    def leave(self):
        self.client.disconnect()
        self.client.loop_stop()
        return [self.arrived.get() for _ in range(self.arrived.qsize())]


@pytest.mark.parametrize(("broker", "days"), [("mosquitto", 7), ("amqtt", 1)])
def test_every_stored_reading_is_read_by_a_stranger(broker, days, request):
    port = request.getfixturevalue(f"{broker}_port")
    stranger = Stranger(port)
    run = rehearse.Rehearsal(rehearse.load(None, days=days), None, broker=("127.0.0.1", port))
    results = run.run(None)
    payloads = stranger.leave()
    got = {}
    for payload in payloads:
        message = reading(payload)
        key = message["ring"], message["seq"]
        assert got.setdefault(key, message["values"]) == message["values"]
    assert not [entry for entry in results["invariants"] if entry["state"] == "broken"]
    for node, entry in zip(run.world.nodes, results["nodes"], strict=True):
        ring, stored = on_card(node)
        assert entry["readings"]["stored"] == len(stored)
        assert len(stored) in (days * 144, days * 144 + 1)
        assert entry["readings"]["waiting"] == 0
        for seq, values in stored.items():
            assert got[ring, seq] == values
    print(f"{broker}: {len(got)} readings of {days} days, {len(payloads)} packets")
