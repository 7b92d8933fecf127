"""The sound level: right for every input, on small integers, on both interpreters; and a microphone that fails."""

import json
import math
import shutil
import struct
import subprocess
import sys
from pathlib import Path
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from session_ports import Board, Ports
from torpor import settings as node_settings
from torpor import settings_rules
from torpor.record import ABSENT, SENSOR_FAILED
from torpor.sensors import sampling, sound

ROOT = Path(__file__).resolve().parents[2]
RATE_HZ = 16000
SMALL_MAX = 2**30 - 1
TEXT = """
node = "n"
[broker]
host = "b"
tls = false
[[network]]
ssid = "s"
password = ""
[[analog]]
name = "battery"
pin = "A0"
[[sound]]
weighting = "A"
sensitivity_tenth_dbfs = -260
clock = "D1"
data = "D2"
rail = "mic"
warm_up_ms = 150
[[sound]]
name = "low"
sensitivity_tenth_dbfs = -260
clock = "D3"
data = "D4"
[rails]
mic = "D5"
"""
SETTINGS = node_settings.read(TEXT.encode())


def packed(samples):
    return struct.pack(f"<{len(samples)}h", *samples)


def tenths(samples, weighting="Z", sensitivity=-260):
    level = sound.Level(weighting, RATE_HZ, sensitivity)
    level.feed(packed(samples), len(samples))
    return level.level_tenths()


def reference_tenths(samples, sensitivity=-260):
    """10 log10 of the variance re that of a sine at full scale, in floating point."""
    mean = math.fsum(samples) / len(samples)
    square = math.fsum((x - mean) ** 2 for x in samples) / len(samples)
    return 940 - sensitivity + 100 * math.log10(square / 2**29)


# The arithmetic.


@given(st.lists(st.integers(-32768, 32767), min_size=2, max_size=2000).filter(lambda x: len(set(x)) > 1))
def test_the_level_is_that_of_the_formula(samples):
    assert abs(tenths(samples) - reference_tenths(samples)) <= 0.5 + 0.02


@given(st.integers(1, 2**62))
def test_the_logarithm_is_good_to_half_a_thousandth(number):
    assert abs(sound.log2_4096(number) / 4096 - math.log2(number)) < 0.0005


@pytest.mark.parametrize("power", [0, 1, 13, 14, 15, 16, 29, 61])
def test_the_logarithm_of_powers_of_two_is_exact(power):
    assert sound.log2_4096(2**power) == power << 12
    if power:
        assert sound.log2_4096(2**power - 1) <= power << 12


@pytest.mark.parametrize("rate_hz", [RATE_HZ, 48000])
def test_a_second_of_the_loudest_sound_is_summed_without_loss(rate_hz):
    level = sound.Level("Z", rate_hz, -260)
    block = packed([-32768, 32767] * 128)
    for _ in range(rate_hz // 256):
        level.feed(block, 256)
    # a square wave at full scale lies 3.01 dB above a sine
    assert level.level_tenths() == 1230


@given(st.data())
def test_it_does_not_matter_in_what_pieces_the_samples_come(data):
    samples = data.draw(st.lists(st.integers(-3000, 3000), min_size=3, max_size=700))
    weighting = data.draw(st.sampled_from("ZA"))
    levels = [sound.Level(weighting, RATE_HZ, -260) for _ in range(2)]
    levels[0].feed(packed(samples), len(samples))
    left = samples
    while left:
        size = data.draw(st.integers(1, len(left)))
        levels[1].feed(packed(left[:size]), size)
        left = left[size:]
    assert vars(levels[0]) == vars(levels[1])


@given(st.lists(st.integers(-300, 300), min_size=20, max_size=400), st.integers(-20000, 20000))
def test_an_offset_is_not_heard(samples, offset):
    # DC is no sound; these microphones have some
    if len(set(samples)) > 1:
        assert tenths([x + offset for x in samples]) == tenths(samples)


@pytest.mark.parametrize("value", [0, 1, -1, 32767, -32768])
@pytest.mark.parametrize("count", [1, 256, 16000])
def test_a_microphone_that_gives_one_value_is_none(value, count):
    with pytest.raises(ValueError, match="no sound"):
        tenths([value] * count)


@pytest.mark.parametrize("rate_hz", [RATE_HZ, 48000])
def test_an_offset_has_left_the_filters_when_the_second_begins(rate_hz):
    # a jump of 5000 counts at the start, and a quiet room: 4 counts rms
    draw = Random(1).gauss
    quiet = [round(draw(0, 4)) for _ in range(rate_hz + rate_hz // sound.SETTLE_PART)]
    heard = []
    for offset in (0, 5000):
        level = sound.Level("A", rate_hz, -260)
        settle = rate_hz // sound.SETTLE_PART
        level.feed(packed([x + offset for x in quiet[:settle]]), settle)
        level.restart()
        level.feed(packed([x + offset for x in quiet[settle:]]), rate_hz)
        heard.append(level.level_tenths())
    assert abs(heard[0] - heard[1]) <= 1
    assert 400 < heard[0] < 470  # 44.8 dB unweighted


class Watched(int):
    """An integer that remembers the largest result of its operations."""

    largest = 0


def watched(name):
    plain = getattr(int, name)

    def operate(one, other):
        result = plain(one, other)
        Watched.largest = max(Watched.largest, abs(result))
        return Watched(result)

    return operate


for _operation in ("add", "radd", "sub", "rsub", "mul", "rmul", "rshift", "lshift", "and"):
    setattr(Watched, f"__{_operation}__", watched(f"__{_operation}__"))


@pytest.mark.parametrize("rate_hz", [RATE_HZ, 48000])
@pytest.mark.parametrize("weighting", ["Z", "A"])
@pytest.mark.parametrize("kind", ["sine", "noise", "square", "offset"])
def test_the_inner_loops_stay_below_the_end_of_small_integers(weighting, rate_hz, kind):
    # platform-facts section 6; MicroPython's small integers have 31 bits on a board of 32
    amplitude = 16000
    draw = Random(1).randint
    samples = {
        "sine": [int(2 * amplitude * 0.99 * math.sin(n / 7)) for n in range(2048)],
        "noise": [draw(-amplitude, amplitude) for _ in range(2048)],
        "square": [amplitude if n % 400 < 200 else -amplitude for n in range(2048)],
        "offset": [12000 + int(8000 * math.sin(n / 50)) for n in range(2048)],
    }[kind]
    level = sound.Level(weighting, rate_hz, -260)
    Watched.largest = 0
    feed = level._feed_weighted if weighting == "A" else level._feed_flat
    for at in range(0, len(samples), sound.SAMPLES):
        feed([Watched(x) for x in samples[at : at + sound.SAMPLES]])
        # the sums over the blocks are outside of the inner loop
        level.restart()
    assert 2**24 < Watched.largest <= SMALL_MAX


def test_the_rates_that_the_settings_take_have_filters():
    assert set(settings_rules.WEIGHTED_HZ) == set(sound.WEIGHTING)
    with pytest.raises(KeyError):
        sound.Level("A", 44100, -260)


VM = shutil.which("micropython", path=str(Path(sys.executable).parent)) or shutil.which("micropython")
ON_THE_VM = """
import json, struct
from torpor.sensors.sound import Level
found = []
for weighting, rate_hz, step in {cases}:
    level = Level(weighting, rate_hz, -260)
    state = 1
    for _ in range(8):
        samples = []
        for _ in range(256):
            state = (state * 75 + 74) % 65537
            samples.append((state - 32768) // step)
        level.feed(struct.pack("<256h", *samples), 256)
    found.append(level.level_tenths())
print(json.dumps(found))
"""


@pytest.mark.skipif(VM is None, reason="no MicroPython VM for this machine")
def test_micropython_hears_the_same():
    cases = [(weighting, rate_hz, step) for weighting in "ZA" for rate_hz in (16000, 48000) for step in (2, 50, 4000)]
    program = ON_THE_VM.format(cases=cases)
    environment = {"MICROPYPATH": str(ROOT / "firmware"), "PYTHONPATH": str(ROOT / "firmware")}
    heard = []
    for interpreter in (VM, sys.executable):
        done = subprocess.run(
            [interpreter, "-c", program], capture_output=True, text=True, timeout=60, env=environment
        )
        assert done.returncode == 0, done.stderr
        heard.append(json.loads(done.stdout))
    assert heard[0] == heard[1]
    # noise at three levels, heard with either filter
    assert len(set(heard[0])) == 9


# The microphone.


class Microphone:
    """A port for sound with a tone of 1 kHz; `gives` samples a call, `takes_ms` for it."""

    def __init__(self, board, gives=192, takes_ms=12, amplitude=1642):
        self.board, self.gives, self.takes_ms, self.amplitude = board, gives, takes_ms, amplitude
        self.opened = []
        self.closed = 0
        self.given = 0

    def open(self, entry):
        self.opened.append((entry["name"], dict(self.board.rails)))
        return self

    def readinto(self, buffer):
        self.board.now_ms += self.takes_ms
        turn = 2 * math.pi / 16
        for index in range(self.gives):
            x = round(self.amplitude * math.sin(turn * (self.given + index)))
            struct.pack_into("<h", buffer, 2 * index, x)
        self.given += self.gives
        return self.gives

    def close(self):
        self.closed += 1


def sampled(microphone=None, board=None):
    """(values, failed, board) of one reading."""
    board = board or Board()
    ports = Ports(board, "deep-sleep", "timer")
    if microphone is not None:
        ports.sound = microphone
    values, flags, failed = sampling.sample(ports, SETTINGS)
    assert [value == ABSENT for value in values] == [flag == SENSOR_FAILED for flag in flags]
    assert not board.rails["mic"]
    return values, failed, board


def test_a_calibrators_tone_is_heard_at_its_level():
    board = Board()
    began_ms = board.now_ms
    microphone = Microphone(board)
    values, failed, _ = sampled(microphone, board)
    # 94 dB at 1 kHz, where all weightings agree
    assert (values[1:], failed) == ([940, 940], 0)
    assert [name for name, _ in microphone.opened] == ["sound-level", "low"]
    assert all(rails["mic"] for _, rails in microphone.opened)
    assert microphone.closed == 2
    # the warm-up, and twice a second and an eighth
    assert 150 + 2 * 1125 - 50 <= board.now_ms - began_ms <= 150 + 2 * 1125 + 100


def test_a_click_at_the_start_is_not_heard():
    board = Board()

    class Clicking(Microphone):
        def readinto(self, buffer):
            # 40 dB above the tone, for 0.1 s from each opening
            self.amplitude = 16420 if self.given - self.since < RATE_HZ // 10 else 164
            return super().readinto(buffer)

        def open(self, entry):
            self.since = self.given
            return super().open(entry)

    values, _, _ = sampled(Clicking(board), board)
    assert values[1:] == [740, 740]


def test_a_port_without_sound_costs_the_channels_and_the_log_says_so_once():
    values, failed, board = sampled()
    assert values[1:] == [ABSENT, ABSENT]
    assert (values[0] != ABSENT, failed) == (True, 2)
    assert board.events() == ["sound-absent", "trace"]


@pytest.mark.parametrize("error", [OSError(19), NotImplementedError(), ValueError("pin"), AttributeError("PDMIn")])
def test_a_microphone_that_cannot_be_opened_costs_its_own_channel(error):
    board = Board()

    class Broken(Microphone):
        def open(self, entry):
            if entry["name"] == "sound-level":
                raise error
            return super().open(entry)

    values, failed, _ = sampled(Broken(board), board)
    assert (values[1:], failed) == ([ABSENT, 940], 1)
    assert board.events() == ["sound-absent", "trace"]


@pytest.mark.parametrize(
    "how", [{"gives": 0, "takes_ms": 0}, {"gives": 0, "takes_ms": 50}, {"takes_ms": 1000}, {"amplitude": 0}]
)
def test_a_microphone_that_stalls_crawls_or_is_silent_is_given_up_and_closed(how):
    board = Board()
    began_ms = board.now_ms
    microphone = Microphone(board, **how)
    values, failed, _ = sampled(microphone, board)
    assert (values[1:], failed) == ([ABSENT, ABSENT], 2)
    assert microphone.closed == 2
    assert board.now_ms - began_ms < 2 * (sound.MEASURE_MS_MAX + sound.EMPTY_MAX * 50) + 500


def test_a_log_that_fails_does_not_cost_the_reading():
    board = Board()
    ports = Ports(board, "deep-sleep", "timer")

    class Mute:
        def event(self, name, **integers):
            raise OSError(28)

    ports.log = Mute()
    values, _, failed = sampling.sample(ports, SETTINGS)
    assert (values[1:], failed) == ([ABSENT, ABSENT], 2)


def test_sound_is_imported_only_where_there_is_a_microphone():
    program = (
        "import sys\nfrom torpor import settings\nfrom torpor.sensors import sampling\n"
        "print('torpor.sensors.sound' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=60)
    assert done.stdout.strip() == "False", done.stderr
