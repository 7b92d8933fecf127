"""One board on a test bench, whose wakes run against true time. Law: it is never kinder than a board.

The RTC shows whole seconds at its own rate, starts at a new second when it is set, and may be lost. The sleep timer
has an error of its own. `ticks_ms` wraps. NVM can lose power at any byte of a write. Nothing survives a wake but
card, NVM, retained memory and the RTC.
"""

from ring_device import Device, PowerLoss
from torpor.cycle import Cycle
from torpor.errors import CardError, LinkError

from hostsim.timeserver import answer

START_EPOCH_S = 1798761600  # 2027-01-01 00:00 UTC
TICKS_WRAP = 1 << 29  # supervisor.ticks_ms of CircuitPython wraps there
RETAINED_BYTES = 2048
BOOT_MS = 450

SETTINGS = """node = "bench"
sample_every_s = {sample_s}
transmit_every_s = {transmit_s}
[broker]
host = "broker.yard.example"
tls = false
[[network]]
ssid = "{ssid}"
password = "twelve-planks-high"
[[analog]]
name = "battery"
pin = "A0"
[time]
servers = [{servers}]
drift_ppm_max = 100
[status]
service_s = 0
[card]
size_mib = 1
"""


def settings_file(sample_s=600, transmit_s=604800, ssid="yard-office", servers=("one.example",)):
    """The bytes of a settings.toml."""
    listed = ", ".join(f'"{server}"' for server in servers)
    return SETTINGS.format(sample_s=sample_s, transmit_s=transmit_s, ssid=ssid, servers=listed).encode()


class DeepSleep(BaseException):
    """The board has gone to sleep for args[0] seconds."""


class Rtc:
    """A clock chip: rate_ppm positive runs fast. `shows` is None after `stop` until it is set."""

    def __init__(self, board, rate_ppm=0.0):
        self._board = board
        self._rate_ppm = rate_ppm
        self._value = None
        self._at_ms = 0
        self.sets = []  # (true ms, what it was set to)

    def _exact_s(self):
        return self._value + (self._board.now_ms - self._at_ms) * (1 + self._rate_ppm * 1e-6) / 1000

    def rate(self, ppm):
        """Go on at another rate."""
        if self._value is not None:
            self._value = self._exact_s()
        self._at_ms = self._board.now_ms
        self._rate_ppm = ppm

    def shows(self):
        return None if self._value is None else int(self._exact_s() // 1)

    def set(self, epoch_s):
        self._value = float(epoch_s)
        self._at_ms = self._board.now_ms
        self.sets.append((self._board.now_ms, epoch_s))

    def jump(self, seconds):
        self._value = self._exact_s() + seconds
        self._at_ms = self._board.now_ms

    def stop(self):
        self._value = None


class Nvm:
    """Two slots of `size` bytes. cut_at: lose power after that many bytes of the next write."""

    def __init__(self, slots=2, size=4000):
        self.slots = slots
        self.size = size
        self.images = [b"\xff" * size for _ in range(slots)]
        self.writes = 0
        self.cut_at = None

    def read(self, index):
        return self.images[index]

    def write(self, index, data):
        if len(data) > self.size:
            raise OSError(28)
        self.writes += 1
        data = bytes(data)
        cut_at, self.cut_at = self.cut_at, None
        kept = len(data) if cut_at is None else cut_at
        self.images[index] = data[:kept] + self.images[index][kept:]
        if cut_at is not None:
            raise PowerLoss


class Board:
    """The bench. Change its attributes between wakes; `wake` runs one and returns how long it asked to sleep."""

    def __init__(self, settings=None, nvm=None, card=True, rate_ppm=0.0):
        self.now_ms = 0
        self.rtc = Rtc(self, rate_ppm)
        self.nvm = nvm or Nvm()
        self.settings = settings_file() if settings is None else settings
        self.files = {} if card else None
        self.retained = bytearray(RETAINED_BYTES)
        self.battery_mv = 4000
        self.cause = "power-on"
        self.reason = None
        self.timer_ppm = 0.0  # positive: it sleeps too long
        # time server: a behaviour of hostsim.timeserver, or (way out ms, way back ms, error ms)
        self.behaviours = {}
        self.asked = []  # time servers, in the order asked
        self.join = None  # join(network) -> None, or raises
        self.joined = []
        self.events = []
        self.traces = []
        self.read_s = None  # the true time at which an input was last read
        self.shown = []
        self.radio_on_ms = None
        self._random = 0x12345678

    def true_s(self):
        return START_EPOCH_S + self.now_ms / 1000

    def cycle(self):
        """The Cycle of a wake that begins now."""
        self.now_ms += BOOT_MS
        self.events, self.traces, self.joined, self.asked = [], [], [], []
        cycle = Cycle(Ports(self))
        cycle.started_ms = cycle.ports.clock.ticks_ms()
        return cycle

    def wake(self):
        cycle = self.cycle()
        try:
            cycle.run()
        except DeepSleep as asleep:
            return asleep.args[0]
        raise AssertionError("a wake ended without sleep")

    def sleep(self, asked_s, share=1.0, reason="timer"):
        """Sleep by the sleep timer, or for a `share` of it."""
        self.now_ms += int(asked_s * 1000 * share * (1 + self.timer_ppm * 1e-6))
        self.cause, self.reason = "deep-sleep", reason

    def power_cut(self, rtc_lost=False):
        self.retained[:] = bytes(RETAINED_BYTES)
        if rtc_lost:
            self.rtc.stop()
        self.cause, self.reason = "power-on", None

    def u32(self):
        self._random = (self._random * 1664525 + 1013904223) & 0xFFFFFFFF
        return self._random


class Ports:
    def __init__(self, board):
        self.eui = bytes(range(8))
        self.board = board
        self.clock = self.random = self.log = self.card = self.analog = self
        self.radio = self.network = self.power = self.signal = self
        self.nvm = board.nvm
        # power
        self.reset_cause = board.cause
        self.wake_reason = board.reason
        self.retained = board.retained

    def settings_file(self):
        return self.board.settings or None

    # clock
    def ticks_ms(self):
        return self.board.now_ms % TICKS_WRAP

    def elapsed_ms(self, since):
        return (self.board.now_ms - since) % TICKS_WRAP

    def wait_ms(self, ms):
        assert 0 <= ms <= 3600000
        self.board.now_ms += ms

    def rtc_epoch_s(self):
        self.board.now_ms += 1
        return self.board.rtc.shows()

    def set_rtc(self, epoch_s):
        assert isinstance(epoch_s, int)
        self.board.rtc.set(epoch_s)

    def u32(self):
        return self.board.u32()

    # log
    def event(self, name, **integers):
        assert all(isinstance(value, int) for value in integers.values())
        self.board.events.append((name, integers))

    def trace(self, error):
        self.board.traces.append(error)

    # card
    def rings(self):
        if self.board.files is None:
            raise CardError("absent")
        return list(self.board.files)

    def open(self, name):
        if self.board.files is None:
            raise CardError("absent")
        return self.board.files[name]

    def create(self, name, sector_count):
        if self.board.files is None:
            raise CardError("absent")
        self.board.unnamed = Device(sector_count)
        return self.board.unnamed

    def keep(self, name):
        self.board.files[name] = self.board.unnamed

    def read_mv(self, name):
        self.board.read_s = self.board.true_s()
        return self.board.battery_mv

    # radio and network
    def join(self, network, bssid, channel, deadline_ms):
        assert deadline_ms > 0
        self.board.joined.append(network["ssid"])
        if self.board.join is None:
            self.board.now_ms += deadline_ms
            raise LinkError("join", "absent")
        self.board.join(network)
        return b"\x02\x00\x00\xaa\xbb\xcc", 6

    def off(self):
        pass

    def rssi_dbm(self):
        return -70

    def resolve(self, host, deadline_ms):
        if host not in self.board.behaviours:
            self.board.now_ms += deadline_ms
            raise LinkError("resolve", host)
        return host

    def open_datagram(self, address, port, deadline_ms):
        self.board.asked.append(address)
        return Datagram(self.board, address)

    def open_stream(self, address, port, tls, deadline_ms):
        raise LinkError("broker", "refused")

    # power and signal
    def battery_mv(self):
        return self.board.battery_mv

    def rail(self, name, on):
        pass

    def feed_watchdog(self):
        pass

    def deep_sleep(self, seconds):
        assert isinstance(seconds, int)
        assert 1 <= seconds <= 86400
        raise DeepSleep(seconds)

    def show(self, pattern):
        self.board.shown.append(pattern)

    def button(self):
        return False


class Datagram:
    """A way to a time server that behaves as `board.behaviours` says."""

    def __init__(self, board, server):
        self._board = board
        self._behaviour = board.behaviours[server]
        self._reply = None
        self._back_ms = 20

    def send(self, data, timeout_ms):
        behaviour, out_ms, error_ms = self._behaviour, 20, 0
        if isinstance(behaviour, tuple):
            out_ms, self._back_ms, error_ms = behaviour
            behaviour = "good"
        self._board.now_ms += out_ms
        at_ms = START_EPOCH_S * 1000 + self._board.now_ms + error_ms
        self._reply = answer(bytes(data), at_ms, behaviour)
        return len(data)

    def recv_into(self, buffer, timeout_ms):
        if self._reply is None or self._back_ms > timeout_ms:
            self._board.now_ms += timeout_ms
            raise LinkError("time", "timeout")
        self._board.now_ms += self._back_ms
        buffer[: len(self._reply)] = self._reply
        return len(self._reply)

    def close(self):
        pass
