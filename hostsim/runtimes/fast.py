"""The fast runtime: the portable node in CPython on simulated ports. Law: a port is never kinder than a board.

Every wake starts with nothing but card, NVM, retained memory and the clock chip. Time passes by the board's table of
durations, never by measurement.
"""

from torpor import cycle, last_good
from torpor.errors import CardError, LinkError

from hostsim.card import CardFault
from hostsim.node import Node
from hostsim.runtimes.links import Links
from hostsim.runtimes.sensors import Drivers

_choose = last_good.choose
_chosen: dict = {}
CHOICES_MAX = 4096


def _choose_once(data, nvm):
    """last_good.choose, which is a pure function of the file and of NVM, computed once for each pair of them.

    Only this runtime remembers it: it saves a fifth of a wake.
    """
    key = (data, *(nvm.read(index) for index in range(nvm.slots)))
    found = _chosen.get(key)
    if found is None:
        if len(_chosen) >= CHOICES_MAX:
            _chosen.clear()
        found = _choose(data, nvm)
        if key[1:] != tuple(nvm.read(index) for index in range(nvm.slots)):
            return found  # it wrote to NVM, which must happen every time
        _chosen[key] = found
    return last_good.Choice(found.settings, found.crc, found.good, found.previous, found.problem)


last_good.choose = _choose_once


class DeepSleep(BaseException):
    """The board has gone to sleep: not an Exception, so that no handler of the node can swallow it."""


class WatchdogReset(BaseException):
    """The watchdog has bitten."""


class Clock:
    def __init__(self, node: Node, judge):
        self._node = node
        self._judge = judge

    def ticks_ms(self) -> int:
        return self._node.now_ms

    def elapsed_ms(self, since: int) -> int:
        return self._node.now_ms - since

    def wait_ms(self, ms: int) -> None:
        self._node.spend("awake" if self._node.radio_state is None else self._node.radio_state, ms)

    def rtc_epoch_s(self):
        return self._node.clock.shows(self._node.now_ms)

    def set_rtc(self, epoch_s: int) -> None:
        self._node.clock.set(self._node.now_ms, epoch_s)
        self._judge.clock_set(self._node.now_ms, epoch_s)


class RandomSource:
    def __init__(self, node: Node):
        self._draw = node.firmware_random.getrandbits

    def u32(self) -> int:
        return self._draw(32)


class Log:
    def __init__(self, node: Node, events, judge):
        self._node = node
        self._events = events
        self._judge = judge
        self.defects = 0

    def event(self, name: str, **integers: int) -> None:
        line = self._events.write(self._node.now_ms, self._node.name, name, integers)
        self._judge.logged(self._node.now_ms, line)

    def trace(self, error: Exception) -> None:
        self.defects += 1
        self.event("trace")
        self._judge.logged(self._node.now_ms, repr(error))
        self._events.trace(error)


class Nvm:
    slots = 2

    def __init__(self, node: Node):
        self._node = node

    def read(self, index: int) -> bytes:
        return self._node.nvm[index]

    def write(self, index: int, data) -> None:
        if len(data) > self._node.board.nvm_slot_bytes:
            raise OSError(28)
        self._node.nvm[index] = bytes(data)


class RingFile:
    """An open ring file: reads and writes cost time, and a card that is pulled fails the next one."""

    def __init__(self, node: Node, name: str):
        self._node = node
        self._card = node.card
        self._read_ms = node.board.durations["card_read"]
        self._write_ms = node.board.durations["card_write"]
        self.sector_count = node.card.sector_count(name)

    def read(self, sector: int, buffer) -> None:
        node = self._node
        node.spend("storing", self._read_ms)
        try:
            self._card.check(node.now_ms / 1000.0)
            self._card.read(sector, buffer)
        except CardFault as fault:
            raise CardError(str(fault)) from None

    def write(self, sector: int, buffer) -> None:
        node = self._node
        node.spend("storing", self._write_ms)
        try:
            self._card.check(node.now_ms / 1000.0)
            self._card.write(sector, buffer)
        except CardFault as fault:
            raise CardError(str(fault)) from None


class CardPort:
    def __init__(self, node: Node):
        self._node = node

    def _mount(self) -> None:
        self._node.spend("storing", self._node.board.durations["card_mount"])
        try:
            self._node.card.check(self._node.now_ms / 1000.0)
        except CardFault as fault:
            raise CardError(str(fault)) from None

    def rings(self) -> list[str]:
        self._mount()
        return self._node.card.names()

    def open(self, name: str) -> RingFile:
        return RingFile(self._node, name)

    def create(self, name: str, sector_count: int) -> RingFile:
        try:
            self._node.card.create(name, sector_count)
        except CardFault as fault:
            raise CardError(str(fault)) from None
        return RingFile(self._node, name)


class Analog:
    def __init__(self, node: Node):
        self._node = node

    def read_mv(self, name: str) -> int:
        node = self._node
        node.spend("sensing", node.board.durations["analog_read"])
        if name.startswith("battery"):
            return node.battery_mv + node.noise.randint(-4, 4)
        if name.startswith("supply"):
            # a low-dropout regulator follows the cell once that is too low
            return min(3300, node.battery_mv - 150) + node.noise.randint(-3, 3)
        raise OSError(19)


class Radio:
    def __init__(self, node: Node, air, judge):
        self._node = node
        self._air = air
        self._judge = judge
        self.network = None
        self._used = False

    def scan(self) -> list[tuple[str, int]]:
        node = self._node
        self._judge.radio_on(node.now_ms)
        node.spend("joining", 2400)
        now_s = node.now_ms / 1000.0
        return [
            (network.ssid, network.rssi_dbm)
            for network in self._air.networks
            if network.kind_at(node.name, now_s) != "absent"
        ]

    def join(self, network: dict, bssid, channel: int, deadline_ms: int):
        node = self._node
        self._judge.radio_on(node.now_ms)
        node.radio_uses += 1
        if not self._used:
            self._used = True
            node.spend("awake", node.board.durations["run_session"])
        hinted = (bytes(bssid), channel) if bssid is not None else None
        came = self._air.join(
            node.name, node.now_ms / 1000.0, network["ssid"], network["password"], hinted, deadline_ms, node.radio_random
        )
        node.spend("joining", came.ms)
        if came.hangs:
            raise WatchdogReset
        self.network = came.network
        if came.network is None:
            node.radio_state = None
            raise LinkError("join", came.step)
        node.radio_state = "online"
        return came.network.bssid, came.network.channel

    def off(self) -> None:
        self.network = None
        self._node.radio_state = None

    def rssi_dbm(self):
        return self.network.rssi_dbm if self.network is not None else None


class Power:
    def __init__(self, node: Node):
        self._node = node
        self.retained = node.retained
        self.reset_cause = node.reset_cause
        self.wake_reason = "timer" if node.reset_cause == "deep-sleep" else None

    def rail(self, name: str, on: bool) -> None:
        pass

    def battery_mv(self) -> int:
        self._node.spend("awake", self._node.board.durations["analog_read"])
        return self._node.battery_mv

    def feed_watchdog(self) -> None:
        pass

    def deep_sleep(self, seconds: int) -> None:
        raise DeepSleep(seconds)


class Signal:
    def show(self, pattern: str) -> None:
        pass

    def button(self) -> bool:
        return False


class Ports:
    """One board's ports for one wake."""

    def __init__(self, node: Node, world, judge):
        self.eui = node.eui
        self.clock = Clock(node, judge)
        self.random = RandomSource(node)
        self.log = Log(node, world.events, judge)
        self.nvm = Nvm(node)
        self.card = CardPort(node)
        self.drivers = Drivers(node, judge)
        self.analog = Analog(node)
        self.radio = Radio(node, world.air, judge)
        self.network = Links(node, world, self.radio)
        self.power = Power(node)
        self.signal = Signal()
        self._node = node

    def settings_file(self):
        return self._node.settings_toml


def wake(node: Node, world, judge) -> None:
    """One wake and the sleep after it."""
    node.begin_wake()
    judge.wake_began(node.now_ms, node.retained)
    asked_s = None
    node.radio_state = None
    try:
        cycle.wake(Ports(node, world, judge))
        end = "a return instead of sleep"
    except DeepSleep as asleep:
        asked_s = asleep.args[0]
        end = "sleep"
    except WatchdogReset:
        end = "reset"
    except Exception as error:
        end = f"{type(error).__name__}: {error}"
        world.events.trace(error)
    judge.wake_ended(node.now_ms, end, node.battery_mv)
    if asked_s is not None:
        node.sleep(asked_s)
    else:
        node.reset_cause = "watchdog"
        # whatever it died of, the watchdog is what brings it back
        node.spend("awake", 8000)
