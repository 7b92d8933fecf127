"""Network and streams of the fast runtime. Law: bytes arrive a round trip later, or never, and waiting costs charge."""

from torpor.errors import LinkError

from hostsim.timeserver import answer

BROKER_ADDRESS = "192.0.2.10"  # RFC 5737: addresses for documentation
TIME_ADDRESS = "192.0.2.20"
NAME_MS = 30
CONNECT_MS_MAX = 20000


class Links:
    """resolve, open_stream and open_datagram over the network that the radio has joined."""

    def __init__(self, node, world, radio):
        self._node = node
        self._world = world
        self._radio = radio

    def _through(self, deadline_ms: int, step: str):
        network = self._radio.network
        if network is None:
            raise LinkError(step, "no network")
        if network.kind_at(self._node.name, self._node.now_ms / 1000.0) == "dead-end":
            self._node.spend("online", max(0, min(deadline_ms, CONNECT_MS_MAX)))
            raise LinkError(step, "timeout")
        return network

    def resolve(self, host: str, deadline_ms: int) -> str:
        network = self._through(deadline_ms, "resolve")
        self._node.spend("online", NAME_MS + network.rtt_ms)
        return BROKER_ADDRESS if host == self._world.broker_host else TIME_ADDRESS

    def open_stream(self, address: str, port: int, tls, deadline_ms: int):
        network = self._through(deadline_ms, "broker")
        node = self._node
        node.spend("online", network.rtt_ms)
        if tls is not None:
            # two more round trips and the arithmetic of a full handshake
            node.spend("online", 2 * network.rtt_ms + node.board.durations["tls"])
        opened = self._world.open_broker(node, network.rtt_ms)
        if opened is None:
            raise LinkError("broker", "refused")
        return opened if hasattr(opened, "recv_into") else SimulatedStream(node, opened, network.rtt_ms)

    def open_datagram(self, address: str, port: int, deadline_ms: int):
        network = self._through(deadline_ms, "time")
        return TimeChannel(self._node, self._world, network.rtt_ms)


class TimeChannel:
    """A datagram channel to the time server."""

    def __init__(self, node, world, rtt_ms: int):
        self._node = node
        self._world = world
        self._rtt_ms = rtt_ms
        self._reply = None

    def send(self, data, timeout_ms: int) -> int:
        # the two ways take unequal time: the error that network time really has
        out_ms = self._rtt_ms * self._node.radio_random.randint(25, 75) // 100
        at_server_ms = self._world.start_epoch_s * 1000 + self._node.now_ms + out_ms
        self._reply = answer(bytes(data), at_server_ms, self._world.time_behaviour(self._node.now_ms / 1000.0))
        return len(data)

    def recv_into(self, buffer, timeout_ms: int) -> int:
        if self._reply is None or self._rtt_ms > timeout_ms:
            self._node.spend("online", timeout_ms)
            raise LinkError("time", "timeout")
        self._node.spend("online", self._rtt_ms)
        count = len(self._reply)
        buffer[:count] = self._reply
        self._reply = None
        return count

    def close(self) -> None:
        pass


class SimulatedStream:
    """A stream to the simulated broker."""

    def __init__(self, node, connection, rtt_ms: int):
        self._node = node
        self._connection = connection
        self._rtt_ms = rtt_ms
        self._inbox = bytearray()
        self._due_ms = 0

    def send(self, data, timeout_ms: int) -> int:
        now_ms = self._node.now_ms
        if self._connection.closed:
            raise LinkError("broker", "reset")
        reply = self._connection.feed(bytes(data), now_ms / 1000.0)
        if reply:
            self._inbox += reply
            self._due_ms = now_ms + self._rtt_ms
        return len(data)

    def recv_into(self, buffer, timeout_ms: int) -> int:
        node = self._node
        if self._inbox:
            wait_ms = self._due_ms - node.now_ms
            if wait_ms > timeout_ms:
                node.spend("online", timeout_ms)
                raise LinkError("broker", "timeout")
            if wait_ms > 0:
                node.spend("online", wait_ms)
            count = min(len(buffer), len(self._inbox))
            buffer[:count] = self._inbox[:count]
            del self._inbox[:count]
            return count
        if self._connection.closed:
            node.spend("online", self._rtt_ms)
            return 0
        node.spend("online", timeout_ms)
        raise LinkError("broker", "timeout")

    def close(self) -> None:
        if not self._connection.closed:
            self._connection.lost(self._node.now_ms / 1000.0)
