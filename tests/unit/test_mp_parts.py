"""The pieces of the MicroPython port that need no interpreter of their own."""

import importlib
import sys
from types import SimpleNamespace

import pytest


def brought(monkeypatch, name, **platform):
    """A module of torpor.boards over stand-ins for the platform's modules."""
    for module, stand_in in platform.items():
        monkeypatch.setitem(sys.modules, module, stand_in)
    for loaded in [key for key in sys.modules if key.startswith("torpor.boards.mp_")]:
        monkeypatch.delitem(sys.modules, loaded)
    found = importlib.import_module(f"torpor.boards.{name}")
    for loaded in [key for key in sys.modules if key.startswith("torpor.boards.mp_")]:
        monkeypatch.delitem(sys.modules, loaded)
    return found


@pytest.mark.parametrize("ending", ["\n", "\r\n"])
def test_a_certificate_becomes_der(monkeypatch, ending):
    network = brought(monkeypatch, "mp_network")
    lines = ["a word before it", "-----BEGIN CERTIFICATE-----", "AAEC", "AwQF", "-----END CERTIFICATE-----", "more"]
    assert network.der(line + ending for line in lines) == bytes(range(6))


@pytest.mark.parametrize("lines", [[], ["AAEC"], ["-----BEGIN CERTIFICATE-----", "AAEC"]])
def test_without_a_whole_certificate_there_is_none(monkeypatch, lines):
    with pytest.raises(ValueError, match="no certificate"):
        brought(monkeypatch, "mp_network").der(lines)


class I2S:
    RX, MONO = 1, 0

    def __init__(self, number, **more):
        self.asked = more
        self.closed = False
        I2S.made = self

    def readinto(self, words):
        # three words of 32 bits: -1, 1 and the lowest of 16 bits, with 8 low bits of rubbish
        data = b"\x00\x77\xff\xff" + b"\x00\x99\x01\x00" + b"\x00\x11\x00\x80"
        count = min(len(words), len(data)) // 4 * 4
        words[:count] = data[:count]
        return count

    def deinit(self):
        self.closed = True


def machine():
    pins = SimpleNamespace(IN=1, OUT=3)
    return SimpleNamespace(I2S=I2S, ADC=None, I2C=None, SoftI2C=None, Pin=lambda name, *more: (name, pins))


SOUND = {"clock": "4", "word_select": "WS", "data": "D6", "rate_hz": 16000}


def test_a_microphone_gives_the_upper_half_of_its_words(monkeypatch):
    sound = brought(monkeypatch, "mp_sound", machine=machine())
    microphone = sound.Microphone(SOUND)
    buffer = bytearray(512)
    assert microphone.readinto(buffer) == 3
    assert [int.from_bytes(buffer[at : at + 2], "little", signed=True) for at in (0, 2, 4)] == [-1, 1, -32768]
    assert microphone.readinto(bytearray(4)) == 2
    assert I2S.made.asked["sck"][0] == 4, "a number is the chip's own"
    assert I2S.made.asked["ws"][0] == "WS"
    assert (I2S.made.asked["bits"], I2S.made.asked["rate"]) == (32, 16000)
    microphone.close()
    assert I2S.made.closed


def test_a_pdm_microphone_is_refused(monkeypatch):
    sound = brought(monkeypatch, "mp_sound", machine=machine())
    with pytest.raises(NotImplementedError):
        sound.Microphone(SOUND | {"word_select": ""})


class Rtc:
    def __init__(self, size_max, kept=b""):
        self.size_max, self.kept = size_max, kept

    def memory(self, data=None):
        if data is None:
            return self.kept
        if len(data) > self.size_max:
            raise ValueError("buffer too long")
        self.kept = bytes(data)
        return None


@pytest.mark.parametrize(("size_max", "size"), [(2048, 2048), (8192, 2048), (1500, 1024), (256, 256), (100, 0)])
def test_retained_memory_is_as_large_as_the_chip_lets_it_be(monkeypatch, size_max, size):
    memory = brought(monkeypatch, "mp_memory")
    assert len(memory.Retained(Rtc(size_max))) == size


def test_retained_memory_that_holds_something_is_taken_as_it_is(monkeypatch):
    memory = brought(monkeypatch, "mp_memory")
    rtc = Rtc(2048, bytes(range(200)))
    retained = memory.Retained(rtc)
    assert (len(retained), retained[7]) == (200, 7)
    retained[:4] = b"abcd"
    assert rtc.kept[:5] == b"abcd\x04"
