"""One wake of a board: where its time goes, its watchdog and its wires. Law: time passes here, and is charged, once.

The platform's modules are built on this. Whatever they do ends in look(), so that the watchdog bites in time.
"""

import errno

from torpor.errors import CardError, LinkError

from hostsim.node import Node
from hostsim.runtimes.card_port import CardPort
from hostsim.runtimes.circuitpython.chip import Chip
from hostsim.runtimes.endings import WatchdogReset
from hostsim.runtimes.fitted import JudgedClock, Reach, fit
from hostsim.runtimes.links import Links
from hostsim.runtimes.radio_port import Radio
from hostsim.runtimes.sockets import RealStream
from hostsim.wiring import Rails

# of the TLS library: the certificate was refused (X509 verification failed)
CERTIFICATE_REFUSED = -0x2700
I2C_HZ = 100000


class Hung(BaseException):
    """A call never came back, and there was no watchdog: the board is lost until somebody comes."""


class Machine:
    def __init__(self, node: Node, world, judge, chip: Chip):
        self.node = node
        self.judge = judge
        self.chip = chip
        self.booted_ms = node.now_ms
        self.rails = Rails(node.wiring.rails)
        self.reach = Reach(node, judge)
        self.buses = fit(node, self.rails, judge, self.reach)
        self.card = CardPort(node, self.rails, judge)
        self.radio = Radio(node, world.air, judge)
        self.dialling = Dialling(world, node)
        self.links = Links(node, self.dialling, self.radio)
        self.air = world.air
        self.events = world.events
        self.clock = JudgedClock(node, judge)
        self.bites_ms: int | None = None  # when the watchdog does, unless it is fed
        self.in_use: set[str] = set()  # pins
        self.true_s = lambda: world.start_epoch_s + node.now_ms / 1000.0
        self._owed_us = 0

    def spend(self, state: str, ms: int) -> None:
        self.node.spend(state, ms)
        self.look()

    def spend_us(self, state: str, us: float) -> None:
        """Time too short for the world's clock is owed until it makes up a millisecond."""
        self._owed_us += int(us)
        ms, self._owed_us = divmod(self._owed_us, 1000)
        if ms:
            self.spend(state, ms)

    def look(self) -> None:
        if self.bites_ms is not None and self.node.now_ms >= self.bites_ms:
            raise WatchdogReset

    def hang(self) -> None:
        """A call that never comes back."""
        if self.bites_ms is None:
            raise Hung
        self.node.spend(self.node.radio_state or "awake", max(0, self.bites_ms - self.node.now_ms))
        raise WatchdogReset

    def waiting(self) -> str:
        """The state that waiting is spent in."""
        return self.node.radio_state or "awake"

    def claim(self, pin: str) -> None:
        if pin in self.in_use:
            raise ValueError(f"{pin} in use")
        self.in_use.add(pin)

    def level(self, pin: str, high: bool) -> None:
        """A pin is driven: a rail's switch, or a clock line pulsed by hand."""
        for rail, its_pin in self._table("rails").items():
            if its_pin == pin:
                self.rails.switch(rail, high, self.node.now_ms)
        for name, (scl, _) in self.wires().items():
            if scl == pin and not high:
                self.buses[name].clock_scl(1)

    def wires(self) -> dict[str, tuple[str, str]]:
        """{bus: (pin of SCL, pin of SDA)}."""
        entries = self.chip.settings.get("bus", [])
        return {entry["name"]: (entry["scl"], entry["sda"]) for entry in entries} or {"i2c": ("SCL", "SDA")}

    def _table(self, name: str) -> dict:
        value = self.chip.settings.get(name)
        return value if isinstance(value, dict) else {}

    def told(self, text: str) -> None:
        """A line on the console: an event `name key=1`, or anything else that was printed."""
        name, *words = text.split(" ")
        try:
            pairs = [word.split("=") for word in words]
            integers = {key: int(value) for key, value in pairs}
        except ValueError:
            self.judge.logged(self.node.now_ms, text)
            name, integers = ("trace", {}) if name == "trace" else ("console", {"text": text})
        line = self.events.write(self.node.now_ms, self.node.name, name, integers)
        self.judge.logged(self.node.now_ms, line)

    def card_call(self, call, *arguments):
        """What a card port's call gives, its errors in the platform's words."""
        try:
            return call(*arguments)
        except CardError as error:
            raise OSError(errno.EIO, str(error)) from None
        finally:
            self.look()

    def link_call(self, call, *arguments):
        """The same for the network."""
        try:
            return call(*arguments)
        except LinkError as error:
            raise _os_error(error) from None
        finally:
            self.look()


def _os_error(error: LinkError) -> OSError:
    detail = str(error.args[1])
    if error.step == "tls":
        return OSError(CERTIFICATE_REFUSED, "MBEDTLS_ERR_X509_CERT_VERIFY_FAILED")
    # with one argument, as on the board: with two CPython would make a TimeoutError of it
    numbers = {
        "timeout": errno.ETIMEDOUT,
        "refused": errno.ECONNREFUSED,
        "reset": errno.ECONNRESET,
        "not connected": errno.ENOTCONN,
        "no network": errno.EHOSTUNREACH,
    }
    return OSError(numbers.get(detail, errno.ECONNABORTED))


class Dialling:
    """The world, for the links of one node; a real broker is dialled as the firmware asks, not as the desk would.

    secured: None, or (host, the certificates to trust in PEM) of the connection that is being opened.
    """

    def __init__(self, world, node: Node):
        self._world = world
        self._node = node
        self.secured: tuple[str, str] | None = None
        self.broker_host = world.broker_host
        self.time_hosts = world.time_hosts
        self.time_behaviour = world.time_behaviour
        self.start_epoch_s = world.start_epoch_s

    def open_broker(self, node: Node, rtt_ms: int):
        desk = self._world.desk
        if desk is None:
            return self._world.open_broker(node, rtt_ms)
        desk.hand_over()
        host, trusted = self.secured or ("", None)
        return RealStream(node, desk.address, rtt_ms, host, trusted)
