"""SAMPLE: a sensor that fails costs its own channels and nothing else, and rails always go off again."""

import math
import sys

import pytest
from session_ports import Board, Ports, PowerLoss
from torpor import settings as node_settings
from torpor import settings_rules
from torpor.record import ABSENT, SENSOR_FAILED
from torpor.sensors import loader, quantities, sampling

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


WARM = TEXT.replace("deadline_ms = 500", "deadline_ms = 500\nwarm_up_ms = 700").replace(
    'label = "roof"', "warm_up_ms = 300"
)


def warmed_up(odd, plain, text=WARM):
    """One reading of a board whose parts are made by functions of it; returns (board, values, failures)."""
    board = Board()
    board.parts = {"odd.Odd": lambda: odd(board), "plain.Plain": lambda: plain(board)}
    values, _, failed = sampling.sample(Ports(board, "deep-sleep", "timer"), node_settings.read(text.encode()))
    return board, values, failed


def test_the_longest_warm_up_is_waited_for_and_no_more():
    started_ms = Board().now_ms
    board, values, failed = warmed_up(lambda board: Odd, lambda board: Plain)
    assert (values, failed) == (WELL, 0)
    assert 700 <= board.now_ms - started_ms < 800
    assert board.calls.count("drivers.load") == 2


class Integrating:
    """Like a light sensor that its driver switches on: 0 until it has had its time since then."""

    def __init__(self, board, ms):
        self.board, self.ready_ms = board, board.now_ms + ms

    @property
    def lux(self):
        return 400.4 if self.board.now_ms >= self.ready_ms else 0


def test_a_sensor_warms_up_from_when_its_driver_was_made():
    # a VEML7700 reads 0 until its first integration after the driver's constructor is over
    def slowly(board):
        board.now_ms += 400  # as one that waits for its part in its constructor
        return Odd

    text = WARM.replace("deadline_ms = 500", "deadline_ms = 2000")
    _, values, failed = warmed_up(slowly, lambda board: Integrating(board, 290), text)
    assert (values, failed) == (WELL, 0)
    _, values, _ = warmed_up(slowly, lambda board: Integrating(board, 1200), text)
    assert values[3] == 0  # this test can fail


def test_a_part_that_does_not_answer_at_once_is_asked_again_when_it_is_warm():
    born_ms = Board().now_ms

    def sleepy(board):
        if board.now_ms < born_ms + 600:
            raise ValueError("No I2C device at address: 0x44")
        return Odd

    board, values, failed = warmed_up(sleepy, lambda board: Plain)
    assert (values, failed) == (WELL, 0)
    # after 10, 260, 510 and 760 ms, and the other one once; its own time begins with that
    assert board.calls.count("drivers.load") == 5
    assert board.now_ms - born_ms >= 760 + 700


def test_the_time_that_a_constructor_takes_counts_against_the_deadline():
    def slowly(board):
        board.now_ms += 501
        return Odd

    _, values, failed = warmed_up(slowly, lambda board: Plain)
    assert values == [ABSENT, ABSENT, ABSENT, 400, 3900]
    assert failed == 1


def test_constructors_that_hang_together_end_with_the_state():
    def hung(board):
        board.now_ms += 10**6
        return Odd

    board, values, _ = warmed_up(hung, lambda board: Plain)
    assert values == [ABSENT] * 4 + [3900]
    assert board.calls.count("drivers.load") == 1


def test_a_part_that_answers_late_and_measures_later_still_is_read():
    # an SCD4x: it answers 1 s after its rail went on, and has its first value 5 s after its driver told it to measure
    born_ms = Board().now_ms

    def co2(board):
        if board.now_ms < born_ms + 1000:
            raise ValueError("No I2C device at address: 0x62")
        return Integrating(board, 5000)

    text = WARM.replace("warm_up_ms = 300", "warm_up_ms = 5100")
    board, values, failed = warmed_up(lambda board: Odd, co2, text)
    assert (values, failed) == (WELL, 0)
    assert board.now_ms - born_ms < 1000 + sampling.TRY_AGAIN_MS + 5100 + 100


def test_a_part_that_never_answers_is_not_waited_for_longer_than_its_time():
    def absent(board):
        raise ValueError("No I2C device at address: 0x44")

    started_ms = Board().now_ms
    board, values, failed = warmed_up(absent, lambda board: Plain)
    assert (values, failed) == ([ABSENT, ABSENT, ABSENT, 400, 3900], 1)
    assert board.now_ms - started_ms < 700 + sampling.TRY_AGAIN_MS + 100


@pytest.mark.parametrize("error", [OSError(19), ValueError("x"), RuntimeError("x"), MemoryError()])
def test_a_part_that_never_answers_costs_its_channels_and_the_rails_go_off(error):
    def absent(board):
        raise error

    board, values, failed = warmed_up(absent, lambda board: Plain)
    assert (values, failed) == ([ABSENT, ABSENT, ABSENT, 400, 3900], 1)
    assert not any(board.rails.values())


def test_rounding_is_to_the_nearest_for_either_sign():
    assert sampling.scaled(-0.006, 100) == -1
    assert sampling.scaled(-0.004, 100) == 0
    assert sampling.scaled(20.1, 100) == 2010
    assert sampling.scaled(2147483647, 1) == 2147483647
    assert sampling.scaled(-2147483648, 1) is None


def test_channels_have_names_that_senml_takes():
    names = [channel[0] for channel in quantities.channels(SETTINGS)]
    assert names == ["temperature", "relative-humidity", "pressure", "roof-lux", "battery"]
    units = {"Cel", "%RH", "Pa", "lx", "V", "A", "W", "/", "m", "Hz", "kg", "Ohm", "%EL"}
    named = [*quantities.QUANTITIES.values(), quantities.OTHER]
    assert {unit for unit, _, _ in named} <= units  # RFC 8428 section 12.1
    # settings_rules counts on it when it adds up what a layout sector takes
    assert all(len(unit) <= settings_rules.UNIT_BYTES_MAX for unit in units)


@pytest.mark.parametrize(
    ("name", "said", "digits"),
    [
        # the driver's unit is that of CircuitPython's design guide, "Sensor Properties and Units"
        ("pressure", 1013.25, "101325"),  # hPa -> Pa
        ("current", 12.5, "0.012500"),  # mA -> A
        ("TVOC", 120, "0.000000120"),  # ppb -> ratio
        ("light", 812, "812"),  # "non-unit-specific light levels"
        ("sound_level", 12.34, "12.34"),  # the same: not dB
        # not in the guide: no unit, three places
        ("power", 3.3, "3.300"),
        ("uvi", 0.4567, "0.457"),
        ("CO2", 415, "0.000415"),  # ppm -> ratio
        ("distance", 12.3, "0.123"),  # cm -> m
        ("weight", 1.5, "0.001500"),  # g -> kg
        ("voltage", 3.301, "3.301"),
        ("temperature", -0.05, "-0.05"),
    ],
)
def test_a_drivers_unit_becomes_senmls(name, said, digits):
    from torpor.senml import decimal

    _, exponent, factor = quantities.quantity(name)
    assert decimal(sampling.scaled(said, factor), exponent) == digits


OWN = """
[[quantity]]
property = "uvi"
unit = "W/m2"
decimals = 1
power_of_ten = -3
[[quantity]]
property = "pressure"
unit = "K"
decimals = 2
"""


class Sky:
    uvi = 4.06
    pressure = 1013.25
    temperature = 21.5
    relative_humidity = 61.25


def test_a_unit_of_the_settings_scales_what_is_read():
    text = TEXT.replace('"pressure"]', '"pressure", "uvi"]') + OWN
    settings = node_settings.read(text.encode())
    board = Board()
    board.parts = {"odd.Odd": Sky, "plain.Plain": Plain}
    values, _, failed = sampling.sample(Ports(board, "deep-sleep", "timer"), settings)
    named = dict(zip([channel[:3] for channel in quantities.channels(settings)], values, strict=True))
    # 4.06 in thousandths of W/m2, one decimal kept: 41 x 10^-4 W/m2
    assert named["uvi", "W/m2", -4] == 41
    # what the settings say comes before what the node knows
    assert named["pressure", "K", -2] == 101325
    assert named["temperature", "Cel", -2] == 2150
    assert failed == 0


@pytest.mark.parametrize(("decimals", "power"), [(0, 6), (6, -12), (0, 0), (6, 6)])
def test_every_unit_that_the_settings_allow_fits_a_layout(decimals, power):
    own = [{"property": "p", "unit": "m", "decimals": decimals, "power_of_ten": power}]
    unit, exponent, factor = quantities.quantity("p", own)
    # an exponent is an i8 on the card (docs/formats.md, section 2)
    assert -128 <= exponent <= 127
    assert sampling.scaled(7, factor) * 10.0**exponent == pytest.approx(7 * 10.0**power)
    assert quantities.quantity("q", own) == quantities.OTHER


class Counter:
    """As a particle counter's driver: no properties, a dictionary of everything."""

    def read(self):
        return {"pm25 env": 12, "temperature": 3}


def test_a_driver_that_gives_a_dictionary_is_asked_for_its_entry():
    assert loader.value(Counter(), "pm25_env") == 12
    assert loader.value(Plain, "lux") == 400.4
    with pytest.raises(KeyError):
        loader.value(Counter(), "pm10_env")
    with pytest.raises(AttributeError):
        loader.value(Plain, "pm25_env")


def test_a_property_is_asked_for_once():
    asked = []

    class Asked:
        @property
        def lux(self):
            asked.append(1)
            return 5

    assert loader.value(Asked(), "lux") == 5
    assert asked == [1]


MODULE = """
class Plain:
    def __init__(self, bus):
        self.given = (bus,)

class Addressed(Plain):
    def __init__(self, bus, address=7):
        self.given = (bus, address)

class Short(Plain):
    def __init__(self, bus, addr=7):
        self.given = (bus, addr)

class Placed(Plain):
    def __init__(self, bus, where):
        self.given = (bus, where)

class Told(Plain):
    started = 0

    def start_periodic_measurement(self):
        self.started += 1

class Absent:
    def __init__(self, bus):
        raise OSError(19, "no such device")
"""


@pytest.fixture
def drivers(tmp_path, monkeypatch):
    (tmp_path / "some_driver.py").write_text(MODULE)
    monkeypatch.syspath_prepend(tmp_path)
    # another test may have had one of that name
    sys.modules.pop("some_driver", None)
    yield
    sys.modules.pop("some_driver", None)


@pytest.mark.usefixtures("drivers")
@pytest.mark.parametrize(
    ("name", "address", "given"),
    [("Plain", 0, ("bus",)), ("Addressed", 0, ("bus", 7)), ("Addressed", 5, ("bus", 5)), ("Short", 5, ("bus", 5))]
    + [("Placed", 5, ("bus", 5))],
)
def test_a_driver_is_made_of_its_bus_and_its_address(name, address, given):
    assert loader.load(f"some_driver.{name}", "bus", address).given == given


@pytest.mark.usefixtures("drivers")
def test_a_driver_that_has_to_be_started_is():
    assert loader.load("some_driver.Told", "bus", 0).started == 1


@pytest.mark.usefixtures("drivers")
@pytest.mark.parametrize(
    ("driver", "address", "error", "reason"),
    [
        ("no_such_module.C", 0, ValueError, "no_such_module"),
        ("some_driver.NoSuchClass", 0, ValueError, "has no NoSuchClass"),
        ("some_driver.Plain", 5, ValueError, "takes no address"),
        ("some_driver.Absent", 0, OSError, "no such device"),
    ],
)
def test_a_driver_that_cannot_be_made_says_why(driver, address, error, reason):
    with pytest.raises(error, match=reason):
        loader.load(driver, "bus", address)
