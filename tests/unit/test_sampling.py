"""SAMPLE: a sensor that fails costs its own channels and nothing else, and rails always go off again."""

import math

import pytest
from session_ports import Board, Ports, PowerLoss
from torpor import settings as node_settings
from torpor.record import ABSENT, SENSOR_FAILED
from torpor.sensors import quantities, sampling

TEXT = """
node = "north-stack"
[broker]
host = "broker.yard.example"
tls = false
[[network]]
ssid = "yard-office"
password = "a long word"
[[sensor]]
driver = "odd.Odd"
read = ["temperature", "relative_humidity", "pressure"]
rail = "sensors"
deadline_ms = 500
[[sensor]]
driver = "plain.Plain"
read = ["lux"]
rail = "light"
label = "roof"
[[analog]]
name = "battery"
pin = "A0"
divider_upper_ohm = 100000
divider_lower_ohm = 100000
rail = "sense"
[rails]
sensors = "D5"
light = "D6"
sense = "D7"
"""
SETTINGS = node_settings.read(TEXT.encode())
WELL = [2150, 6125, 101325, 400, 3900]


class Plain:
    lux = 400.4


class Odd:
    temperature = 21.5
    relative_humidity = 61.25
    pressure = 1013.25


class Driven:
    """Gives for each property what `told` says: a value, or an exception to raise, or ms that it takes."""

    def __init__(self, board, **told):
        self.__dict__["board"] = board
        self.__dict__["told"] = told

    def __getattr__(self, name):
        told = self.told.get(name, getattr(Odd, name))
        if isinstance(told, BaseException):
            raise told
        if isinstance(told, tuple):
            self.board.now_ms += told[0]
            return told[1]
        return told


def sampled(part=Odd, board=None):
    board = board or Board()
    board.parts = {"odd.Odd": part, "plain.Plain": Plain}
    values, flags, failed = sampling.sample(Ports(board, "deep-sleep", "timer"), SETTINGS)
    assert len(values) == len(flags) == len(quantities.channels(SETTINGS))
    for value, flag in zip(values, flags, strict=True):
        assert isinstance(value, int)
        assert (value == ABSENT) == (flag == SENSOR_FAILED)
    assert board.rails == {"sensors": False, "light": False, "sense": False}
    return values, failed


def test_all_well():
    assert sampled() == (WELL, 0)


@pytest.mark.parametrize(
    "value",
    [
        None,
        math.nan,
        math.inf,
        -math.inf,
        1e30,
        -1e30,
        2**40,
        "21.5",
        b"21",
        (1, 2),
        [],
        {},
        object(),
        print,
        2147483648,
    ],
)
def test_a_value_that_is_no_reading_costs_its_own_channel(value):
    board = Board()
    values, failed = sampled(lambda: Driven(board, relative_humidity=value), board)
    if isinstance(value, tuple):
        board = Board()
        values, failed = sampled(lambda: Driven(board, relative_humidity=(0, value)), board)
    assert values == [2150, ABSENT, 101325, 400, 3900]
    assert failed == 1


@pytest.mark.parametrize("error", [OSError(19), ValueError("x"), RuntimeError("CRC"), MemoryError(), KeyError("x")])
def test_a_property_that_raises_costs_its_own_channel(error):
    board = Board()
    assert sampled(lambda: Driven(board, temperature=error), board) == ([ABSENT, 6125, 101325, 400, 3900], 1)


def test_a_sensor_that_is_not_there_costs_its_channels():
    def absent():
        raise ValueError("No I2C device at address: 0x44")

    board = Board()
    assert sampled(absent, board) == ([ABSENT, ABSENT, ABSENT, 400, 3900], 1)
    # asked once, not once a channel
    assert board.calls.count("drivers.load") == 2


def test_a_slow_sensor_is_left_at_its_deadline():
    board = Board()
    values, failed = sampled(lambda: Driven(board, relative_humidity=(501, 50.0), pressure=(10**9, 1000.0)), board)
    assert values == [2150, ABSENT, ABSENT, 400, 3900]
    assert failed == 1
    assert board.now_ms < 6_000_000


def test_sensors_that_are_slow_together_end_with_the_state():
    board = Board()
    slow = {name: (10**6, OSError(5)) for name in ("temperature", "relative_humidity", "pressure")}
    values, failed = sampled(lambda: Driven(board, **slow), board)
    # the lamp's turn comes after the state's deadline; an analog input takes no time
    assert values == [ABSENT] * 4 + [3900]
    assert failed == 2


@pytest.mark.parametrize("error", [OSError(5), ValueError("pin"), RuntimeError("x"), MemoryError()])
def test_whatever_call_fails_the_others_are_read_and_the_rails_go_off(error):
    calls = Board()
    sampled(board=calls)
    for at, name in enumerate(calls.calls):
        if name.startswith("clock."):
            continue
        board = Board()
        board.parts = {"odd.Odd": Odd, "plain.Plain": Plain}
        board.fault = (at, error)
        values, flags, failed = sampling.sample(Ports(board, "deep-sleep", "timer"), SETTINGS)
        assert failed == 1, name
        assert sum(flag != 0 for flag in flags) <= 3
        assert [v for v, good in zip(values, WELL, strict=True) if v not in (good, ABSENT)] == []
        if name == "power.rail":
            assert list(board.rails.values()).count(True) <= 1
        else:
            assert not any(board.rails.values())


@pytest.mark.parametrize("value", [None, 1e30, math.nan, "1950", 2**33])
def test_an_analog_input_that_gives_nonsense_costs_its_channel(value):
    board = Board()
    board.pin_mv = {"battery": value}
    values, failed = sampled(board=board)
    assert values[:4] == WELL[:4]
    assert (values[4], failed) == ((3900, 0) if value == "1950" else (ABSENT, 1))


def test_a_power_cut_passes_through_and_the_rails_are_switched():
    board = Board()
    board.parts = {"odd.Odd": lambda: Driven(board, temperature=PowerLoss()), "plain.Plain": Plain}
    with pytest.raises(PowerLoss):
        sampling.sample(Ports(board, "deep-sleep", "timer"), SETTINGS)


def test_the_longest_warm_up_is_waited_for_once():
    text = TEXT.replace("deadline_ms = 500", "deadline_ms = 500\nwarm_up_ms = 700").replace(
        'label = "roof"', "warm_up_ms = 300"
    )
    board = Board()
    board.parts = {"odd.Odd": Odd, "plain.Plain": Plain}
    started_ms = board.now_ms
    sampling.sample(Ports(board, "deep-sleep", "timer"), node_settings.read(text.encode()))
    assert 700 <= board.now_ms - started_ms < 800
    assert board.calls.count("clock.wait_ms") == 1


def test_rounding_is_to_the_nearest_for_either_sign():
    assert sampling.scaled(-0.006, 100) == -1
    assert sampling.scaled(-0.004, 100) == 0
    assert sampling.scaled(20.1, 100) == 2010
    assert sampling.scaled(2147483647, 1) == 2147483647
    assert sampling.scaled(-2147483648, 1) is None


def test_channels_have_names_that_senml_takes():
    names = [channel[0] for channel in quantities.channels(SETTINGS)]
    assert names == ["temperature", "relative-humidity", "pressure", "roof-lux", "battery"]
    units = {"Cel", "%RH", "Pa", "lx", "V", "A", "W", "/", "m", "Hz", "kg", "dB"}  # RFC 8428 section 12.1
    assert {unit for unit, _, _ in quantities.QUANTITIES.values()} <= units


@pytest.mark.parametrize(
    ("name", "said", "digits"),
    [
        # the driver's unit is that of CircuitPython's design guide, "Sensor Properties and Units"
        ("pressure", 1013.25, "101325"),  # hPa -> Pa
        ("current", 12.5, "0.012500"),  # mA -> A
        ("power", 3.3, "0.003300"),  # mW -> W
        ("CO2", 415, "0.000415"),  # ppm -> ratio
        ("distance", 12.3, "0.123"),  # cm -> m
        ("weight", 1.5, "0.001500"),  # g -> kg
        ("voltage", 3.301, "3.301"),
        ("temperature", -0.05, "-0.05"),
    ],
)
def test_a_drivers_unit_becomes_senmls(name, said, digits):
    from torpor.senml import decimal

    _, exponent, factor = quantities.QUANTITIES[name]
    assert decimal(sampling.scaled(said, factor), exponent) == digits
