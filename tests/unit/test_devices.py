"""Parts on a bus: each does what its data sheet says, and a fault looks as it does on wires.

Sources stand beside the checks; "from memory" where the data sheet was not at hand.
"""

import errno
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hostsim.devices import (
    bh1750,
    bme280,
    bus,
    clock_chip,
    ds3231,
    ina219,
    mcp9808,
    pcf8523,
    pmsa003i,
    scd4x,
    sensirion,
    sht3x,
    sht4x,
    tmp117,
    veml7700,
)
from hostsim.devices.catalogue import FITTED, Air, Circuit, Oscillator
from hostsim.devices.part import Climate, Part

SET_S = 1796083200  # 2026-12-01 00:00 UTC


class Time:
    now_ms = 1000.0

    def __call__(self):
        return self.now_ms


class Wire:
    """One part on a bus of its own, and the time that it lives in."""

    def __init__(self, address, make, since_ms=None):
        self.time = Time()
        self.address = address
        self.bus = bus.Bus()
        self.part = make(self.time)
        self.bus.attach(address, self.part, since_ms)
        self.bus.try_lock()

    def write(self, *data):
        self.bus.writeto(self.address, bytes(data))

    def read(self, count):
        data = bytearray(count)
        self.bus.readfrom_into(self.address, data)
        return bytes(data)

    def ask(self, register, count):
        data = bytearray(count)
        self.bus.writeto_then_readfrom(self.address, bytes([register]), data)
        return bytes(data)

    def wait(self, ms):
        self.time.now_ms += ms


def nacks(call, *arguments):
    with pytest.raises(OSError) as caught:
        call(*arguments)
    return caught.value.errno == errno.ENODEV


# SHT4x.


def test_sensirions_checksum_gives_the_data_sheets_example():
    # Sensirion, Data Sheet SHT4x, section 4.4 (from memory): CRC(0xBEEF) = 0x92
    assert sht4x.crc8(b"\xbe\xef") == 0x92


@pytest.mark.parametrize(
    ("degc", "word"),
    # Data Sheet SHT4x, section 4.6: T = -45 + 175 S / 65535
    [(-45, 0), (130, 0xFFFF), (-45 + 175 / 2, 0x8000), (25, 0x6666), (-60, 0), (200, 0xFFFF)],
)
def test_sht4x_counts_temperature_by_its_formula(degc, word):
    assert abs(sht4x.celsius_word(degc) - word) <= 1


def test_sht4x_humidity_reaches_beyond_both_ends_and_the_reader_cuts_it_off():
    # section 4.6: RH = -6 + 125 S / 65535, cropped to 0..100 by whoever reads it
    assert sht4x.humidity(0) == 0
    assert sht4x.humidity(65535) == 100
    assert sht4x.humidity_word(-6) == 0
    assert sht4x.humidity(sht4x.humidity_word(43.21)) == pytest.approx(43.21, abs=0.001)


def air(**told):
    return Wire(sht4x.ADDRESS, lambda now_ms: sht4x.Sht4x(now_ms, Climate(-7.31, 83.4), **told))


@pytest.mark.parametrize(("command", "ms"), [(0xFD, 8.3), (0xF6, 4.5), (0xE0, 1.6)])
def test_sht4x_answers_once_when_its_time_is_over(command, ms):
    # tables 5 and 8, longest durations: a driver that waits for less is found out
    wire = air()
    wire.write(command)
    wire.wait(ms - 0.1)
    assert nacks(wire.read, 6)
    assert wire.bus.scan() == []
    wire.wait(0.2)
    answer = wire.read(6)
    assert sht4x.crc8(answer[:2]) == answer[2]
    assert sht4x.celsius(answer[0] << 8 | answer[1]) == pytest.approx(-7.31, abs=0.002)
    assert sht4x.humidity(answer[3] << 8 | answer[4]) == pytest.approx(83.4, abs=0.002)
    assert nacks(wire.read, 6)


def test_sht4x_tells_what_its_bytes_say_and_only_what_was_read():
    told = []
    wire = air(told=told.append)
    wire.write(0xFD)
    wire.wait(9)
    assert told == []
    answer = wire.read(6)
    assert told == [sht4x.celsius(answer[0] << 8 | answer[1]), sht4x.humidity(answer[3] << 8 | answer[4])]


def test_sht4x_does_not_acknowledge_what_it_does_not_know():
    assert nacks(air().write, 0x00)


# SHT3x, SCD4x.


def test_scd4x_measurement_has_the_data_sheets_bytes():
    # Sensirion, Data Sheet SCD4x, table 11 (from memory): 500 ppm, 25 degC, 37 %RH
    assert sensirion.with_checksums((500, 0x6667, 0x5EB9)).hex() == "01f4336667a25eb93c"
    assert sht3x.celsius(0x6667) == pytest.approx(25, abs=0.01)
    assert sht3x.humidity(0x5EB9) == pytest.approx(37, abs=0.01)


def test_sht3x_measures_once_after_15_ms():
    # Data Sheet SHT3x-DIS, table 4 (from memory): 15.5 ms at high repeatability from 2.4 V on
    wire = Wire(sht3x.ADDRESS, lambda now_ms: sht3x.Sht3x(now_ms, Climate(21.5, 61.25)))
    wire.write(0x24, 0x00)
    wire.wait(15)
    assert nacks(wire.read, 6)
    wire.wait(1)
    degc, crc, percent, _ = struct.unpack(">HBHB", wire.read(6))
    assert crc == sht4x.crc8(struct.pack(">H", degc))
    assert (sht3x.celsius(degc), sht3x.humidity(percent)) == (
        pytest.approx(21.5, abs=0.002),
        pytest.approx(61.25, abs=0.001),
    )
    assert nacks(wire.read, 6)
    # section 4.10: its periodic mode is not modelled, and so it does not pretend
    assert nacks(wire.write, 0x21, 0x30)


def test_scd4x_measures_every_5_s_from_when_it_was_told_to():
    wire = Wire(scd4x.ADDRESS, lambda now_ms: scd4x.Scd4x(now_ms, Climate(25, 37), Air))
    assert nacks(wire.write, 0xEC, 0x05)
    wire.write(0x21, 0xB1)
    assert nacks(wire.write, 0x36, 0x82)  # section 3.5: only few commands while it measures
    ready = []
    for _ in range(3):
        wire.wait(2400)
        wire.write(0xE4, 0xB8)
        wire.wait(1)
        ready.append(wire.read(3)[:2] != b"\x80\x00")
    assert ready == [False, False, True]
    wire.write(0xEC, 0x05)
    wire.wait(1)
    assert wire.read(9)[:2] == struct.pack(">H", Air.co2_ppm)
    # each measurement is handed out once
    assert nacks(wire.write, 0xEC, 0x05)
    wire.wait(2800)
    wire.write(0xEC, 0x05)


# VEML7700, BH1750.


@pytest.mark.parametrize(
    ("gain", "integration_ms", "step"),
    # Vishay, application note 84323, table "Resolution and maximum detection range" (from memory)
    [
        (2, 800, 0.0042),
        (2, 100, 0.0336),
        (1, 800, 0.0084),
        (1, 100, 0.0672),
        (0.25, 100, 0.2688),
        (0.125, 25, 2.1504),
    ],
)
def test_veml7700_resolution_is_that_of_the_application_note(gain, integration_ms, step):
    assert veml7700.step_lx(gain, integration_ms) == pytest.approx(step, rel=1e-9)


def test_veml7700_shows_nothing_before_its_first_integration_is_over():
    wire = Wire(veml7700.ADDRESS, lambda now_ms: veml7700.Veml7700(now_ms, Climate(illuminance_lx=742)))
    assert wire.ask(veml7700.CONFIGURATION, 2) == b"\x01\x00"  # shut down
    wire.write(0, 0x00, 0x10)  # gain 1/8, 100 ms, on
    wire.wait(102)
    assert wire.ask(veml7700.ALS, 2) == bytes(2)
    wire.wait(1)
    assert int.from_bytes(wire.ask(veml7700.ALS, 2), "little") == round(742 / 0.5376)


def test_veml7700_is_full_at_65535_counts():
    wire = Wire(veml7700.ADDRESS, lambda now_ms: veml7700.Veml7700(now_ms, Climate(illuminance_lx=1e6)))
    wire.write(0, 0x00, 0x00)
    wire.wait(200)
    assert wire.ask(veml7700.ALS, 2) == b"\xff\xff"


def test_bh1750_count_is_the_data_sheets_example():
    # ROHM, BH1750FVI Technical Note, "Write/Read Format": 10000011 10010000 is 33680 / 1.2 = 28067 lx
    wire = Wire(bh1750.ADDRESS, lambda now_ms: bh1750.Bh1750(now_ms, Climate(illuminance_lx=28066.67)))
    wire.write(0x01)
    wire.write(0x10)
    wire.wait(179)
    assert wire.read(2) == bytes(2)
    wire.wait(2)
    assert wire.read(2) == bytes((0b10000011, 0b10010000))


# TMP117, MCP9808.


@pytest.mark.parametrize(
    ("degc", "word"),
    # Texas Instruments, TMP117 data sheet, table 7-3 "Temperature data format" (from memory)
    [
        (-0.0078125, 0xFFFF),
        (0, 0),
        (0.0078125, 1),
        (1, 0x0080),
        (25, 0x0C80),
        (100, 0x3200),
        (-25, 0xF380),
        (-256, 0x8000),
    ],
)
def test_tmp117_words_are_those_of_its_table(degc, word):
    wire = Wire(tmp117.ADDRESS, lambda now_ms: tmp117.Tmp117(now_ms, Climate(degc)))
    # 2 ms of reset and 8 conversions of 15.5 ms: before that -256 degC
    wire.wait(125)
    assert wire.ask(tmp117.RESULT, 2) == b"\x80\x00"
    assert wire.ask(tmp117.CONFIGURATION, 2) == b"\x02\x20"
    wire.wait(2)
    # the flag says that there is something new, and goes down by being read
    assert wire.ask(tmp117.CONFIGURATION, 2) == b"\x22\x20"
    assert wire.ask(tmp117.CONFIGURATION, 2) == b"\x02\x20"
    assert wire.ask(tmp117.RESULT, 2) == struct.pack(">H", word)


@pytest.mark.parametrize(
    ("degc", "word"),
    # Microchip, MCP9808 data sheet DS25095, section 5.1.3: 1/16 degC, two's complement of 13 bits (from memory)
    [(25.25, 0x0194), (0, 0), (-0.0625, 0x1FFF), (-25.25, 0x1E6C), (100, 0x0640)],
)
def test_mcp9808_counts_sixteenths_in_13_bits(degc, word):
    wire = Wire(mcp9808.ADDRESS, lambda now_ms: mcp9808.Mcp9808(now_ms, Climate(degc)))
    wire.wait(249)
    assert wire.ask(mcp9808.TEMPERATURE, 2) == bytes(2)
    wire.wait(2)
    assert wire.ask(mcp9808.TEMPERATURE, 2) == struct.pack(">H", word)
    assert (wire.ask(6, 2), wire.ask(7, 1)) == (b"\x00\x54", b"\x04")


def test_mcp9808_coarser_resolutions_show_whole_steps():
    wire = Wire(mcp9808.ADDRESS, lambda now_ms: mcp9808.Mcp9808(now_ms, Climate(25.3)))
    wire.write(mcp9808.RESOLUTION, 0)
    wire.wait(31)
    assert wire.ask(mcp9808.TEMPERATURE, 2) == struct.pack(">H", int(25.5 * 16))
    assert wire.ask(mcp9808.RESOLUTION, 1) == b"\x00"


# INA219, BME280, PMSA003I.


def test_ina219_registers_are_those_of_the_design_example():
    # Texas Instruments, INA219 data sheet SBOS448, table 8 (from memory): 10 A through 2 milliohm at 11.98 V and a
    # calibration of 5000h give shunt 07D0h, bus 5D98h less its flags, current 2710h, power 1766h
    class Load:
        bus_v = 11.98
        shunt_v = 0.02

    wire = Wire(ina219.ADDRESS, lambda now_ms: ina219.Ina219(now_ms, Load))
    assert wire.ask(ina219.CURRENT, 2) == bytes(2)  # not calibrated yet
    wire.write(ina219.CALIBRATION, 0x50, 0x00)
    words = {name: int.from_bytes(wire.ask(name, 2), "big") for name in range(6)}
    assert words[ina219.CONFIGURATION] == 0x399F
    assert (words[ina219.SHUNT], words[ina219.BUS] & ~7) == (0x07D0, 0x5D98)
    assert (words[ina219.CURRENT], words[ina219.POWER]) == (0x2710, 0x1766)


def test_bme280_formulas_give_the_worked_example():
    # Bosch Sensortec, BST-BMP280-DS001, section 3.12 (from memory): counts 519888 and 415148, t_fine 128422, 25.08
    # degC, 100653.27 Pa; the BME280 has the same formulas for both
    assert int(bme280.fine(519888)) == 128422
    assert bme280.celsius(519888) == pytest.approx(25.08, abs=0.005)
    assert bme280.pascal(415148, 128422) == pytest.approx(100653.27, abs=0.05)


@given(st.floats(-40, 85), st.floats(300, 1100), st.floats(0, 100))
def test_bme280_shows_what_it_is_exposed_to(degc, hpa, percent):
    time = Time()
    told = []
    part = bme280.Bme280(time, Climate(degc, percent, 0, hpa), told.append)
    part.write(bytes((bme280.CONTROL_HUMIDITY, 1, bme280.CONTROL, 0b00100101)))
    time.now_ms += 20
    part.write(bytes([bme280.DATA]))
    part.read(8)
    assert told[0] == pytest.approx(degc, abs=0.01)
    assert told[1] == pytest.approx(hpa * 100, abs=2)
    assert told[2] == pytest.approx(percent, abs=0.1)


def test_bme280_measures_for_as_long_as_the_data_sheet_allows():
    # section 9.1, longest: 1.25 + 2.3 + 2.3 + 0.575 + 2.3 + 0.575 ms with each value measured once
    wire = Wire(bme280.ADDRESS, lambda now_ms: bme280.Bme280(now_ms, Climate(20, 50, 0, 1000)))
    wire.write(bme280.CONTROL_HUMIDITY, 1)
    wire.write(bme280.CONTROL, 0b00100101)
    wire.wait(9.2)
    assert wire.ask(bme280.STATUS, 1) == bytes([bme280.MEASURING])
    assert wire.ask(bme280.DATA, 8) == bme280.NOT_MEASURED
    wire.wait(0.2)
    assert wire.ask(bme280.STATUS, 1) == b"\x00"
    assert wire.ask(bme280.DATA, 8) != bme280.NOT_MEASURED


def test_pmsa003i_frame_ends_with_the_sum_of_what_comes_before():
    # Plantower, PMSA003I data manual, appendix I (from memory): length 28, checksum over all before it
    frame = Wire(pmsa003i.ADDRESS, lambda now_ms: pmsa003i.Pmsa003i(now_ms, Air)).read(32)
    assert frame[:4] == b"BM\x00\x1c"
    assert struct.unpack(">12H", frame[4:28]) == Air.particles
    assert int.from_bytes(frame[30:], "big") == sum(frame[:30])


# Clock chips.


@pytest.mark.parametrize(("value", "coded"), [(0, 0x00), (9, 0x09), (10, 0x10), (59, 0x59), (99, 0x99)])
def test_bcd(value, coded):
    assert clock_chip.bcd(value) == coded
    assert clock_chip.from_bcd(coded) == value


@given(st.integers(946684800, 4102444799))
def test_the_calendar_is_the_one_of_the_standard_library(epoch_s):
    from datetime import UTC, datetime

    date = datetime.fromtimestamp(epoch_s, UTC)
    day = epoch_s // 86400
    assert clock_chip.civil(day) == (date.year, date.month, date.day)
    assert clock_chip.day_number(date.year, date.month, date.day) == day


class Unset:
    """An oscillator that nobody has set."""

    base_s = None

    def shows(self, now_ms):
        return None if self.base_s is None else self.base_s + int(now_ms) // 1000

    def set(self, now_ms, epoch_s):
        self.base_s = epoch_s - int(now_ms) // 1000

    def stop(self):
        self.base_s = None


def test_ds3231_has_its_stop_flag_up_until_somebody_clears_it():
    # Maxim, DS3231 data sheet 19-5170, status register: OSF is 1 from the first power-on
    wire = Wire(ds3231.ADDRESS, lambda now_ms: ds3231.Ds3231(now_ms, Unset()))
    assert wire.ask(ds3231.STATUS, 1)[0] & ds3231.OSF
    # 2026-12-01 was a Tuesday: day 3 when the week begins with Sunday
    wire.write(0, 0x00, 0x00, 0x00, 0x03, 0x01, 0x12, 0x26)
    assert wire.ask(ds3231.STATUS, 1)[0] & ds3231.OSF, "setting the time does not clear it"
    wire.write(ds3231.STATUS, 0x00)
    assert not wire.ask(ds3231.STATUS, 1)[0] & ds3231.OSF
    wire.write(ds3231.STATUS, ds3231.OSF)
    assert not wire.ask(ds3231.STATUS, 1)[0] & ds3231.OSF, "a 1 cannot be written"
    wire.wait(59_000)
    assert wire.ask(0, 7) == bytes((0x59, 0x00, 0x00, 0x03, 0x01, 0x12, 0x26))
    wire.wait(86400_000 - 59_000)
    assert wire.ask(0, 7) == bytes((0x00, 0x00, 0x00, 0x04, 0x02, 0x12, 0x26))


def test_ds3231_temperature_is_in_quarters():
    # data sheet, "Temperature Registers": 0001 1001 01 is +25.25 degC
    wire = Wire(ds3231.ADDRESS, lambda now_ms: ds3231.Ds3231(now_ms, Oscillator(), Climate(25.25)))
    assert wire.ask(ds3231.TEMPERATURE, 2) == bytes((0b00011001, 0b01000000))
    wire = Wire(ds3231.ADDRESS, lambda now_ms: ds3231.Ds3231(now_ms, Oscillator(), Climate(-0.25)))
    assert wire.ask(ds3231.TEMPERATURE, 2) == bytes((0xFF, 0b11000000))


def test_ds3231_alarm_pulls_its_pin_at_the_second_that_was_asked_for():
    wire = Wire(ds3231.ADDRESS, lambda now_ms: ds3231.Ds3231(now_ms, Unset()))
    wire.write(0, 0x00, 0x00, 0x00, 0x03, 0x01, 0x12, 0x26)
    wire.write(ds3231.ALARM_1, 0x07, 0x10, 0x00, 0x01)  # 00:10:07 on day 1 of the month
    wire.write(ds3231.CONTROL, 0x05)
    assert wire.part.alarm_s() == SET_S + 607
    wire.wait(606_000)
    assert not wire.part.interrupt()
    wire.wait(1_000)
    assert wire.part.interrupt()
    wire.write(ds3231.STATUS, 0x00)
    assert not wire.part.interrupt()


def test_pcf8523_has_its_integrity_flag_in_the_seconds():
    # NXP, PCF8523 data sheet, table 12: OS is bit 7 of the seconds; table 5: control 3 is E0h after reset
    wire = Wire(pcf8523.ADDRESS, lambda now_ms: pcf8523.Pcf8523(now_ms, Unset()))
    assert wire.ask(3, 1)[0] & pcf8523.OS
    assert wire.ask(pcf8523.CONTROL_3, 1) == b"\xe0"
    wire.write(3, 0x30, 0x59, 0x23, 0x31, 0x04, 0x12, 0x26)
    wire.wait(30_000)
    assert wire.ask(3, 7) == bytes((0x00, 0x00, 0x00, 0x01, 0x05, 0x01, 0x27))


def test_pcf8523_as_delivered_does_not_use_its_cell():
    # table 9: 111 in control 3 is "battery switch-over function is disabled"
    fed_since = [500]
    wire = Wire(pcf8523.ADDRESS, lambda now_ms: pcf8523.Pcf8523(now_ms, Unset()), lambda: fed_since[0])
    wire.write(3, 0x00, 0x00, 0x00, 0x01, 0x02, 0x12, 0x26)
    assert not wire.ask(3, 1)[0] & pcf8523.OS
    fed_since[0] = 900
    assert wire.ask(3, 1)[0] & pcf8523.OS
    wire.write(3, 0x00, 0x00, 0x00, 0x01, 0x02, 0x12, 0x26)
    wire.write(pcf8523.CONTROL_3, 0x00)
    fed_since[0] = 950
    assert not wire.ask(3, 1)[0] & pcf8523.OS


# The bus.


@pytest.mark.parametrize("driver", sorted(FITTED))
def test_every_part_is_found_at_its_address_and_not_where_its_rail_is_off(driver):
    fitted = FITTED[driver]
    fed_since = [None]
    wire = Wire(fitted.address, fitted.make, lambda: fed_since[0])
    wire.wait(5000)
    assert wire.bus.scan() == []
    assert nacks(wire.write, 0x00)
    assert nacks(wire.read, 1)
    fed_since[0] = 1500
    assert wire.bus.scan() == [fitted.address]
    wire.bus.absent.add(fitted.address)
    assert wire.bus.scan() == []


class Echo(Part):
    """Gives back what was written."""

    POWER_UP_MS = 5

    def reset(self):
        self.kept = b""

    def write(self, data):
        self.kept = data or self.kept

    def read(self, count):
        return (self.kept + bytes(count))[:count]


def echo(since_ms=None):
    return Wire(0x20, Echo, since_ms)


def test_a_part_that_lost_its_rail_has_forgotten_and_is_slow_to_come_back():
    fed_since = [0.5]
    wire = echo(lambda: fed_since[0])
    wire.write(7)
    assert wire.read(1) == b"\x07"
    fed_since[0] = wire.time.now_ms
    assert nacks(wire.read, 1)
    wire.wait(5)
    assert wire.read(1) == b"\x00"


def test_a_corrupted_part_has_one_wrong_bit_in_the_last_byte():
    wire = echo()
    wire.write(1, 2, 3)
    wire.bus.corrupted.add(0x20)
    assert wire.read(3) == b"\x01\x02\x02"


def test_a_line_that_is_held_low_stops_everything_until_it_was_clocked_free():
    wire = echo()
    wire.bus.held_low = 9
    for call in (wire.bus.scan, lambda: wire.read(1), lambda: wire.write(1)):
        with pytest.raises(OSError) as caught:
            call()
        assert caught.value.errno == errno.ETIMEDOUT
    with pytest.raises(RuntimeError, match="No pull up"):
        wire.bus.open()
    wire.bus.clock_scl(8)
    with pytest.raises(RuntimeError, match="No pull up"):
        wire.bus.open()
    wire.bus.clock_scl(1)
    wire.bus.open()
    wire.write(1)


def test_pull_ups_without_their_supply_look_like_a_bus_that_is_held_low():
    fed = [False]
    wires = bus.Bus(pulled_up=lambda: fed[0])
    with pytest.raises(RuntimeError, match="No pull up"):
        wires.open()
    fed[0] = True
    wires.open()


def test_a_driver_that_spins_on_a_locked_bus_is_stopped():
    # platform-facts section 5: adafruit_bus_device spins on try_lock() without limit
    wires = bus.Bus()
    assert wires.try_lock()
    for _ in range(bus.SPINS_MAX):
        assert not wires.try_lock()
    with pytest.raises(RuntimeError, match="locked"):
        wires.try_lock()


def test_a_call_without_the_lock_raises():
    wires = bus.Bus()
    with pytest.raises(RuntimeError, match="lock"):
        wires.scan()
    with pytest.raises(ValueError, match="lock"):
        wires.unlock()
    bus.Bus(needs_lock=False).scan()


def test_the_wires_are_charged_for_what_went_over_them():
    wire = echo()
    wire.write(1, 2)
    # start, address, direction, acknowledge, stop, and nine bits a byte
    assert wire.bus.bits == 11 + 18
    wire.read(3)
    assert wire.bus.bits == 2 * 11 + 18 + 27


def test_the_circuit_of_the_catalogue_is_what_its_shunt_says():
    assert Circuit.shunt_v / 0.1 == pytest.approx(0.15)
