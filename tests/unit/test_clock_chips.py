"""The clock chips' driver against register-level parts and against the standard library's calendar."""

import calendar
import errno
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st
from torpor.boards import clock_chips

from hostsim.devices import ds3231, pcf8523
from hostsim.devices.bus import Bus
from hostsim.oscillator import Oscillator
from hostsim.rtc import Clock

FIRST_S, LAST_S = 946684800, 4102444799  # 2000 to 2099
NOW_S = 1806537600  # 2027-04-01


class Bench:
    """One chip on a bus, and the driver for it."""

    def __init__(self, name):
        self.now_ms = 5_000
        self.clock = Clock(Oscillator())
        make = ds3231.Ds3231 if name == "ds3231" else pcf8523.Pcf8523
        self.part = make(lambda: self.now_ms, self.clock)
        self.bus = Bus()
        self.bus.attach(ds3231.ADDRESS, self.part)
        self.chip = clock_chips.open_chip(name, self.bus, self.wait_ms)

    def wait_ms(self, ms):
        self.now_ms += ms
        self.clock.let_pass(self.now_ms, 25.0)


@pytest.fixture(params=["ds3231", "pcf8523"])
def bench(request):
    return Bench(request.param)


@given(st.integers(FIRST_S, LAST_S))
def test_dates_are_those_of_the_calendar(shown_s):
    fields = clock_chips.civil(shown_s)
    expected = time.gmtime(shown_s)
    assert fields == (*expected[:6], (expected.tm_wday + 1) % 7)
    assert clock_chips.epoch_s(*fields[:6]) == shown_s


@pytest.mark.parametrize("shown_s", [FIRST_S, LAST_S, calendar.timegm((2028, 2, 29, 23, 59, 59)), NOW_S])
def test_a_chip_shows_what_it_was_set_to(bench, shown_s):
    bench.chip.set(shown_s)
    assert bench.chip.epoch_s() - shown_s in (0, 1)
    assert bench.part.shown_s() - shown_s in (0, 1)


def test_a_chip_ticks(bench):
    bench.chip.set(NOW_S)
    bench.wait_ms(86_400_000)
    assert bench.chip.epoch_s() - NOW_S in (86_400, 86_401)


def test_facts_5_an_oscillator_stop_flag_means_that_the_time_is_unknown(bench):
    assert bench.chip.epoch_s() is None
    bench.chip.set(NOW_S)
    assert bench.chip.epoch_s() is not None
    bench.clock.stop()
    assert bench.chip.epoch_s() is None


def test_clearing_the_alarm_does_not_make_a_stopped_clock_good(bench):
    bench.chip.clear_alarm()
    assert bench.chip.epoch_s() is None
    bench.chip.set_alarm(NOW_S)
    assert bench.chip.epoch_s() is None


def test_pcf8523_goes_over_to_its_cell_once_it_is_set():
    bench = Bench("pcf8523")
    bench.chip.set(NOW_S)
    bench.part.feed(None)
    bench.wait_ms(60_000)
    bench.part.feed(bench.now_ms)
    assert bench.chip.epoch_s() - NOW_S in (60, 61)


def test_pcf8523_that_was_left_stopped_shows_no_time():
    bench = Bench("pcf8523")
    bench.chip.set(NOW_S)
    bench.part.write(b"\x00\x20")
    assert bench.chip.epoch_s() is None


@pytest.mark.parametrize(("name", "ahead_s"), [("ds3231", 600), ("pcf8523", 600), ("ds3231", 86_400), ("ds3231", 61)])
def test_the_alarm_comes_at_its_second_and_can_be_let_go(name, ahead_s):
    bench = Bench(name)
    bench.chip.set(NOW_S)
    assert not bench.part.interrupt()
    assert bench.chip.set_alarm(NOW_S + ahead_s) == NOW_S + ahead_s
    assert bench.part.alarm_s() == NOW_S + ahead_s
    bench.wait_ms(ahead_s * 1000 - 2_000)
    assert not bench.part.interrupt()
    bench.wait_ms(4_000)
    assert bench.part.interrupt()
    bench.chip.clear_alarm()
    assert not bench.part.interrupt()


def test_an_alarm_that_knows_minutes_only_is_never_early():
    bench = Bench("pcf8523")
    bench.chip.set(NOW_S)
    for seconds in range(1, 61):
        assert bench.chip.set_alarm(NOW_S + 600 + seconds) == NOW_S + 660
        assert bench.part.alarm_s() == NOW_S + 660


def test_setting_the_alarm_keeps_the_time(bench):
    bench.chip.set(NOW_S)
    bench.wait_ms(10_000)
    bench.chip.set_alarm(NOW_S + 60)
    assert bench.chip.epoch_s() - NOW_S in (10, 11)


def test_hours_in_the_twelve_hour_mode_are_understood():
    # figure 1 of the data sheet: bit 6 is the mode, bit 5 PM
    expected = {0x52: 0, 0x41: 1, 0x51: 11, 0x72: 12, 0x61: 13, 0x71: 23}
    for register, hour in expected.items():
        shown_s = clock_chips._shown(0, 0, register, 1, 4, 0x27)
        assert time.gmtime(shown_s)[:4] == (2027, 4, 1, hour)
    assert clock_chips._shown(0, 0, 0x53, 1, 4, 0x27) is None


@pytest.mark.parametrize(
    "registers", [(0x5A, 0, 0, 1, 1, 0), (0, 0x60, 0, 1, 1, 0), (0, 0, 0x24, 1, 1, 0), (0, 0, 0, 0, 1, 0),
                  (0, 0, 0, 1, 0x13, 0), (0, 0, 0, 1, 1, 0xA0), (0, 0, 0, 0x29, 2, 0x27), (0, 0, 0, 0x31, 4, 0x27)]
)  # fmt: skip
def test_registers_that_are_no_date_show_no_time(registers):
    assert clock_chips._shown(*registers) is None


def test_a_chip_that_does_not_answer_raises_oserror(bench):
    bench.bus.absent.add(ds3231.ADDRESS)
    for call in (bench.chip.epoch_s, bench.chip.clear_alarm, lambda: bench.chip.set(NOW_S)):
        with pytest.raises(OSError):
            call()
        assert bench.bus.try_lock(), "the bus was left locked"
        bench.bus.unlock()


def test_a_bus_that_is_never_free_is_not_waited_for(bench):
    assert bench.bus.try_lock()
    with pytest.raises(OSError) as caught:
        bench.chip.epoch_s()
    assert caught.value.errno == errno.ETIMEDOUT
