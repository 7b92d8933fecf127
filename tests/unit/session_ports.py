"""A whole board in memory, for tests of the cycle and the session. Law: it is never kinder than the platform.

Time moves only in calls that wait. Every port call is counted; `fault` makes one of them raise before it has any
effect. The broker is the one of the simulation. Between wakes only card, NVM, retained memory and RTC remain.
"""

import copy
import random
import re
from binascii import crc32

from ring_device import Device
from torpor import BUILD_EPOCH_S, cycle
from torpor.errors import CardError, LinkError

from hostsim import senml_read
from hostsim.broker import Broker
from hostsim.timeserver import answer

START_S = BUILD_EPOCH_S + 40 * 86400 + 11
BROKER = "192.0.2.10"  # RFC 5737: addresses for documentation
TIME_SERVER = "192.0.2.20"
BOOT_MS = 400
SETTINGS = """
node = "north-stack"
sample_every_s = 600
transmit_every_s = 3600
[broker]
host = "broker.yard.example"
tls = false
[[network]]
ssid = "yard-office"
password = "a long word"
[[network]]
ssid = "kiln-shed"
password = "a long word"
[[sensor]]
driver = "air.Air"
read = ["temperature", "relative_humidity"]
rail = "sensors"
[[analog]]
name = "battery"
pin = "A0"
[rails]
sensors = "D5"
[card]
size_mib = 1
[time]
servers = ["time.yard.example"]
[status]
service_s = 1
"""


class Asleep(BaseException):
    """The board sleeps for `args[0]` seconds."""


class PowerLoss(BaseException):
    """The board has lost its power."""


class WatchdogReset(BaseException):
    """The watchdog has bitten."""


class Air:
    """A sensor with two values."""

    temperature = 21.37
    relative_humidity = 61.5


class Board:
    """One board and what is around it. `wake()` runs one wake and lets the sleep after it pass."""

    def __init__(self, settings=SETTINGS, retained_bytes=2048, seed=1):
        self.settings = settings.encode()
        self.eui = bytes.fromhex("00163efffe123456")
        self.now_ms = 5_000_000
        self.rtc_offset_s = None  # None: the RTC has not been set since it stopped
        self.retained = bytearray(retained_bytes)
        self.nvm = [b"", b""]
        self.nvm_full = False
        self.files = {}
        self.unnamed = {}  # created, and not yet kept
        self.card_present = True
        self.card_full = False
        self.parts = {"air.Air": Air}
        self.battery_mv = 3900
        self.pin_mv = {"battery": 1950}
        self.rails = {}
        self.radio_on = False
        self.airwaves = {"yard-office": "good", "kiln-shed": "good"}
        self.time_behaviour = "good"
        self.peers = Peers()
        self.broker = Broker([], self._published)
        self.arrived = []  # (topic, payload, dup, retain)
        self.joins = []
        self.joining_ms = 0
        self.random = random.Random(seed)
        self.calls = []
        self.fault = None  # (index of the call, exception)
        self.logged = []
        self.wakes = 0

    def call(self, name, ms=0):
        """Every port call comes through here."""
        self.calls.append(name)
        if self.fault is not None and len(self.calls) - 1 == self.fault[0]:
            raise self.fault[1]
        self.now_ms += ms

    def true_s(self):
        return START_S + self.now_ms // 1000

    def wake(self, cause="deep-sleep", reason="timer"):
        """One wake; returns the seconds that it sleeps, or raises what ended it otherwise."""
        self.calls, self.logged, self.joins, self.joining_ms = [], [], [], 0
        self.radio_on = False
        self.wakes += 1
        try:
            cycle.wake(Ports(self, cause, reason if cause == "deep-sleep" else None))
        except Asleep as asleep:
            seconds = asleep.args[0]
            assert isinstance(seconds, int)
            assert 1 <= seconds <= 86400
            self.now_ms += seconds * 1000 + BOOT_MS
            return seconds
        raise AssertionError("the wake returned")

    def lose_power(self):
        """Battery out: retained memory holds anything, the RTC has stopped."""
        self.retained[:] = self.random.randbytes(len(self.retained))
        self.rtc_offset_s = None
        self.now_ms += 3000

    def copy(self):
        return copy.deepcopy(self)

    def _published(self, client_id, topic, payload, now_s, dup, retain):
        self.arrived.append((topic, payload, dup, retain))

    def readings(self):
        """[(ring, seq, dup, reading)] in order of arrival."""
        found = []
        for topic, payload, dup, _ in self.arrived:
            if topic.endswith("/readings"):
                reading = senml_read.reading(payload)
                found.append((reading["ring"], reading["seq"], dup, reading))
        return found

    def delivered(self):
        """The seqs of each ring that have arrived."""
        found = {}
        for ring, seq, _, _ in self.readings():
            found.setdefault(ring, set()).add(seq)
        return found

    def events(self):
        return [name for name, _ in self.logged]


class Peers:
    """How the broker's side of each connection behaves: `hear` bytes of ours, `say` bytes of its own, then it closes.

    chunk: most bytes a receive gives; gulp: most bytes a send takes; delay_ms: each receive waits so long.
    """

    def __init__(self, hear=None, say=None, chunk=None, gulp=None, delay_ms=20):
        self.hear, self.say, self.chunk, self.gulp, self.delay_ms = hear, say, chunk, gulp, delay_ms
        self.prefix = b""  # said before everything else
        self.said = []  # bytes that the node has received, one entry a connection
        self.heard = []
        self.opened = 0
        self.left_open = 0


class Stream:
    def __init__(self, board, connection):
        self._board, self._connection = board, connection
        self._peers = board.peers
        self._inbox = bytearray(self._peers.prefix)
        self._open = True
        self._peers.opened += 1
        self._peers.left_open += 1
        self._peers.said.append(bytearray())
        self._peers.heard.append(bytearray())

    def send(self, data, timeout_ms):
        board, peers = self._board, self._peers
        board.call("stream.send", 1)
        assert self._open
        assert timeout_ms > 0
        if not board.radio_on or self._connection.closed:
            raise LinkError("broker", "reset")
        data = bytes(data)[: peers.gulp]
        taken = len(data)
        heard = peers.heard[-1]
        if peers.hear is not None:
            data = data[: max(0, peers.hear - len(heard))]
        heard += data
        if data:
            self._inbox += self._connection.feed(data, board.now_ms // 1000)
        if peers.hear is not None and len(heard) >= peers.hear:
            self._connection.lost(board.now_ms // 1000)
        return taken

    def recv_into(self, buffer, timeout_ms):
        board, peers = self._board, self._peers
        board.call("stream.recv_into")
        assert self._open
        assert timeout_ms > 0
        said = peers.said[-1]
        room = len(buffer) if peers.chunk is None else min(len(buffer), peers.chunk)
        if peers.say is not None:
            room = min(room, peers.say - len(said))
            if room <= 0:
                board.now_ms += peers.delay_ms
                self._connection.lost(board.now_ms // 1000)
                return 0
        if self._inbox:
            if peers.delay_ms > timeout_ms:
                board.now_ms += timeout_ms
                raise LinkError("broker", "timeout")
            board.now_ms += peers.delay_ms
            count = min(room, len(self._inbox))
            buffer[:count] = self._inbox[:count]
            said += self._inbox[:count]
            del self._inbox[:count]
            return count
        if self._connection.closed:
            board.now_ms += peers.delay_ms
            return 0
        board.now_ms += timeout_ms
        raise LinkError("broker", "timeout")

    def close(self):
        self._board.call("stream.close")
        if self._open:
            self._open = False
            self._peers.left_open -= 1
            self._connection.lost(self._board.now_ms // 1000)


class Datagrams:
    def __init__(self, board):
        self._board, self._reply = board, None

    def send(self, data, timeout_ms):
        self._board.call("datagram.send", 10)
        true_ms = START_S * 1000 + self._board.now_ms
        self._reply = answer(bytes(data), true_ms, self._board.time_behaviour)
        return len(data)

    def recv_into(self, buffer, timeout_ms):
        self._board.call("datagram.recv_into")
        if self._reply is None:
            self._board.now_ms += timeout_ms
            raise LinkError("time", "timeout")
        self._board.now_ms += 10
        count = len(self._reply)
        buffer[:count] = self._reply
        return count

    def close(self):
        self._board.call("datagram.close")


class RingFile:
    def __init__(self, board, device):
        self._board, self._device = board, device
        self.sector_count = device.sector_count

    def _reach(self, name):
        self._board.call(name, 1)
        if not self._board.card_present:
            raise CardError("no card")

    def read(self, sector, buffer):
        self._reach("file.read")
        self._device.read(sector, buffer)

    def write(self, sector, data):
        self._reach("file.write")
        self._device.write(sector, data)


class Ports:
    """The ports of one wake. The object is its own clock, card, radio ...: each group of calls has a class below."""

    def __init__(self, board, cause, reason):
        self.board = board
        self.eui = board.eui
        self.clock, self.random, self.log, self.nvm = Clock(board), Random(board), Log(board), Nvm(board)
        self.card, self.drivers, self.analog = Card(board), Drivers(board), Analog(board)
        self.radio, self.network, self.signal = Radio(board), Network(board), Signal(board)
        self.power = Power(board, cause, reason)

    def settings_file(self):
        self.board.call("settings_file")
        return self.board.settings


class Part:
    def __init__(self, board):
        self._board = board


class Clock(Part):
    def ticks_ms(self):
        self._board.call("clock.ticks_ms")
        return self._board.now_ms

    def elapsed_ms(self, since):
        self._board.call("clock.elapsed_ms")
        return self._board.now_ms - since

    def wait_ms(self, ms):
        assert ms >= 0
        self._board.call("clock.wait_ms", ms)

    def rtc_epoch_s(self):
        self._board.call("clock.rtc_epoch_s")
        offset_s = self._board.rtc_offset_s
        return None if offset_s is None else offset_s + self._board.now_ms // 1000

    def set_rtc(self, epoch_s):
        self._board.call("clock.set_rtc")
        self._board.rtc_offset_s = epoch_s - self._board.now_ms // 1000


class Random(Part):
    def u32(self):
        self._board.call("random.u32")
        return self._board.random.getrandbits(32)


class Log(Part):
    def event(self, name, **integers):
        self._board.call("log.event")
        assert all(isinstance(value, int) for value in integers.values())
        self._board.logged.append((name, integers))

    def trace(self, error):
        self._board.call("log.trace")
        self._board.logged.append(("trace", {"error": error}))


class Nvm(Part):
    slots = 2

    def read(self, index):
        self._board.call("nvm.read")
        return self._board.nvm[index]

    def write(self, index, data):
        self._board.call("nvm.write")
        if self._board.nvm_full:
            raise OSError(28)
        self._board.nvm[index] = bytes(data)


class Card(Part):
    def _reach(self, name):
        self._board.call(name, 30)
        if not self._board.card_present:
            raise CardError("no card")

    def rings(self):
        self._reach("card.rings")
        return list(self._board.files)

    def open(self, name):
        self._reach("card.open")
        return RingFile(self._board, self._board.files[name])

    def create(self, name, sector_count):
        self._reach("card.create")
        if self._board.card_full:
            raise CardError("full")
        device = self._board.unnamed[name] = Device(sector_count, self._board.random.getrandbits(16))
        return RingFile(self._board, device)

    def keep(self, name):
        self._reach("card.keep")
        self._board.files[name] = self._board.unnamed.pop(name)


class Drivers(Part):
    def load(self, driver, bus, address):
        self._board.call("drivers.load", 5)
        if driver not in self._board.parts:
            raise ValueError("No I2C device at address: 0x44")
        return self._board.parts[driver]()


class Analog(Part):
    def read_mv(self, name):
        self._board.call("analog.read_mv", 1)
        if name not in self._board.pin_mv:
            raise OSError(19)
        return self._board.pin_mv[name]


class Radio(Part):
    def join(self, network, bssid, channel, deadline_ms):
        board = self._board
        board.call("radio.join", 300)
        assert deadline_ms > 0
        board.radio_on = True
        started_ms = board.now_ms
        try:
            return self._join(network, bssid, deadline_ms)
        finally:
            board.joining_ms += board.now_ms - started_ms

    def _join(self, network, bssid, deadline_ms):
        board = self._board
        board.joins.append((network["ssid"], bssid is not None))
        kind = board.airwaves.get(network["ssid"], "absent")
        if kind == "hangs":
            raise WatchdogReset
        if isinstance(kind, Exception):
            raise kind
        if kind == "absent":
            board.now_ms += deadline_ms
            raise LinkError("join", "absent")
        index = list(board.airwaves).index(network["ssid"])
        if bssid is not None and bssid != bytes([2, 0, 0, 0, 0, index]):
            board.now_ms += deadline_ms
            raise LinkError("join", "no such access point")
        board.way = kind
        return (None, 0) if kind == "nameless" else (bytes([2, 0, 0, 0, 0, index]), 6)

    def off(self):
        self._board.call("radio.off")
        self._board.radio_on = False

    def rssi_dbm(self):
        self._board.call("radio.rssi_dbm")
        return -61 if self._board.radio_on else None


class Network(Part):
    def _through(self, name, deadline_ms, step):
        board = self._board
        board.call(name, 20)
        assert deadline_ms > 0
        if not board.radio_on:
            raise LinkError(step, "no network")
        if board.way == "dead end":
            board.now_ms += deadline_ms
            raise LinkError(step, "timeout")

    def resolve(self, host, deadline_ms):
        self._through("network.resolve", deadline_ms, "resolve")
        return BROKER if host.startswith("broker") else TIME_SERVER

    def open_stream(self, address, port, tls, deadline_ms):
        self._through("network.open_stream", deadline_ms, "broker")
        board = self._board
        if board.way == "impostor":
            raise LinkError("tls", "the certificate is another's")
        if address != BROKER and not re.fullmatch(r"192\.0\.2\.\d+", address):
            raise LinkError("broker", "no route")
        connection = board.broker.connect(board.now_ms // 1000) if address == BROKER else Stranger()
        if connection is None:
            raise LinkError("broker", "refused")
        return Stream(board, connection)

    def open_datagram(self, address, port, deadline_ms):
        self._through("network.open_datagram", deadline_ms, "time")
        return Datagrams(self._board)


class Stranger:
    """Whatever else listens at an address: it takes bytes and says nothing."""

    closed = False

    def feed(self, data, now_s):
        return b""

    def lost(self, now_s):
        self.closed = True


class Power(Part):
    def __init__(self, board, cause, reason):
        Part.__init__(self, board)
        self.reset_cause, self.wake_reason, self.retained = cause, reason, board.retained

    def rail(self, name, on):
        self._board.call("power.rail")
        self._board.rails[name] = on

    def battery_mv(self):
        self._board.call("power.battery_mv", 1)
        return self._board.battery_mv

    def feed_watchdog(self):
        self._board.call("power.feed_watchdog")

    def deep_sleep(self, seconds):
        self._board.calls.append("power.deep_sleep")
        raise Asleep(seconds)


class Signal(Part):
    def show(self, pattern):
        self._board.call("signal.show")
        assert pattern in ("service", "stored", "joined", "accepted", "refused", "unreached")
        self._board.logged.append(("shown", {"pattern": pattern}))

    def button(self):
        self._board.call("signal.button")
        return False


def deployed(settings=SETTINGS, **how):
    """A board that has found the time and delivered its first reading."""
    board = Board(settings, **how)
    board.wake("power-on")
    return board


def hold_back(board, readings):
    """Let `readings` more be stored with every network gone; then bring the networks back."""
    airwaves, board.airwaves = board.airwaves, {}
    while readings:
        board.wake()
        readings -= board.events().count("stored") + board.events().count("held")
    board.airwaves = airwaves
    return board


def run_until_quiet(board, wakes=40):
    """Let time pass until nothing waits; returns whether that came within `wakes`."""
    for _ in range(wakes):
        board.wake()
        if diary(board).acked_to == diary(board).head and not diary(board).bits & 32:
            return True
    return False


def diary(board):
    from torpor.retained import Retained

    return Retained(board.retained)


def held_in(board):
    """The held readings of a board with the channels of SETTINGS."""
    from torpor.held import Held

    return Held(board.retained, 12 + 6 * 3, crc32(b"temperature,relative-humidity,battery"), 0)
