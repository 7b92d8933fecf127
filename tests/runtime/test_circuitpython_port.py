"""The CircuitPython port call by call, against docs/porting.md and what the platform is known to do."""

import errno
import shutil

import pytest
from cp_bench import Bench

from hostsim.runtimes import circuitpython
from hostsim.runtimes.circuitpython import chip as chips
from hostsim.runtimes.circuitpython import clocks, system
from hostsim.runtimes.endings import WatchdogReset

SETTINGS = {"ssid": "yard-office", "password": "twelve-planks-high", "address": ""}
FIRMWARE = chips.firmware()
STATUS = '[status]\nled = "D13"'


@pytest.fixture
def bench():
    return Bench()


def stored(bench):
    """The judge lets the radio on only after a reading: here it is not asked."""
    bench.judge.radio_on = lambda t_ms: None
    return bench


def slept(bench, ports, seconds):
    """The alarms of a deep sleep, which has to come."""
    with pytest.raises(system.Slept) as caught:
        ports.power.deep_sleep(seconds)
    return caught.value.args[0]


# --- clock ----------------------------------------------------------------------------------------------------------


def test_facts_2_ticks_are_integers_and_right_across_their_overflow(bench):
    clock = bench.ports().clock
    before = clock.ticks_ms()
    assert isinstance(before, int)
    bench.machine.bites_ms = None
    bench.node.spend("awake", 100_000)
    assert clock.ticks_ms() < before, "it has wrapped"
    assert clock.elapsed_ms(before) == 100_000


@pytest.mark.parametrize("ms", [0, 1, 7, 250, 1000, 1001, 60_000])
def test_waiting_takes_what_it_says_and_feeds_the_watchdog(bench, ms):
    clock = bench.ports().clock
    before_ms = bench.node.now_ms
    clock.wait_ms(ms)
    assert bench.node.now_ms - before_ms == ms
    # 90 s of watchdog, and at most a second of it used
    assert bench.machine.bites_ms - bench.node.now_ms >= 88_000


@pytest.mark.parametrize("rtc", ["ds3231", "pcf8523", "internal"])
def test_facts_5_a_clock_that_was_not_set_shows_no_time(rtc):
    bench = Bench(('rtc = "ds3231"', f'rtc = "{rtc}"'))
    clock = bench.ports().clock
    assert clock.rtc_epoch_s() is None
    clock.set_rtc(1800000000)
    assert clock.rtc_epoch_s() in (1800000000, 1800000001)
    assert abs(bench.node.clock.shows(bench.node.now_ms) - 1800000000) <= 1
    # the system clock, by which certificates are judged
    assert abs(clocks.clock_s(bench.machine) - 1800000000) <= 1


def next_clock(bench, absent=False):
    """The clock of the next wake."""
    bench.node.sleep(600)
    bench.chip.reset_reason = "DEEP_SLEEP_ALARM"
    bench.boot()
    if absent:
        bench.machine.buses["i2c"].absent.add(0x68)
    return bench.ports().clock


def test_the_system_clock_follows_the_clock_chip(bench):
    ports = bench.ports()
    ports.clock.set_rtc(1800000000)
    bench.chip.own_clock.set(bench.node.now_ms, 946684800)
    clock = next_clock(bench)
    assert abs(clock.rtc_epoch_s() - 1800000600) < 10
    assert abs(clocks.clock_s(bench.machine) - 1800000600) < 10
    # one that fails in the middle of a wake
    bench.machine.buses["i2c"].absent.add(0x68)
    assert clock.rtc_epoch_s() is None
    clock.set_rtc(1900000000)
    assert clock.rtc_epoch_s() == 1900000000


@pytest.mark.parametrize("rtc", ["ds3231", "pcf8523"])
def test_the_chips_own_rtc_stands_in_for_the_clock_chip_from_when_it_is_set_and_in_that_wake(rtc):
    bench = Bench(('rtc = "ds3231"', f'rtc = "{rtc}"'))
    ports = bench.ports()
    ports.clock.set_rtc(1800000000)
    before = bytes(bench.chip.nvm)
    clock = next_clock(bench, absent=True)
    assert clock.rtc_epoch_s() is None
    clock.set_rtc(1800009000)
    assert clock.rtc_epoch_s() == 1800009000
    clock = next_clock(bench, absent=True)
    assert clock.rtc_epoch_s() is None
    kept = bytes(bench.chip.nvm)
    clock.set_rtc(1800009600)
    # flash is written once, however long it takes
    assert bytes(bench.chip.nvm) == kept != before
    # the chip shows a time that has nothing to do with what was counted meanwhile
    clock = next_clock(bench)
    assert clock.rtc_epoch_s() is None
    clock.set_rtc(1800010200)
    assert clock.rtc_epoch_s() in (1800010200, 1800010201)
    assert bench.ports().nvm.counters() == bytearray(4)
    assert abs(next_clock(bench).rtc_epoch_s() - 1800010800) < 10


def test_a_clock_chip_that_is_passed_by_without_a_memory_for_it_cannot_be_set(bench):
    bench.ports().clock.set_rtc(1800000000)
    next_clock(bench, absent=True)
    none, buses = bench.load("torpor.boards.cp_memory").Memory(None), bench.load("torpor.boards.cp_pins").Buses([])
    settings = {"rtc": "ds3231", "rtc_bus": "i2c"}
    clock = bench.load("torpor.boards.cp_clock").Clock(settings, buses, none, "deep-sleep", lambda: None)
    with pytest.raises(OSError):
        clock.set_rtc(1800009000)
    assert clock.rtc_epoch_s() is None
    # what nobody has set is what it was
    assert abs(next_clock(bench).rtc_epoch_s() - 1800001200) < 20


# --- pins, rails, buses ---------------------------------------------------------------------------------------------


def test_rails_switch_the_supplies_and_all_are_off_at_sleep(bench):
    ports = bench.ports()
    assert bench.machine.rails.since_ms("sensors") is None
    ports.power.rail("sensors", True)
    ports.power.rail("card", True)
    assert bench.machine.rails.since_ms("sensors") is not None
    ports.power.rail("card", False)
    assert bench.machine.rails.since_ms("card") is None
    slept(bench, ports, 10)
    assert bench.machine.rails.since_ms("sensors") is None


def test_switching_a_rail_on_twice_does_not_interrupt_it(bench):
    ports = bench.ports()
    ports.power.rail("sensors", True)
    since_ms = bench.machine.rails.since_ms("sensors")
    bench.node.spend("awake", 50)
    ports.power.rail("sensors", True)
    assert bench.machine.rails.since_ms("sensors") == since_ms


GATED = ('[rails]', '[[bus]]\nname = "i2c"\nscl = "D8"\nsda = "D9"\nrail = "sensors"\n\n[rails]')  # fmt: skip


def test_facts_5_without_its_pull_ups_a_bus_cannot_be_opened():
    bench = Bench(GATED, ('rtc = "ds3231"', 'rtc = "internal"'))
    ports = bench.ports()
    with pytest.raises(RuntimeError, match="pull up"):
        ports.drivers.load("adafruit_sht4x.SHT4x", "i2c", 0)
    ports.power.rail("sensors", True)
    bench.node.spend("awake", 10)
    assert -40 < ports.drivers.load("adafruit_sht4x.SHT4x", "i2c", 0).temperature < 60


def test_before_a_rail_goes_off_its_bus_is_let_go():
    bench = Bench(GATED, ('rtc = "ds3231"', 'rtc = "internal"'))
    ports = bench.ports()
    ports.power.rail("sensors", True)
    bench.node.spend("awake", 10)
    ports.drivers.load("adafruit_sht4x.SHT4x", "i2c", 0)
    assert {"D8", "D9"} <= bench.machine.in_use
    seen = []
    switch = bench.machine.rails.switch
    bench.machine.rails.switch = lambda *words: (seen.append(set(bench.machine.in_use)), switch(*words))
    ports.power.rail("sensors", False)
    assert not seen[0] & {"D8", "D9"}
    # and comes back
    ports.power.rail("sensors", True)
    bench.node.spend("awake", 10)
    ports.drivers.load("adafruit_sht4x.SHT4x", "i2c", 0)


def test_before_its_rail_goes_off_the_card_and_its_select_pin_are_let_go(bench):
    ports = bench.ports()
    ports.power.rail("card", True)
    assert ports.card.rings() == []
    assert {"SCK", "MOSI", "MISO", "SD_CS"} <= bench.machine.in_use
    ports.power.rail("card", False)
    assert not {"SCK", "MOSI", "MISO", "SD_CS"} & bench.machine.in_use


def test_facts_5_a_bus_that_is_held_low_is_clocked_free(bench):
    ports = bench.ports()
    ports.power.rail("sensors", True)
    bench.node.spend("awake", 10)
    bench.machine.buses["i2c"].held_low = 9
    assert -40 < ports.drivers.load("adafruit_sht4x.SHT4x", "i2c", 0).temperature < 60
    assert bench.machine.buses["i2c"].held_low == 0


def test_a_bus_that_stays_low_costs_its_sensors_only(bench):
    ports = bench.ports()
    ports.power.rail("sensors", True)
    bench.machine.buses["i2c"].held_low = 1000
    with pytest.raises(RuntimeError):
        ports.drivers.load("adafruit_sht4x.SHT4x", "i2c", 0)
    assert ports.clock.rtc_epoch_s() is None
    assert ports.analog.read_mv("battery") > 1000


@pytest.mark.parametrize(
    ("settings", "call"),
    [
        (('sensors = "D5"', 'sensors = "P99"'), lambda ports: ports.power.rail("sensors", True)),
        (('pin = "A1"', 'pin = "P99"'), lambda ports: ports.analog.read_mv("supply")),
        (('pin = "A1"', 'pin = "D7"'), lambda ports: ports.analog.read_mv("supply")),
    ],
)
def test_a_wrong_pin_costs_what_hangs_on_it(settings, call):
    ports = Bench(settings).ports()
    with pytest.raises((ValueError, OSError)):
        call(ports)
    assert ports.power.battery_mv() > 3000


def test_wrong_pins_of_light_and_button_cost_nothing():
    ports = Bench((STATUS, '[status]\nled = "P99"'), ('button = "D0"', 'button = "P98"')).ports()
    ports.signal.show("stored")
    assert ports.signal.button() is False
    assert ports.power.wake_reason is None


def test_millivolts_are_exact(bench):
    ports = bench.ports()
    for _ in range(20):
        mv = ports.power.battery_mv()
        assert abs(mv - bench.node.battery_mv) <= 10
        assert mv % 2 == 0, "the divider halves whole millivolts"


def test_a_board_without_a_pin_for_its_battery_does_not_know_its_voltage():
    assert Bench(("[battery]\npin", "[battery]\n# pin")).ports().power.battery_mv() is None


# --- light and button -----------------------------------------------------------------------------------------------


def test_patterns_differ_and_are_short(bench):
    ports = bench.ports()
    drawn = {}
    for pattern in ("service", "stored", "joined", "accepted", "refused", "unreached"):
        seen = []
        level = bench.machine.level
        bench.machine.level = lambda pin, high, seen=seen: seen.append((pin, high, bench.node.now_ms))
        began_ms = bench.node.now_ms
        ports.signal.show(pattern)
        bench.machine.level = level
        assert bench.node.now_ms - began_ms <= 2000
        assert {pin for pin, _, _ in seen} == {"D13"}
        assert not seen[-1][1], "it was left on"
        drawn[pattern] = tuple((high, t_ms - began_ms) for _, high, t_ms in seen)
    assert len(set(drawn.values())) == 6


def test_the_button_pulls_its_pin_low(bench):
    ports = bench.ports()
    assert ports.signal.button() is False
    bench.chip.button = True
    assert ports.signal.button() is True


# --- power ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("reason", "cause"),
    [
        ("POWER_ON", "power-on"), ("BROWNOUT", "brown-out"), ("SOFTWARE", "software"), ("WATCHDOG", "watchdog"),
        ("DEEP_SLEEP_ALARM", "deep-sleep"), ("RESET_PIN", "pin"), ("RESCUE_DEBUG", "pin"), ("UNKNOWN", "power-on"),
    ],
)  # fmt: skip
def test_reset_causes(bench, reason, cause):
    bench.chip.reset_reason = reason
    bench.boot()
    power = bench.ports().power
    assert power.reset_cause == cause
    assert power.wake_reason == ("timer" if cause == "deep-sleep" else None)


def test_a_restart_by_a_person_is_not_a_wake_from_sleep(bench):
    bench.chip.reset_reason, bench.chip.run_reason = "DEEP_SLEEP_ALARM", "REPL_RELOAD"
    bench.boot()
    assert bench.ports().power.reset_cause == "software"


@pytest.mark.parametrize(("pin", "reason"), [("D0", "button"), ("D7", "timer")])
def test_what_a_pin_alarm_was_for(pin, reason):
    bench = Bench(('rtc = "ds3231"', 'rtc = "ds3231"\nrtc_alarm = "D7"'))
    board = bench.load("board")
    bench.chip.wake_alarm = system.PinAlarm(getattr(board, pin), False, pull=True)
    bench.chip.reset_reason = "DEEP_SLEEP_ALARM"
    bench.boot()
    assert bench.ports().power.wake_reason == reason


@pytest.mark.parametrize(
    ("asked_s", "slept_s"), [(0, 1), (-5, 1), (1, 1), (600, 600), (86_400, 86_400), (10**9, 86_400)]
)
def test_facts_2_sleep_is_clamped(bench, asked_s, slept_s):
    ports = bench.ports()
    timer = slept(bench, ports, asked_s)[0]
    assert timer.monotonic_time - clocks.monotonic(bench.machine) == pytest.approx(slept_s, abs=0.01)


def test_the_button_can_wake_the_board_unless_it_is_stuck(bench):
    ports = bench.ports()
    assert ports.signal.button() is False
    alarms = slept(bench, ports, 600)
    assert [alarm.pin.name for alarm in alarms[1:]] == ["D0"]
    bench.chip.button = True
    assert len(slept(bench, ports, 600)) == 1


def test_sleep_goes_on_with_fewer_alarms_where_the_chip_refuses_them(bench):
    ports = bench.ports()
    alarm = bench.load("alarm")
    sleep = alarm.exit_and_deep_sleep_until_alarms

    def refuses(*alarms):
        if len(alarms) > 1:
            raise ValueError("Only one alarm of this kind")
        sleep(*alarms)

    alarm.exit_and_deep_sleep_until_alarms = refuses
    assert len(slept(bench, ports, 600)) == 1


def test_a_board_that_cannot_even_sleep_is_reset(bench):
    ports = bench.ports()

    def refuses(*alarms):
        raise RuntimeError

    bench.load("alarm").exit_and_deep_sleep_until_alarms = refuses
    with pytest.raises(system.Reset):
        ports.power.deep_sleep(600)


def test_a_clock_chip_that_fails_at_sleep_leaves_it_to_the_timer():
    bench = Bench(('rtc = "ds3231"', 'rtc = "ds3231"\nrtc_alarm = "D7"'), ('button = "D0"', 'button = ""'))
    ports = bench.ports()
    ports.clock.set_rtc(1800000000)
    timer, pin = slept(bench, ports, 600)
    assert pin.pin.name == "D7"
    assert timer.monotonic_time - clocks.monotonic(bench.machine) > 600 + 60
    bench.machine.buses["i2c"].absent.add(0x68)
    (timer,) = slept(bench, ports, 600)
    assert timer.monotonic_time - clocks.monotonic(bench.machine) == pytest.approx(600, abs=1)


def test_facts_2_the_watchdog_bites_a_call_that_hangs_and_is_stopped_for_sleep(bench):
    ports = bench.ports()
    before_ms = bench.node.now_ms
    with pytest.raises(WatchdogReset):
        bench.machine.hang()
    assert bench.node.now_ms - before_ms <= 90_000
    bench.boot()
    ports = bench.ports()
    ports.power.feed_watchdog()
    slept(bench, ports, 600)
    assert bench.machine.bites_ms is None


def test_facts_2_a_chip_with_a_short_watchdog_gets_the_longest_it_takes_and_shorter_calls():
    bench = stored(Bench())
    bench.chip.watchdog_s_max = 8.388
    bench.boot()
    ports = bench.ports()
    assert bench.machine.bites_ms - bench.node.now_ms == 8000
    bench.world.air.networks[0].kind_at = lambda node, now_s: "dead-end"
    ports.radio.join(SETTINGS, None, 0, 60_000)
    for _ in range(3):
        # three calls of 7 s each, and the watchdog is fed before each
        with pytest.raises(bench.errors.LinkError):
            ports.network.open_stream("192.0.2.10", 8883, None, 60_000)
    # a look-up takes no time-out
    with pytest.raises(WatchdogReset):
        ports.network.resolve("broker.yard.example", 6_000)


def test_facts_2_retained_memory_is_the_sleep_memory(bench):
    ports = bench.ports()
    assert len(ports.power.retained) >= 136
    ports.power.retained[:3] = b"abc"
    assert bytes(bench.node.retained[:3]) == b"abc"


def test_facts_2_with_usb_connected_sleep_is_pretended_and_the_node_lives_on():
    bench = Bench()
    bench.chip.usb_connected = True
    bench.node.ports = (bench.chip,)
    asleep = list(bench.node.board.states).index("asleep")
    lasted = []
    ended = bench.judge.wake_ended

    def noted(t_ms, end, battery_mv):
        lasted.append(t_ms - bench.node.awake_from_ms)
        ended(t_ms, end, battery_mv)

    bench.judge.wake_ended = noted
    for _ in range(4):
        circuitpython.wake(bench.node, bench.world, bench.judge)
    # a person is waited for once
    assert lasted[0] > 60_000 > 10_000 > max(lasted[1:])
    assert bench.node.meter.ms[asleep] == 0, "everything stays on"
    assert bench.chip.reset_reason == "POWER_ON"
    assert bench.node.now_ms < 4 * 600_000 + 10_000
    assert not [entry for entry in bench.world.invariants.all.values() if entry.state == "broken"]


# --- memories -------------------------------------------------------------------------------------------------------


def test_two_slots_of_nvm_and_counters_that_they_never_reach(bench):
    ports = bench.ports()
    nvm = ports.nvm
    assert nvm.slots == 2
    size = len(nvm.read(0))
    assert size >= bench.node.board.nvm_slot_bytes
    memory = bench.load("torpor.boards.cp_memory")
    nvm.keep(bytearray((1, 2, 3, 1)))
    nvm.write(0, b"a" * size)
    nvm.write(1, b"b" * size)
    assert nvm.read(0) == b"a" * size
    assert nvm.read(1) == b"b" * size
    assert nvm.counters() == bytearray((1, 2, 3, 1))
    with pytest.raises(OSError):
        nvm.write(0, b"a" * (size + 1))
    assert memory.Memory(None).slots == 0
    assert memory.Memory(None).counters() == bytearray(4)


@pytest.mark.parametrize("at", range(1, 7))
def test_counters_that_were_cut_short_count_as_none(bench, at):
    nvm = bench.ports().nvm
    nvm.keep(bytearray((1, 2, 3, 1)))
    bench.chip.nvm[-at] ^= 0x40
    assert nvm.counters() == bytearray(4)


def test_a_usual_wake_writes_no_flash(bench):
    bench.node.ports = (bench.chip,)
    for _ in range(2):
        circuitpython.wake(bench.node, bench.world, bench.judge)
    before = bytes(bench.chip.nvm)
    writes = []
    put = system.Bytes.__setitem__

    def noted(self, index, value):
        if self._memory is bench.chip.nvm:
            writes.append(index)
        put(self, index, value)

    system.Bytes.__setitem__ = noted
    try:
        for _ in range(3):
            circuitpython.wake(bench.node, bench.world, bench.judge)
    finally:
        system.Bytes.__setitem__ = put
    assert writes == []
    assert bytes(bench.chip.nvm) == before


def test_facts_3_flash_is_read_only_to_code(bench):
    ports = bench.ports()
    assert ports.settings_file() == bench.node.settings_toml
    with pytest.raises(OSError):
        bench.importer._builtins["open"]("/torpor.new", "wb")
    del bench.chip.files["/settings.toml"]
    assert ports.settings_file() is None


def test_the_eui_is_the_chips_own_number(bench):
    eui = bench.load("torpor.boards.circuitpython").eui
    assert bench.ports().eui == bench.node.eui
    assert eui(b"\x02\x11\x22\x33\x44\x55") == b"\x02\x11\x22\xff\xfe\x33\x44\x55"
    assert eui(b"abc") == bytes(5) + b"abc"
    assert eui(bytes(range(16))) == bytes(range(8, 16))


def test_random_numbers_differ(bench):
    ports = bench.ports()
    drawn = {ports.random.u32() for _ in range(50)}
    assert len(drawn) == 50
    assert max(drawn) > 1 << 31


# --- the card -------------------------------------------------------------------------------------------------------


def mounted(bench):
    ports = bench.ports()
    ports.power.rail("card", True)
    ports.card.rings()
    return ports.card


def test_facts_3_a_ring_file_gets_its_name_last_and_survives_a_boot(bench):
    card = mounted(bench)
    file = card.create("torpor.ring", 2048)
    assert file.sector_count == 2048
    file.write(7, b"\x07" * 512)
    assert card.rings() == []
    card.keep("torpor.ring")
    file.write(8, b"\x08" * 512)
    assert card.rings() == ["torpor.ring"]
    bench.boot()
    again = mounted(bench).open("torpor.ring")
    assert again.sector_count == 2048
    buffer = bytearray(512)
    for sector in (7, 8):
        again.read(sector, buffer)
        assert buffer == bytes((sector,)) * 512


def test_a_file_that_a_power_cut_left_unnamed_is_made_anew(bench):
    mounted(bench).create("torpor.ring", 2048)
    bench.boot()
    card = mounted(bench)
    assert card.rings() == []
    assert card.create("torpor.ring", 4096).sector_count == 4096


def test_facts_3_one_write_is_one_sector_and_nothing_else(bench):
    card = mounted(bench)
    file = card.create("torpor.ring", 2048)
    before = bench.node.card.writes
    for sector in range(50):
        file.write(sector, bytes(512))
    assert bench.node.card.writes == before + 50


def test_facts_3_less_than_a_sector_stays_in_ram_until_flush(bench):
    card = mounted(bench)
    file = card.create("torpor.ring", 2048).file
    before = bench.node.card.writes
    file.seek(512)
    file.write(b"x" * 100)
    assert bench.node.card.writes == before
    file.flush()
    assert bench.node.card.writes == before + 1


def test_facts_3_a_card_without_room_says_nothing_and_is_a_card_error_all_the_same(bench):
    bench.chip.card_free_sectors = 4000
    with pytest.raises(bench.errors.CardError, match="full"):
        mounted(bench).create("torpor.ring", 4096)


def test_without_supply_or_card_every_call_is_a_card_error(bench):
    ports = bench.ports()
    with pytest.raises(bench.errors.CardError):
        ports.card.rings()
    ports.power.rail("card", True)
    file = ports.card.create("torpor.ring", 2048) if ports.card.rings() == [] else None
    ports.power.rail("card", False)
    for call in (file.read, file.write):
        with pytest.raises(bench.errors.CardError):
            call(0, bytearray(512))
    with pytest.raises(bench.errors.CardError):
        ports.card.open("torpor.ring")


def test_a_board_without_the_folder_sd_says_so(bench):
    bench.chip.folders.clear()
    with pytest.raises(bench.errors.CardError):
        mounted(bench)
    assert not {"SCK", "SD_CS"} & bench.machine.in_use


def test_a_card_that_the_platform_has_mounted_is_used_as_it_is(bench):
    ports = bench.ports()
    ports.power.rail("card", True)
    storage, sdcardio, board = bench.load("storage"), bench.load("sdcardio"), bench.load("board")
    storage.mount(storage.VfsFat(sdcardio.SDCard(None, board.SD_CS)), "/sd")
    assert ports.card.rings() == []


# --- the network ----------------------------------------------------------------------------------------------------


def joined(bench):
    ports = bench.ports()
    ports.radio.join(SETTINGS, None, 0, 20_000)
    return ports


def test_a_join_says_where_and_how_strong(bench):
    ports = stored(bench).ports()
    assert ports.radio.rssi_dbm() is None
    network = bench.world.air.networks[0]
    assert ports.radio.join(SETTINGS, None, 0, 20_000) == (network.bssid, network.channel)
    assert ports.radio.rssi_dbm() == network.rssi_dbm
    ports.radio.off()
    assert bench.node.radio_state is None
    assert ports.radio.rssi_dbm() is None


def test_a_hint_makes_the_join_shorter(bench):
    ports = stored(bench).ports()
    hint = ports.radio.join(SETTINGS, None, 0, 20_000)
    took = []
    for where in ((None, 0), hint):
        before_ms = bench.node.now_ms
        for _ in range(8):
            assert ports.radio.join(SETTINGS, *where, 20_000) == hint
        took.append(bench.node.now_ms - before_ms)
    # no scan, which takes at least 1.5 s
    assert took[1] < took[0] - 8 * 1000


def test_a_network_that_was_joined_and_is_gone_is_not_joined_again(bench):
    ports = stored(bench).ports()
    ports.radio.join(SETTINGS, None, 0, 20_000)
    bench.world.air.networks[0].kind_at = lambda node, now_s: "absent"
    with pytest.raises(bench.errors.LinkError):
        ports.radio.join(SETTINGS, None, 0, 20_000)


@pytest.mark.parametrize(
    "change",
    [{"ssid": "nobody"}, {"password": "wrong-password"}, {"password": "short"}, {"ssid": "x" * 33}, {"ssid": ""}],
)
def test_facts_1_every_way_to_fail_a_join_is_a_link_error(bench, change):
    ports = stored(bench).ports()
    with pytest.raises(bench.errors.LinkError) as caught:
        ports.radio.join(dict(SETTINGS, **change), None, 0, 20_000)
    assert caught.value.step == "join"
    assert "twelve" not in str(caught.value)
    assert "wrong-password" not in str(caught.value)
    # and the next one still works
    assert ports.radio.join(SETTINGS, None, 0, 20_000)


def test_facts_1_a_radio_that_does_not_say_where_it_joined(bench):
    ports = stored(bench).ports()

    class Mute(type(bench.load("wifi").radio)):
        @property
        def ap_info(self):
            raise NotImplementedError

    bench.load("wifi").radio.__class__ = Mute
    assert ports.radio.join(SETTINGS, None, 0, 20_000) == (None, 0)
    assert ports.radio.rssi_dbm() is None


def test_the_transmit_power_of_the_settings_is_set():
    bench = stored(Bench(("[status]", "[radio]\ntx_power_dbm = 8\n\n[status]")))
    joined(bench)
    assert bench.load("wifi").radio.tx_power == 8


def test_facts_4_a_time_out_is_a_link_error_after_that_time(bench):
    ports = joined(stored(bench))
    stream = ports.network.open_stream("192.0.2.10", 1883, None, 5_000)
    before_ms = bench.node.now_ms
    with pytest.raises(bench.errors.LinkError) as caught:
        stream.recv_into(bytearray(16), 3_000)
    assert caught.value.args == ("broker", "timeout")
    assert bench.node.now_ms - before_ms == 3_000
    with pytest.raises(bench.errors.LinkError):
        stream.send(b"x", 0)


def test_facts_4_sockets_have_no_recv_and_time_out_with_a_number(bench):
    joined(stored(bench))
    pool = bench.load("socketpool").SocketPool(bench.load("wifi").radio)
    socket = pool.socket()
    assert not hasattr(socket, "recv")
    socket.settimeout(1)
    socket.connect(("192.0.2.10", 1883))
    with pytest.raises(OSError) as caught:
        socket.recv_into(bytearray(4))
    assert caught.value.args[0] == errno.ETIMEDOUT
    assert not isinstance(caught.value, TimeoutError)


def test_facts_1_sockets_die_with_the_association(bench):
    ports = joined(stored(bench))
    stream = ports.network.open_stream("192.0.2.10", 1883, None, 5_000)
    ports.radio.off()
    for call in (lambda: stream.send(b"x", 100), lambda: stream.recv_into(bytearray(4), 100)):
        with pytest.raises(bench.errors.LinkError):
            call()


def test_sockets_are_closed_or_there_would_soon_be_none(bench):
    ports = joined(stored(bench))
    for _ in range(10):
        ports.network.open_stream("192.0.2.10", 1883, None, 5_000).close()
        ports.network.open_datagram("192.0.2.20", 123, 5_000).close()
        with pytest.raises(bench.errors.LinkError):
            ports.network.open_stream("192.0.2.99", 1883, None, 5_000)


def test_names_resolve_or_are_a_link_error(bench):
    ports = joined(stored(bench))
    assert ports.network.resolve("broker.yard.example", 5_000) == "192.0.2.10"
    with pytest.raises(bench.errors.LinkError) as caught:
        ports.network.resolve("nobody.example", 5_000)
    assert caught.value.step == "resolve"


def secured(bench, ports, ca="/ca.pem"):
    return ports.network.open_stream("192.0.2.10", 8883, {"host": "broker.yard.example", "ca": ca}, 20_000)


def test_facts_4_time_before_tls_and_a_certificate_from_the_board(bench):
    ports = joined(stored(bench))
    with pytest.raises(bench.errors.LinkError) as caught:
        secured(bench, ports)
    assert caught.value.step == "tls", "the clock is at 2000"
    ports.clock.set_rtc(bench.world.start_epoch_s + bench.node.now_ms // 1000)
    assert secured(bench, ports)


@pytest.mark.parametrize("content", [None, b"", b"rubbish"])
def test_without_a_certificate_to_trust_there_is_no_stream(bench, content):
    ports = joined(stored(bench))
    ports.clock.set_rtc(bench.world.start_epoch_s + bench.node.now_ms // 1000)
    if content is None:
        del bench.chip.files["/ca.pem"]
    else:
        bench.chip.files["/ca.pem"] = content
    with pytest.raises(bench.errors.LinkError) as caught:
        secured(bench, ports)
    assert caught.value.step == "tls"


# --- the platform, and main.py --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name", ["typing", "datetime", "functools", "socket", "threading", "pathlib", "adafruit_blinka"]
)
def test_facts_6_what_the_board_does_not_have_cannot_be_imported(bench, name):
    with pytest.raises(ImportError):
        bench.load(name)


def test_facts_6_names_and_numbers_that_the_board_does_not_have(bench):
    assert not {"FileNotFoundError", "TimeoutError"} & bench.importer._builtins.keys()
    assert not hasattr(bench.load("errno"), "ENOSPC")


def test_a_pin_has_one_user_at_a_time(bench):
    board, digitalio = bench.load("board"), bench.load("digitalio")
    first = digitalio.DigitalInOut(board.D5)
    with pytest.raises(ValueError, match="in use"):
        digitalio.DigitalInOut(board.D5)
    first.deinit()
    digitalio.DigitalInOut(board.D5)


def test_a_wake_that_only_samples_imports_nothing_of_the_network(bench, monkeypatch):
    bench.node.ports = (bench.chip,)
    made = []
    make = circuitpython.importer
    monkeypatch.setattr(circuitpython, "importer", lambda *words: made.append(make(*words)) or made[-1])
    for _ in range(2):
        circuitpython.wake(bench.node, bench.world, bench.judge)
    first, second = ({name.rpartition(".")[2] for name in importer._modules} for importer in made)
    rare = {"cp_radio", "cp_network", "cp_sound", "toml", "mqtt"}
    assert {"cp_radio", "cp_network", "toml", "mqtt"} <= first
    assert not rare & second
    assert {"cp_card", "cp_clock", "cp_power", "adafruit_sht4x"} <= second


def live(monkeypatch, tmp_path, broken_file, text):
    """A wake of a board with one broken file; the seconds that it sleeps then."""
    root = tmp_path / "firmware"
    shutil.copytree(FIRMWARE, root, ignore=shutil.ignore_patterns("__pycache__"))
    (root / broken_file).write_text(text)
    monkeypatch.setattr(chips, "firmware", lambda: root)
    bench = Bench()
    ends = []
    bench.judge.wake_ended = lambda t_ms, end, battery_mv: ends.append((t_ms, end))
    circuitpython.wake(bench.node, bench.world, bench.judge)
    assert ends[0][1] == "sleep"
    return bench, (bench.node.now_ms - ends[0][0]) / 1000


@pytest.mark.parametrize(
    ("file", "text"),
    [
        ("torpor/boards/cp_pins.py", "raise MemoryError"),
        ("torpor/boards/circuitpython.py", "this is no Python"),
        ("torpor/boards/circuitpython.py", "class Ports:\n    pass\n"),
        ("torpor/cycle.py", "def wake(ports):\n    return\n"),
        ("torpor/cycle.py", "def wake(ports):\n    raise KeyError(1)\n"),
        ("torpor/cycle.py", "import nothing_of_this_name\n"),
    ],
)
def test_main_ends_in_deep_sleep_whatever_is_broken(monkeypatch, tmp_path, file, text):
    _, slept_s = live(monkeypatch, tmp_path, file, text)
    assert slept_s == pytest.approx(600, rel=0.02)


def test_a_port_that_cannot_be_built_is_counted(monkeypatch, tmp_path):
    from hostsim import diary_format

    text = "from .cp_memory import Memory\nraise ValueError('no such pin')\n"
    bench, _ = live(monkeypatch, tmp_path, "torpor/boards/cp_signal.py", text)
    # the module that would count is not there, so main.py only sleeps
    assert not diary_format.whole(bench.node.retained)
    text = "class Clock:\n    def __init__(self, *words):\n        raise ValueError('no such pin')\n"
    bench, _ = live(monkeypatch, tmp_path / "again", "torpor/boards/cp_clock.py", text)
    assert diary_format.faults(bench.node.retained)["settings"] == 1
