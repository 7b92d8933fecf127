"""Bring-up's own parts, each with a fake of what it asks."""

import json
import subprocess
import sys
from pathlib import Path

import pytest
from torpor import bringup
from torpor.bench import asking, buses, card, card_cut, clock, limits, parts, supply
from torpor.bench.report import Report
from torpor.errors import CardError

ROOT = Path(__file__).parents[2]


class Console:
    """As print: takes text, and pieces of a line."""

    def __init__(self):
        self.lines = []
        self._rest = ""

    def __call__(self, text, end="\n"):
        *lines, self._rest = (self._rest + text + end).split("\n")
        self.lines += lines


def report():
    console = Console()
    made = Report(console, "07", bytes(range(8)), "north-stack")
    made.lines = console.lines
    return made


def faults(made):
    return [item["fault"] for item in made.items if item["result"] == "fail"]


class Clock:
    def __init__(self):
        self.now_ms = 0
        self.shown_s = 1798761600
        self.rate = 1
        self.keeps = True

    def ticks_ms(self):
        return self.now_ms

    def elapsed_ms(self, since):
        return self.now_ms - since

    def wait_ms(self, ms):
        self.now_ms += ms

    def rtc_epoch_s(self):
        return None if self.shown_s is None else self.shown_s + self.now_ms * self.rate // 1000

    def set_rtc(self, epoch_s):
        if self.keeps:
            self.shown_s = epoch_s


class Power:
    def __init__(self):
        self.switched = []
        self.mv = 3900

    def rail(self, name, on):
        if name == "nowhere":
            raise ValueError("this board has no pin D99")
        self.switched.append((name, on))

    def feed_watchdog(self):
        pass

    def battery_mv(self):
        return self.mv


class Bus:
    def __init__(self, answers, locked=0):
        self.answers, self.locked = answers, locked

    def try_lock(self):
        self.locked -= 1
        return self.locked < 0

    def unlock(self):
        pass

    def scan(self):
        if isinstance(self.answers, Exception):
            raise self.answers
        return self.answers


class Bench:
    def __init__(self, bus, lines=("high", "high"), opens=True):
        self._bus, self._lines, self._opens = bus, lines, opens

    def bus(self, name):
        if not self._opens:
            raise RuntimeError("No pull up found on SDA or SCL; check your wiring")
        return self._bus

    def lines(self, name):
        return self._lines

    def address_of(self, driver):
        return {"a.A": 0x44, "b.B": 0x10}.get(driver)


class Ports:
    def __init__(self, bench=None):
        self.clock, self.power = Clock(), Power()
        self.random = type("Random", (), {"u32": staticmethod(lambda: 77)})
        self.bench = lambda: bench


def sensor(driver="a.A", **more):
    return {"driver": driver, "read": ["temperature"], "rail": "sensors", "bus": "i2c", "address": 0} | {
        "warm_up_ms": 0,
        "deadline_ms": 2000,
        "label": "",
        **more,
    }


def settings(*sensors, rtc="internal", rail="", rails=("sensors",)):
    return {
        "rails": dict.fromkeys(rails, "D5"),
        "bus": [{"name": "i2c", "rail": rail}],
        "sensor": list(sensors),
        "time": {"rtc": rtc, "rtc_bus": "i2c"},
        "quantity": [],
        "card": {"rail": "card"},
    }


def scanned(answers, wanted=None, **more):
    made = report()
    found = buses.check(made, Ports(Bench(Bus(answers), **more)), wanted or settings(sensor(), sensor("b.B")))
    return made, found


# --- report ---------------------------------------------------------------------------------------------------------


def test_a_line_says_result_item_fault_value_limit_and_remedy():
    made = report()
    made.passed("light")
    made.judge(False, "battery", "battery-low", "3100 mV", "3500 mV", "charge it")
    made.not_fitted("button")
    made.note("by the way")
    assert made.lines == [
        "pass        light",
        "fail        battery (battery-low): 3100 mV | 3500 mV | charge it",
        "not fitted  button",
        "note        by the way",
    ]


def test_the_record_is_one_line_of_json_and_counts():
    made = report()
    made.passed("light")
    made.fail("card", "card-absent", "none")
    made.numbers["battery_mv"] = 3900
    record = made.end(1798761600)
    assert json.loads(made.lines[-1]) == record
    assert made.lines[-2] == "note        1 passed, 1 failed, 0 not fitted"
    assert (record["bringup"], record["label"], record["chip"], record["failed"]) == (1, "07", "0001020304050607", 1)
    assert record["numbers"] == {"battery_mv": 3900}


# --- rails and buses ------------------------------------------------------------------------------------------------


def test_a_rail_whose_pin_is_unknown_does_not_keep_the_others_off():
    made, ports = report(), Ports()
    assert buses.rails_on(made, ports, settings(rails=("nowhere", "sensors"))) == ["sensors"]
    assert ports.power.switched == [("sensors", True)]
    assert faults(made) == ["rail-unknown"]


def test_all_there():
    made, found = scanned([0x44, 0x10])
    assert faults(made) == []
    assert found == {"i2c": [0x10, 0x44]}


def test_one_missing_and_one_too_many_is_a_strap():
    made, _ = scanned([0x45, 0x10])
    assert faults(made) == ["part-missing", "part-elsewhere"]
    assert "0x45 answers and nobody is expected there" in made.lines[-1]


def test_nothing_answers():
    made, found = scanned([])
    # the parts are not blamed one by one
    assert faults(made) == ["bus-silent"]
    assert found == {"i2c": []}


def test_a_whole_rail_is_missing_only_where_two_hang_on_it():
    wanted = settings(sensor(), sensor("b.B"), rtc="ds3231")
    made, _ = scanned([0x68], wanted)
    assert "rail-dead" in faults(made)
    made, _ = scanned([0x68], settings(sensor(), rtc="ds3231"))
    assert "rail-dead" not in faults(made)
    made, _ = scanned([0x68, 0x10], wanted)
    assert "rail-dead" not in faults(made)


def test_too_many_answers_is_a_held_line_and_names_no_part():
    made, _ = scanned(list(range(8, 120)))
    assert faults(made) == ["bus-crowded"]


@pytest.mark.parametrize(
    ("lines", "fault"),
    [
        (("high", "held"), "bus-held"),
        (("held", "floating"), "bus-held"),
        (("floating", "floating"), "bus-unpulled"),
        (None, "bus-low"),
    ],
)
def test_a_bus_that_does_not_open(lines, fault):
    made, found = scanned([], opens=False, lines=lines)
    assert faults(made) == [fault]
    assert found == {"i2c": None}


def test_a_scan_that_times_out_is_a_dead_bus():
    made, found = scanned(OSError(110, "a line is held low"), lines=None)
    assert faults(made) == ["bus-low"]
    assert found == {"i2c": None}


def test_a_bus_that_is_never_let_go_is_not_waited_for_without_end():
    made, ports = report(), Ports(Bench(Bus([0x44], locked=10**9), lines=None))
    buses.check(made, ports, settings(sensor()))
    assert faults(made) == ["bus-low"]
    assert ports.clock.now_ms < 1000


def test_a_part_that_needs_time_to_answer_is_waited_for():
    class Late(Bus):
        def scan(self):
            return [0x44] if ports.clock.now_ms >= 900 else []

    made = report()
    ports = Ports(Bench(Late([])))
    buses.check(made, ports, settings(sensor(warm_up_ms=1000)))
    assert faults(made) == []


# --- addresses ------------------------------------------------------------------------------------------------------


def test_a_driver_tells_where_it_would_look(tmp_path, monkeypatch):
    (tmp_path / "bench_driver.py").write_text(
        "class Part:\n"
        "    def __init__(self, bus, address=0x3C):\n"
        "        while not bus.try_lock(): pass\n"
        "        try:\n"
        "            bus.writeto(address, b'')\n"
        "        except Exception:\n"
        "            raise RuntimeError('swallowed')\n"
        "        finally:\n"
        "            bus.unlock()\n"
        "class Lazy:\n"
        "    def __init__(self, bus): pass\n"
        "class Broken:\n"
        "    def __init__(self, bus): raise KeyError\n"
    )
    monkeypatch.syspath_prepend(tmp_path)
    assert asking.address_of("bench_driver.Part") == 0x3C
    assert asking.address_of("bench_driver.Lazy") is None
    assert asking.address_of("bench_driver.Broken") is None
    assert asking.address_of("no_such_driver.Part") is None


# --- sensors --------------------------------------------------------------------------------------------------------


def asked(load, made_of=None, answers=(0x44,), **more):
    made, ports = report(), Ports(Bench(Bus([])))
    ports.drivers = type("Drivers", (), {"load": staticmethod(load)})
    parts.check(made, ports, settings(sensor(**more)), {"i2c": list(answers)})
    return made


class Says:
    """A driver with these temperatures, one after the other."""

    def __init__(self, *values):
        self._values = list(values)

    @property
    def temperature(self):
        value = self._values[0] if len(self._values) == 1 else self._values.pop(0)
        if isinstance(value, Exception):
            raise value
        return value


def raising(error):
    def load(*_):
        raise error

    return load


@pytest.mark.parametrize(
    ("load", "fault"),
    [
        (lambda *_: Says(21.3), None),
        (lambda *_: Says(-45.0), "sensor-implausible"),
        (lambda *_: Says(1e12), "sensor-implausible"),
        (lambda *_: Says(*[20.0, 23.0] * 4), "sensor-noisy"),
        (lambda *_: Says(21.0, RuntimeError("CRC")), "sensor-garbled"),
        (lambda *_: Says(OSError(19)), "sensor-lost"),
        (lambda *_: object(), "driver-property"),
        (raising(ValueError("No I2C device at address: 0x44")), "sensor-absent"),
        (raising(ValueError("a: no module named 'a'")), "driver-missing"),
        (raising(ImportError("a")), "driver-missing"),
        (raising(RuntimeError("Failed to find it")), "sensor-garbled"),
        (raising(OSError(5)), "sensor-lost"),
    ],
)
def test_a_sensor_is_judged_by_what_its_driver_does(load, fault):
    made = asked(load)
    assert faults(made) == ([fault] if fault else [])


def test_a_sensor_that_takes_too_long():
    clock_of = []

    class Slow:
        @property
        def temperature(self):
            clock_of[0].wait_ms(2500)
            return 20.0

    made, ports = report(), Ports(Bench(Bus([])))
    clock_of.append(ports.clock)
    ports.drivers = type("Drivers", (), {"load": staticmethod(lambda *_: Slow())})
    parts.check(made, ports, settings(sensor()), {"i2c": [0x44]})
    assert faults(made) == ["sensor-slow"]


def test_a_part_that_did_not_answer_is_not_asked():
    made = asked(raising(AssertionError("asked all the same")), answers=[0x10])
    assert faults(made) == ["part-absent"]


def test_a_quantity_of_the_users_own_has_no_limits():
    assert limits.limits("temperature", [{"property": "temperature"}]) == (None, None, None)
    assert limits.limits("temperature", [])[0] is not None


# --- clock ----------------------------------------------------------------------------------------------------------


def clocked(found=(0x68,), **state):
    made, ports = report(), Ports()
    for name, value in state.items():
        setattr(ports.clock, name, value)
    clock.check(made, ports, settings(rtc="ds3231"), {"i2c": list(found)})
    return made


def test_a_clock_that_runs():
    assert faults(clocked()) == []


def test_a_clock_that_was_never_set_is_set_and_no_fault():
    made = clocked(shown_s=None)
    assert faults(made) == []
    assert "clock-no-cell" in made.notes[0]


def test_clocks_that_do_not_count_or_keep():
    assert faults(clocked(rate=0)) == ["clock-stopped"]
    assert faults(clocked(shown_s=None, keeps=False)) == ["clock-forgets"]
    assert faults(clocked(found=[])) == ["clock-absent"]
    assert faults(clocked(rate=3)) == ["clock-stopped"]


# --- supply ---------------------------------------------------------------------------------------------------------

BATTERY = {"pin": "A0", "radio_on_mv": 3500, "radio_off_mv": 3400, "write_off_mv": 3200}


@pytest.mark.parametrize(
    ("mv", "fault"),
    [(3900, None), (3499, "battery-low"), (3100, "battery-low"), (5200, "battery-high"), (None, "battery-unread")],
)
def test_the_battery(mv, fault):
    made, ports = report(), Ports()
    ports.power.mv = mv
    supply._battery(made, ports, BATTERY)
    assert faults(made) == ([fault] if fault else [])
    if fault == "battery-low":
        assert "docs/safety.md" in made.lines[0]


@pytest.mark.parametrize(
    ("name", "pin_mv", "fault"),
    [
        ("wood-probe", 1200, None),
        ("wood-probe", 20, "voltage-range"),
        ("wood-probe", 3200, "voltage-range"),
        ("supply", 1650, None),
        ("supply", 1400, "supply-off"),
    ],
)
def test_a_voltage(name, pin_mv, fault):
    made, ports = report(), Ports()
    ports.analog = type("Analog", (), {"read_mv": staticmethod(lambda _: pin_mv)})
    divider = {"divider_upper_ohm": 1000000, "divider_lower_ohm": 1000000}
    supply._analog(made, ports, {"name": name, "pin": "A1", **divider})
    assert faults(made) == ([fault] if fault else [])


# --- card -----------------------------------------------------------------------------------------------------------


class File:
    def __init__(self, clock, ms=8):
        self.sectors, self.clock, self.ms, self.writes = {}, clock, ms, 0

    def write(self, sector, data):
        assert 0 <= sector < card.SECTORS
        assert len(data) == card.SECTOR
        self.writes += 1
        self.clock.wait_ms(self.ms)
        self.sectors[sector] = bytes(data)

    def read(self, sector, buffer):
        buffer[:] = self.sectors.get(sector, bytes(card.SECTOR))


class Card:
    def __init__(self, file):
        self.file = file
        self.names = ["torpor.ring"]

    def rings(self):
        return self.names

    def create(self, name, sectors):
        assert name not in self.names
        return self.file

    def open(self, name):
        assert name not in self.names
        return self.file


def carded(file_type=File, **more):
    made, ports = report(), Ports()
    ports.card = Card(file_type(ports.clock, **more))
    return made, ports, card.check(made, ports, settings())


def test_a_card_is_written_read_back_and_timed():
    made, ports, file = carded()
    assert faults(made) == []
    assert file.writes == card.WRITES
    assert made.numbers["card"] == {"p50_ms": 8, "p90_ms": 8, "p99_ms": 8, "max_ms": 8, "kb_s": 64}


def test_percentiles():
    class Uneven(File):
        def write(self, sector, data):
            self.ms = 400 if self.writes == 100 else 30 if self.writes % 20 == 0 else 5
            super().write(sector, data)

    made, _, _ = carded(Uneven)
    assert (made.numbers["card"]["p50_ms"], made.numbers["card"]["p99_ms"], made.numbers["card"]["max_ms"]) == (
        5,
        30,
        400,
    )
    assert faults(made) == []


def test_one_sector_that_is_not_as_written_is_enough():
    class Drops(File):
        def write(self, sector, data):
            super().write(sector, data if self.writes != 123 else bytes(512))

    made, _, _ = carded(Drops)
    assert faults(made) == ["card-forgets"]


def test_a_slow_card():
    made, _, _ = carded(ms=600)
    assert faults(made) == ["card-slow"]


def cut(file, cuts=6):
    made, ports = report(), Ports()
    file.clock = ports.clock
    ports.card = Card(file)

    def rail(name, on):
        ports.power.switched.append((name, on))
        if not on and hasattr(file, "lose"):
            file.lose()

    ports.power.rail = rail
    card_cut.check(made, ports, settings(), file, cuts)
    return made, ports


def test_cuts_of_a_good_card():
    made, ports = cut(File(None))
    assert faults(made) == []
    assert ports.power.switched == [("card", False), ("card", True)] * 6
    assert made.numbers["card_cut"] == {"new": 6, "old": 0, "torn": 0}


def test_the_write_that_is_cut_may_be_lost_or_torn():
    class Torn(File):
        def write(self, sector, data):
            super().write(sector, data)
            self.last = sector

        def lose(self):
            self.sectors[self.last] = self.sectors[self.last][:256] + bytes(256)

    made, _ = cut(Torn(None))
    assert faults(made) == []
    assert made.numbers["card_cut"] == {"new": 0, "old": 0, "torn": 6}


def test_a_stored_neighbour_that_goes_is_a_failure():
    class Neighbours(File):
        def lose(self):
            self.sectors = {}

    made, _ = cut(Neighbours(None))
    assert faults(made) == ["card-cut-loses"]


def test_a_card_that_does_not_come_back():
    class Dead(File):
        gone = False

        def lose(self):
            self.gone = True

        def read(self, sector, buffer):
            if self.gone:
                raise CardError("no answer")
            super().read(sector, buffer)

    made, _ = cut(Dead(None))
    assert faults(made) == ["card-cut-dead"]


# --- the whole ------------------------------------------------------------------------------------------------------


def test_settings_that_cannot_be_used_are_the_only_item():
    ports = Ports()
    ports.eui = bytes(8)
    ports.settings_file = lambda: b'node = "x"\n[[network]]\npassword = "larch-and-spruce"\n'
    ports.nvm = type("Nvm", (), {"slots": 0})
    console = Console()
    record = bringup.run(ports=ports, out=console)
    assert [item["fault"] for item in record["items"]] == ["settings"]
    assert "larch-and-spruce" not in "\n".join(console.lines)
    assert ports.power.switched == []


def test_importing_it_touches_nothing_and_a_cycle_does_not_import_it():
    text = "import sys, torpor.cycle; assert not [n for n in sys.modules if 'bench' in n or 'bringup' in n]"
    subprocess.run([sys.executable, "-c", text], check=True, timeout=60)


def test_the_picture_of_the_light_is_of_today():
    done = subprocess.run([sys.executable, str(ROOT / "docs" / "make_field.py"), "--check"], timeout=60)
    assert done.returncode == 0
