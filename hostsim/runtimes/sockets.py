"""The nodes' bytes to a real broker. Law: the bytes are the node's own; time on the wire is charged from the model.

A real socket waits in wall time, at most WALL_S; then the node's virtual time-out has passed. Outages of networks
still come from the scenario; the broker's own state is whatever it really is.
"""

import errno
import queue
import select
import socket
import time

import paho.mqtt.client as paho
from torpor.errors import LinkError

WALL_S = 10.0
# how long to wait for the subscriber after the last publish, at most and without anything new
DRAIN_S_MAX = 30.0
DRAIN_IDLE_S = 2.0


class RealStream:
    """A TCP stream to the broker."""

    def __init__(self, node, address: tuple[str, int], rtt_ms: int):
        self._node = node
        self._rtt_ms = rtt_ms
        try:
            self._socket = socket.create_connection(address, WALL_S)
        except OSError as error:
            node.spend("online", rtt_ms)
            raise LinkError("broker", str(error)) from None
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def send(self, data, timeout_ms: int) -> int:
        try:
            return self._socket.send(data)
        except OSError as error:
            raise LinkError("broker", str(error)) from None

    def recv_into(self, buffer, timeout_ms: int) -> int:
        ready, _, _ = select.select([self._socket], [], [], min(WALL_S, timeout_ms / 1000.0))
        if not ready:
            self._node.spend("online", timeout_ms)
            raise LinkError("broker", "timeout")
        self._node.spend("online", min(self._rtt_ms, timeout_ms))
        try:
            return self._socket.recv_into(buffer)
        except OSError as error:
            if error.errno == errno.ECONNRESET:
                return 0
            raise LinkError("broker", str(error)) from None

    def close(self) -> None:
        self._socket.close()


class Desk:
    """The other side of the broker: a subscriber that hands what arrives to the judge."""

    def __init__(self, host: str, port: int):
        self._address = (host, port)
        self._arrived: queue.Queue = queue.Queue()
        self._client = paho.Client(paho.CallbackAPIVersion.VERSION2, client_id="", clean_session=True)
        self._client.on_message = lambda client, data, message: self._arrived.put(message)
        self._subscribed = False
        self._client.on_subscribe = self._on_subscribe
        self._world = None

    def _on_subscribe(self, client, data, mid, codes, properties) -> None:
        self._subscribed = True

    def open(self, world) -> None:
        """Connect and subscribe; raises OSError when the broker cannot be reached."""
        self._world = world
        self._client.max_queued_messages_set(0)
        self._client.connect(*self._address, keepalive=600)
        self._client.loop_start()
        self._client.subscribe(
            [(f"torpor/{node.name}/{kind}", 1) for node in world.nodes for kind in ("readings", "health")]
        )
        limit = time.monotonic() + WALL_S
        while not self._subscribed:
            if time.monotonic() > limit:
                raise OSError(errno.ETIMEDOUT, "the broker does not answer")
            time.sleep(0.01)

    def connect(self, world, node, rtt_ms: int) -> RealStream:
        """A stream for one session of a node; whatever has arrived so far goes to the judge first."""
        self._hand_over()
        return RealStream(node, self._address, rtt_ms)

    def _hand_over(self) -> int:
        count = 0
        while True:
            try:
                message = self._arrived.get_nowait()
            except queue.Empty:
                return count
            count += 1
            if message.retain:
                continue  # what an earlier run left behind
            name = message.topic.split("/")[1]
            node = next(node for node in self._world.nodes if node.name == name)
            self._world.arrived(message.topic, message.payload, node)

    def close(self) -> None:
        """Wait for what is still on its way, then leave."""
        limit = time.monotonic() + DRAIN_S_MAX
        quiet_from = time.monotonic()
        while self._world is not None and time.monotonic() < limit and time.monotonic() - quiet_from < DRAIN_IDLE_S:
            if self._hand_over():
                quiet_from = time.monotonic()
            time.sleep(0.02)
        self._client.disconnect()
        self._client.loop_stop()
