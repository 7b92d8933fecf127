"""Network and streams of the fast runtime. Law: bytes come a round trip later or never, and waiting costs charge."""

from torpor.errors import LinkError

from hostsim.timeserver import answer

BROKER_ADDRESS = "192.0.2.10"  # RFC 5737: addresses for documentation
TIME_ADDRESS = "192.0.2.20"
NTP_PORT = 123
NAME_MS = 30
CONNECT_MS_MAX = 20000
BYTES_A_MS = 125  # 1 Mbit/s up: assumption for a weak link
CLOCK_OFF_S_MAX = 86400  # a certificate is not valid for a clock that is further off: certificates are new, and old


class Links:
    """resolve, open_stream and open_datagram over the network that the radio has joined."""

    def __init__(self, node, world, radio):
        self._node = node
        self._world = world
        self._radio = radio

    def _through(self, deadline_ms: int, step: str):
        """The network in use. Raises LinkError after the deadline when nothing comes back over it."""
        if self._radio.network is None:
            raise LinkError(step, "no network")
        if deadline_ms <= 0:
            raise LinkError(step, "timeout")
        if self._radio.is_cut():
            self._give_up(min(deadline_ms, CONNECT_MS_MAX), step)
        return self._radio.network

    def _give_up(self, after_ms: int, step: str):
        self._node.spend("online", after_ms)
        raise LinkError(step, "timeout")

    def resolve(self, host: str, deadline_ms: int) -> str:
        network = self._through(deadline_ms, "resolve")
        # no look-up takes a time-out on either platform: it takes as long as it takes
        self._node.spend("online", NAME_MS + network.rtt_ms)
        if host == self._world.broker_host:
            return BROKER_ADDRESS
        if host in self._world.time_hosts:
            return TIME_ADDRESS
        raise LinkError("resolve", "unknown host")

    def open_stream(self, address: str, port: int, tls, deadline_ms: int):
        network = self._through(deadline_ms, "broker")
        node = self._node
        # two more round trips and the arithmetic of a full handshake
        took_ms = network.rtt_ms + (2 * network.rtt_ms + node.durations["tls"] if tls is not None else 0)
        if took_ms > deadline_ms:
            self._give_up(deadline_ms, "broker")
        node.spend("online", took_ms)
        opened = self._world.open_broker(node, network.rtt_ms) if address == BROKER_ADDRESS else None
        if opened is None:
            raise LinkError("broker", "refused")
        if tls is not None:
            self._check_certificate(tls)
        stream = opened if hasattr(opened, "recv_into") else SimulatedStream(node, opened, network.rtt_ms)
        return Tied(node, self._radio, stream, "broker")

    def _check_certificate(self, tls) -> None:
        node = self._node
        shown_s = node.clock.shows(node.now_ms)
        true_s = self._world.start_epoch_s + node.now_ms // 1000
        if shown_s is None or abs(shown_s - true_s) > CLOCK_OFF_S_MAX:
            raise LinkError("tls", "the certificate is not valid now")
        if tls["host"] != self._world.broker_host:
            raise LinkError("tls", "the certificate is another host's")

    def open_datagram(self, address: str, port: int, deadline_ms: int):
        network = self._through(deadline_ms, "time")
        answers = address in (TIME_ADDRESS, BROKER_ADDRESS) and port == NTP_PORT
        channel = TimeChannel(self._node, self._world, network.rtt_ms, answers)
        return Tied(self._node, self._radio, channel, "time")


class Tied:
    """A stream or a channel that ends with the association it was opened over, and with close()."""

    def __init__(self, node, radio, inner, step: str):
        self._node = node
        self._radio = radio
        self._association = radio.association
        self._inner = inner
        self._step = step
        self._cut = False

    def _is_cut(self, timeout_ms: int) -> bool:
        """Raises LinkError where the board itself knows that there is no connection."""
        if self._inner is None or self._radio.association != self._association:
            raise LinkError(self._step, "not connected")
        if timeout_ms <= 0:
            raise LinkError(self._step, "timeout")
        # what was lost on the way stays lost
        self._cut = self._cut or self._radio.is_cut()
        return self._cut

    def send(self, data, timeout_ms: int) -> int:
        cut = self._is_cut(timeout_ms)
        count = min(len(data), timeout_ms * BYTES_A_MS)
        self._node.spend("online", -(-count // BYTES_A_MS))
        # cut: the bytes are in the board's buffer, and nobody will ever see them
        return count if cut else self._inner.send(data[:count], timeout_ms)

    def recv_into(self, buffer, timeout_ms: int) -> int:
        if self._is_cut(timeout_ms):
            self._node.spend("online", timeout_ms)
            raise LinkError(self._step, "timeout")
        return self._inner.recv_into(buffer, timeout_ms)

    def close(self) -> None:
        if self._inner is not None:
            self._inner.close()
            self._inner = None


class TimeChannel:
    """A datagram channel; answers: there is a time server at the other end."""

    def __init__(self, node, world, rtt_ms: int, answers: bool = True):
        self._node = node
        self._world = world
        self._rtt_ms = rtt_ms
        self._answers = answers
        self._reply = None
        self._due_ms = 0

    def send(self, data, timeout_ms: int) -> int:
        now_ms = self._node.now_ms
        # the two ways take unequal time: the error that network time really has
        out_ms = self._rtt_ms * self._node.radio_random.randint(25, 75) // 100
        if self._answers:
            at_server_ms = self._world.start_epoch_s * 1000 + now_ms + out_ms
            self._reply = answer(bytes(data), at_server_ms, self._world.time_behaviour(now_ms / 1000.0))
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
            node.spend("online", min(self._rtt_ms, timeout_ms))
            return 0
        node.spend("online", timeout_ms)
        raise LinkError("broker", "timeout")

    def close(self) -> None:
        if not self._connection.closed:
            self._connection.lost(self._node.now_ms / 1000.0)
