"""Network and streams of the fast runtime. Law: bytes come a round trip later or never, and waiting costs charge."""

from torpor.errors import LinkError

from hostsim import portal, radio
from hostsim.runtimes import radio_port
from hostsim.runtimes.streams import SimulatedStream, TimeChannel

BROKER_ADDRESS = "192.0.2.10"  # RFC 5737: addresses for documentation
TIME_ADDRESSES = [f"192.0.2.{number}" for number in range(20, 84)]
TIME_ADDRESS = TIME_ADDRESSES[0]  # the one of several servers that goes astray
NTP_PORT = 123
NAME_MS = 30
# a resolver that hears nothing asks each of two name servers four times, after 1 to 3 s (from memory: lwIP), whatever
# the caller's deadline says: no look-up takes a time-out on either platform
NAMELESS_MS = 14000
CONNECT_MS_MAX = 20000
BYTES_A_MS = 125  # 1 Mbit/s up: assumption for a weak link
# server's certificate, that of its issuer, and the rest of a handshake: assumption
HANDSHAKE_BYTES = 3000
SLOW_BITE_BYTES = 64  # what a receive gives at a time on a slow network
CLOCK_OFF_S_MAX = 86400  # a certificate is not valid for a clock that is further off: certificates are new, and old


# nothing comes back over these; and no name over those
CUT = radio_port.CUT
NAMELESS = (*CUT, "no-names")


class Links:
    """resolve, open_stream and open_datagram over the network that the radio has joined."""

    def __init__(self, node, world, radio):
        self._node = node
        self._world = world
        self._radio = radio

    def _through(self, deadline_ms: int, step: str):
        """What is wrong with the network in use. Raises LinkError in the end when nothing comes back over it."""
        if self._radio.network is None:
            raise LinkError(step, "no network")
        if deadline_ms <= 0:
            raise LinkError(step, "timeout")
        trouble = self._radio.trouble()
        if step == "resolve" and trouble in NAMELESS:
            self._give_up(NAMELESS_MS, step)
        if trouble in CUT:
            self._give_up(min(deadline_ms, CONNECT_MS_MAX), step)
        return trouble

    def _give_up(self, after_ms: int, step: str):
        self._node.spend("online", after_ms)
        raise LinkError(step, "timeout")

    def resolve(self, host: str, deadline_ms: int) -> str:
        trouble = self._through(deadline_ms, "resolve")
        self._node.spend("online", NAME_MS + self._radio.rtt_ms())
        if trouble == "captive":
            return portal.ADDRESS
        if host == self._world.broker_host:
            return BROKER_ADDRESS
        if host in self._world.time_hosts:
            return TIME_ADDRESSES[sorted(self._world.time_hosts).index(host)]
        raise LinkError("resolve", "unknown host")

    def open_stream(self, address: str, port: int, tls, deadline_ms: int):
        trouble = self._through(deadline_ms, "broker")
        node, rtt_ms = self._node, self._radio.rtt_ms()
        # two more round trips and the arithmetic of a full handshake
        took_ms = rtt_ms + (2 * rtt_ms + node.durations["tls"] if tls is not None else 0)
        if trouble == "slow" and tls is not None:
            took_ms += _slow_ms(HANDSHAKE_BYTES)
        if took_ms > deadline_ms:
            self._give_up(deadline_ms, "broker")
        node.spend("online", took_ms)
        opened = None
        if trouble == "captive":
            opened = portal.Door(node.fault_random)
        elif address == BROKER_ADDRESS:
            opened = self._world.open_broker(node, rtt_ms)
        if opened is None:
            raise LinkError("broker", "refused")
        stream = opened if hasattr(opened, "recv_into") else SimulatedStream(node, opened, rtt_ms)
        tied = Tied(node, self._radio, stream, "broker")
        if tls is not None:
            try:
                self._check_certificate(tls, tied.certificate_flaw)
            except LinkError:
                tied.close()
                raise
        return tied

    def _check_certificate(self, tls, flaw: str | None) -> None:
        node = self._node
        if flaw is not None:
            raise LinkError("tls", f"the certificate is refused: {flaw}")
        shown_s = node.clock.shows(node.now_ms)
        true_s = self._world.start_epoch_s + node.now_ms // 1000
        if shown_s is None or abs(shown_s - true_s) > CLOCK_OFF_S_MAX:
            raise LinkError("tls", "the certificate is not valid now")
        if tls["host"] != self._world.broker_host:
            raise LinkError("tls", "the certificate is another host's")

    def open_datagram(self, address: str, port: int, deadline_ms: int):
        trouble = self._through(deadline_ms, "time")
        answers = address in (*TIME_ADDRESSES, BROKER_ADDRESS) and port == NTP_PORT
        lies = None
        if trouble == "captive":
            answers, lies = True, self._node.fault_random.choice(portal.TIME_ANSWERS)
        elif trouble == "no-time":
            answers = False
        channel = TimeChannel(self._node, self._world, self._radio.rtt_ms(), answers, address == TIME_ADDRESS, lies)
        return Tied(self._node, self._radio, channel, "time")


def _slow_ms(count: int) -> int:
    return count * 1000 // radio.SLOW_BYTES_A_S


class Tied:
    """A stream or a channel that ends with the association it was opened over, and with close()."""

    def __init__(self, node, radio, inner, step: str):
        self._node = node
        self._radio = radio
        self._association = radio.association
        self._inner = inner
        self._step = step
        self._cut = False
        self.certificate_flaw = getattr(inner, "certificate_flaw", None)

    def _is_cut(self, timeout_ms: int) -> bool:
        """Raises LinkError where the board itself knows that there is no connection."""
        if self._inner is None or self._radio.association != self._association:
            raise LinkError(self._step, "not connected")
        if timeout_ms <= 0:
            raise LinkError(self._step, "timeout")
        # what was lost on the way stays lost
        self._trouble = self._radio.trouble()
        self._cut = self._cut or self._trouble in CUT
        return self._cut

    def send(self, data, timeout_ms: int) -> int:
        cut = self._is_cut(timeout_ms)
        if self._trouble == "slow":
            count = self._send_slowly(len(data), timeout_ms)
        else:
            count = min(len(data), timeout_ms * BYTES_A_MS)
            self._node.spend("online", -(-count // BYTES_A_MS))
        # cut: the bytes are in the board's buffer, and nobody will ever see them
        return count if cut else self._inner.send(data[:count], timeout_ms)

    def recv_into(self, buffer, timeout_ms: int) -> int:
        if self._is_cut(timeout_ms):
            self._node.spend("online", timeout_ms)
            raise LinkError(self._step, "timeout")
        if self._trouble != "slow":
            return self._inner.recv_into(buffer, timeout_ms)
        began_ms = self._node.now_ms
        count = self._inner.recv_into(memoryview(buffer)[:SLOW_BITE_BYTES], timeout_ms)
        left_ms = timeout_ms - (self._node.now_ms - began_ms)
        self._node.spend("online", max(0, min(left_ms, _slow_ms(count))))
        return count

    def _send_slowly(self, count: int, timeout_ms: int) -> int:
        """Spend the time that the bytes take; returns how many of them leave in time."""
        count = min(count, timeout_ms * radio.SLOW_BYTES_A_S // 1000)
        if not count:
            self._node.spend("online", timeout_ms)
            raise LinkError(self._step, "timeout")
        self._node.spend("online", _slow_ms(count))
        return count

    def close(self) -> None:
        if self._inner is not None:
            self._inner.close()
            self._inner = None
