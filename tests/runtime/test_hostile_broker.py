"""A broker on a real socket that misbehaves. Law: the session ends in time, and what was not answered comes again.

It comes again with DUP and under the same packet id (MQTT 3.1.1, 4.4 and [MQTT-4.3.2-1]).
"""

import shutil
import socket
import threading
from types import SimpleNamespace

import pytest

from hostsim import rehearse, wire
from hostsim.events import Events
from hostsim.runtimes import sockets
from hostsim.scenario import DEFAULT
from hostsim.world import World

HOURS = 8
BAD_SESSIONS = 4
LIMIT_S = 120


class Scripted(sockets.Desk):
    """A broker that treats its first sessions as `kind` says, and the ones after them as a broker should.

    heard: for each session the PUBLISH packets of readings, (packet id, dup, payload) each.
    """

    def __init__(self, kind):
        self._listener = socket.create_server(("127.0.0.1", 0))
        super().__init__(self._listener.getsockname())
        self._kind = kind
        self.heard = []
        threading.Thread(target=self._serve, daemon=True).start()

    def open(self, world):
        self._world = world

    def _serve(self):
        while True:
            try:
                stream, _ = self._listener.accept()
            except OSError:
                return
            self.heard.append([])
            kind = self._kind if len(self.heard) <= BAD_SESSIONS else "good"
            threading.Thread(target=self._session, args=(stream, kind, self.heard[-1]), daemon=True).start()

    def _session(self, stream, kind, heard):
        reader = wire.Reader()
        stream.settimeout(LIMIT_S)
        with stream:
            try:
                while data := stream.recv(65536):
                    for packet in reader.packets(data):
                        if not self._answer(stream, kind, packet, heard):
                            return
            except OSError:
                pass

    def _answer(self, stream, kind, packet, heard):
        """False: close the connection."""
        if packet[0] == wire.PUBLISH and packet[1].endswith("/readings"):
            heard.append((packet[4], packet[5], packet[2]))
        if kind == "mute":
            return True
        if packet[0] == wire.CONNECT:
            stream.sendall(wire.connack(False, 0))
        elif packet[0] == wire.SUBSCRIBE:
            stream.sendall(wire.suback(packet[1], [0] * len(packet[2])))
        elif packet[0] == wire.PUBLISH and packet[4]:
            if kind == "closes":
                return False
            if kind == "garbage":
                stream.sendall(b"\x00\xff\xf0" * 40)
            elif kind == "half":
                stream.sendall(wire.puback(packet[4])[:3])
                return False
            else:
                self._arrived.put(SimpleNamespace(topic=packet[1], payload=packet[2], retain=False))
                stream.sendall(wire.puback(packet[4]))
        return True

    def stop(self):
        self._listener.close()


def one_node(tmp_path):
    """The bundled yard with its first node alone, without TLS."""
    folder = tmp_path / "yard"
    shutil.copytree(DEFAULT.parent, folder)
    path = folder / "north-stack.toml"
    path.write_text(path.read_text().replace("tls = true", "tls = false"))
    text = (folder / "scenario.toml").read_text()
    first, second = text.index("[[node]]"), text.index("[[node]]", text.index("[[node]]") + 1)
    text = text[:second] + text[text.index("[[network]]") :]
    text = text.replace('reach = ["north-stack", "yard-mast"]', 'reach = ["north-stack"]')
    start = text.rindex("[[network]]", first)
    text = text[:start] + text[text.index("[broker]") :]
    text = text[: text.index("# somebody takes the card out")] + text[text.index("[require]") :]
    (folder / "scenario.toml").write_text(text)
    return rehearse.load(folder, days=HOURS / 24)


@pytest.mark.parametrize("runtime", rehearse.RUNTIMES)
@pytest.mark.parametrize("kind", ["mute", "closes", "half", "garbage"])
def test_what_is_not_answered_comes_again(tmp_path, monkeypatch, kind, runtime):
    # nobody has to wait for the whole time-out in wall time: it is charged all the same
    monkeypatch.setattr(sockets, "WALL_S", 0.3)
    wake = __import__(f"hostsim.runtimes.{runtime}", fromlist=["wake"]).wake
    broker = Scripted(kind)
    events = Events(None)
    world = World(one_node(tmp_path), events, "", wake, broker)
    broker.open(world)
    try:
        world.run()
        broker.hand_over()
        counts = world.finish()["north-stack"]
    finally:
        broker.stop()
    assert not events.traces
    broken = [entry for entry in world.invariants.all.values() if entry.state == "broken"]
    assert not broken, broken
    assert counts["stored"] == counts["delivered"] == 6 * HOURS + 1 - counts["waiting"]
    assert counts["lost"] == 0
    bad, good = broker.heard[:BAD_SESSIONS], broker.heard[BAD_SESSIONS]
    assert any(bad)
    sent = {payload: packet_id for session in bad for packet_id, _, payload in session}
    again = {payload: (packet_id, dup) for packet_id, dup, payload in good if payload in sent}
    assert set(again) == set(sent)
    assert all(again[payload] == (packet_id, True) for payload, packet_id in sent.items())
    # the reading of this hour goes out for the first time, and says so
    assert not good[-1][1]
