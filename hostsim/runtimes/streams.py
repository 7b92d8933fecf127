"""What the simulated other ends say, a broker and a time server. Law: bytes come a round trip later or never."""

from torpor.errors import LinkError

from hostsim.timeserver import answer


class SimulatedStream:
    """The node's end of a connection (hostsim.broker_connection, hostsim.portal)."""

    def __init__(self, node, connection, rtt_ms: int):
        self._node = node
        self._connection = connection
        self._rtt_ms = rtt_ms
        self._inbox = bytearray()
        self._due_ms = 0
        self.certificate_flaw = connection.certificate_flaw

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
            self._wait_until(self._due_ms, timeout_ms)
            count = min(len(buffer), len(self._inbox))
            buffer[:count] = self._inbox[:count]
            del self._inbox[:count]
            return count
        if self._connection.closed:
            node.spend("online", min(self._rtt_ms, timeout_ms))
            return 0
        endless = self._connection.stream
        if endless is None:
            node.spend("online", timeout_ms)
            raise LinkError("broker", "timeout")
        self._wait_until(endless.ready_ms(node.now_ms), timeout_ms)
        taken = endless.take(len(buffer), node.now_ms)
        buffer[: len(taken)] = taken
        return len(taken)

    def _wait_until(self, at_ms: int, timeout_ms: int) -> None:
        node = self._node
        wait_ms = at_ms - node.now_ms
        if wait_ms > timeout_ms:
            node.spend("online", timeout_ms)
            raise LinkError("broker", "timeout")
        if wait_ms > 0:
            node.spend("online", wait_ms)

    def close(self) -> None:
        if not self._connection.closed:
            self._connection.lost(self._node.now_ms / 1000.0)


class TimeChannel:
    """A datagram channel; answers: there is a time server at the other end; astray: the one that may go astray.

    lies: how the one that answers in place of all others behaves, None: nobody does.
    """

    def __init__(self, node, world, rtt_ms: int, answers: bool = True, astray: bool = False, lies: str | None = None):
        self._node = node
        self._world = world
        self._rtt_ms = rtt_ms
        self._answers = answers
        self._astray = astray
        self._lies = lies
        self._reply = None
        self._due_ms = 0

    def send(self, data, timeout_ms: int) -> int:
        now_ms = self._node.now_ms
        # the two ways take unequal time: the error that network time really has
        out_ms = self._rtt_ms * self._node.radio_random.randint(25, 75) // 100
        if self._answers:
            at_server_ms = self._world.start_epoch_s * 1000 + now_ms + out_ms
            behaviour = self._lies or self._world.time_behaviour(now_ms / 1000.0)
            if behaviour == "astray" and not self._astray:
                behaviour = "good"
            self._reply = answer(bytes(data), at_server_ms, behaviour)
            self._due_ms = now_ms + self._rtt_ms
        return len(data)

    def recv_into(self, buffer, timeout_ms: int) -> int:
        wait_ms = self._due_ms - self._node.now_ms
        if self._reply is None or wait_ms > timeout_ms:
            self._node.spend("online", timeout_ms)
            raise LinkError("time", "timeout")
        self._node.spend("online", max(0, wait_ms))
        # what does not fit is cut off, as it is from any datagram
        count = min(len(buffer), len(self._reply))
        buffer[:count] = self._reply[:count]
        self._reply = None
        return count

    def close(self) -> None:
        self._reply = None
