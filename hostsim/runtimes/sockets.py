"""The nodes' bytes to a real broker. Law: the bytes are the node's own; time on the wire is charged from the model.

A real socket waits in wall time, at most WALL_S; then the node's virtual time-out has passed. Outages of networks
still come from the scenario; the broker's own state is whatever it really is.
"""

import errno
import queue
import socket
import ssl
import time

import paho.mqtt.client as paho
from torpor.errors import LinkError

WALL_S = 10.0
# how long to wait for the subscriber after the last publish, at most and without anything new
DRAIN_S_MAX = 30.0
DRAIN_IDLE_S = 2.0


class RealStream:
    """A TCP stream to the broker, under TLS where there is a certificate to trust."""

    def __init__(self, node, address: tuple[str, int], rtt_ms: int, host: str, ca_pem: str | None):
        self._node = node
        self._rtt_ms = rtt_ms
        try:
            self._socket = socket.create_connection(address, WALL_S)
            if ca_pem is not None:
                context = ssl.create_default_context(cadata=ca_pem)
                self._socket = context.wrap_socket(self._socket, server_hostname=host)
        except ssl.SSLCertVerificationError as error:
            node.spend("online", rtt_ms)
            raise LinkError("tls", error.verify_message) from None
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
        self._socket.settimeout(min(WALL_S, timeout_ms / 1000.0))
        try:
            count = self._socket.recv_into(buffer)
        except TimeoutError:
            self._node.spend("online", timeout_ms)
            raise LinkError("broker", "timeout") from None
        except OSError as error:
            if error.errno != errno.ECONNRESET:
                raise LinkError("broker", str(error)) from None
            count = 0
        self._node.spend("online", min(self._rtt_ms, timeout_ms))
        return count

    def close(self) -> None:
        self._socket.close()


class Desk:
    """The other side of the broker: a subscriber that hands what arrives to the judge.

    address: (host, port) of the broker; ca_pem: the certificate to trust, None: without TLS.
    """

    def __init__(self, address: tuple[str, int], ca_pem: str | None = None):
        self.address = address
        self.ca_pem = ca_pem
        self._arrived: queue.Queue = queue.Queue()
        self._client = paho.Client(paho.CallbackAPIVersion.VERSION2, client_id="", clean_session=True)
        if ca_pem is not None:
            # whether the certificate is to be trusted is for the nodes to find out: the desk only counts what comes
            context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
            context.check_hostname = False
            context.verify_mode = ssl.CERT_NONE
            self._client.tls_set_context(context)
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
        self._client.connect(*self.address, keepalive=600)
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
        self.hand_over()
        return RealStream(node, self.address, rtt_ms, world.broker_host, self.ca_pem)

    def hand_over(self) -> int:
        """Give the judge what has arrived so far; how many packets that were."""
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
            if self.hand_over():
                quiet_from = time.monotonic()
            time.sleep(0.02)
        self._client.disconnect()
        self._client.loop_stop()
