"""The MicroPython port in the real VM, against docs/porting.md and what the platform is known to do."""

import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from mp_bench import Bench

from hostsim import diary_format, rehearse
from hostsim.runtimes import RuntimeAbsent, micropython
from hostsim.runtimes.micropython import parts, vm

CONTRACT = Path(__file__).parents[1] / "contract" / "contract.py"
sys.path.insert(0, str(CONTRACT.parent))
import contract  # noqa: E402 - lies in a folder of its own, and goes onto the boards as it is

FSCK = shutil.which("fsck.fat", path="/usr/sbin:/sbin:/usr/bin:/usr/local/sbin:/opt/homebrew/sbin")


@pytest.fixture
def bench():
    return Bench()


def fsck(card):
    """Nothing is wrong with the file system on a card's image."""
    if FSCK is None:
        pytest.skip("fsck.fat is not installed")
    done = subprocess.run([FSCK, "-n", card.path], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout
    assert len(done.stdout.splitlines()) == 2, done.stdout


# --- sleep and reset ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("asked_s", "ms"), [(0, 1000), (-5, 1000), (1, 1000), (86400, 86400000), (10**9, 86400000)])
def test_facts_2_sleep_is_at_least_a_second_and_at_most_a_day(bench, asked_s, ms):
    end, _ = bench.run(f"ports.power.deep_sleep({asked_s})")
    assert end == "sleep"
    assert bench.after.args == (ms,)


def test_facts_2_the_platform_would_sleep_for_ever(bench):
    end, _ = bench.run("import machine\nmachine.deepsleep(1 << 31)", ports=False)
    bench.after()
    assert end == "sleep"
    assert bench.node.dead_since_ms is not None


def test_everything_is_off_in_sleep(bench):
    bench.run(
        "ports.power.rail('sensors', True)\nports.power.rail('card', True)\nports.card.rings()\n"
        "ports.power.deep_sleep(60)"
    )
    assert bench.machine.rails.since_ms("sensors") is None
    assert bench.machine.rails.since_ms("card") is None


def test_facts_2_retained_memory_outlasts_sleep_and_no_more(bench):
    first = bench.said("m = ports.power.retained\nports.log.event('size', n=len(m), seven=m[7])\nm[5:9] = b'abcd'")
    assert (first["size"]["n"], first["size"]["seven"]) == (2048, 0)
    assert bytes(bench.node.retained[5:9]) == b"abcd"
    again = "ports.log.event('kept', n=len(ports.power.retained), seven=ports.power.retained[7])"
    assert bench.said(again)["kept"]["seven"] == ord("c")
    bench.node.retained[:] = bytes(2048)
    assert bench.said(again)["kept"]["seven"] == 0


def test_facts_2_the_watchdog_bites_what_hangs_and_nothing_else(bench):
    end, _ = bench.run("import time\ntime.sleep_ms(89000)\nports.power.feed_watchdog()\ntime.sleep_ms(91000)")
    assert end == "reset"
    bench.after()
    causes = bench.said("ports.log.event('cause', watchdog=int(ports.power.reset_cause == 'watchdog'))")
    assert causes["cause"]["watchdog"] == 1
    assert "to-the-end" in bench.said("ports.clock.wait_ms(200000)")


def test_a_sleep_and_its_end_are_told_apart_from_power_on(bench):
    said = (
        "p = ports.power\nports.log.event('why', power=int(p.reset_cause == 'power-on'),"
        " sleep=int(p.reset_cause == 'deep-sleep'), timer=int(p.wake_reason == 'timer'),"
        " none=int(p.wake_reason is None))"
        "\np.deep_sleep(60)"
    )
    why = bench.run(said)[1]["why"]
    assert (why["power"], why["none"]) == (1, 1)
    bench.after()
    why = bench.run(said)[1]["why"]
    assert (why["sleep"], why["timer"]) == (1, 1)


def test_slots_outlast_power_and_a_chip_without_them_has_none(bench):
    bench.said("ports.nvm.write(1, b'settings')")
    bench.node.retained[:] = bytes(2048)
    said = bench.said("ports.log.event('kept', same=int(bytes(ports.nvm.read(1)) == b'settings'), n=ports.nvm.slots)")
    assert (said["kept"]["same"], said["kept"]["n"]) == (1, 2)
    bench.put("esp32.py", "raise ImportError")
    assert bench.said("ports.log.event('none', n=ports.nvm.slots)")["none"]["n"] == 0


def test_a_clock_chip_wakes_the_board_before_its_own_timer():
    bench = Bench(('rtc = "ds3231"', 'rtc = "ds3231"\nrtc_alarm = "D7"'))
    end, _ = bench.run("ports.clock.set_rtc(1798761600)\nports.power.deep_sleep(600)")
    assert end == "sleep"
    asleep_ms = bench.node.now_ms
    bench.after()
    assert 599_000 <= bench.node.now_ms - asleep_ms <= 601_000
    assert bench.after.args[0] > 600_000, "its own timer comes later"
    why = bench.said("ports.log.event('why', timer=int(ports.power.wake_reason == 'timer'))")
    assert why["why"]["timer"] == 1


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('led = "D13"', 'led = ""\nwatchdog_s = 0'),
        ('rtc = "ds3231"', 'rtc = "internal"'),
        ('[battery]\npin = "A0"', '[battery]\npin = "X9"'),
        ('sensors = "D5"', 'sensors = ""'),
    ],
)
def test_a_wake_with_unusual_settings_ends_in_sleep(old, new):
    bench = Bench((old, new))
    assert bench.wake()[0] == "sleep"


@pytest.mark.parametrize("text", ["", "node = ", "\xff\xfe", "node = 'x'\n[broker\n"])
def test_broken_settings_never_keep_the_board_awake(bench, text):
    bench.put("settings.toml", text)
    assert bench.wake()[0] == "sleep"
    assert bench.world.events.traces == []
    assert diary_format.faults(bench.node.retained)["settings"] > 0


def test_a_port_that_cannot_be_built_ends_in_sleep(bench):
    (bench.chip.flash / "torpor" / "boards" / "mp_clock.mpy").unlink()
    assert bench.wake()[0] == "sleep"
    assert "mp_clock" in bench.world.events.traces[0]


def test_too_small_a_heap_ends_in_sleep(bench, monkeypatch):
    monkeypatch.setattr(micropython.OPTIONS, "heap", "56k")
    assert bench.wake()[0] == "sleep"
    assert "MemoryError" in "".join(bench.world.events.traces)


# --- time -----------------------------------------------------------------------------------------------------------


def test_ticks_are_right_across_their_overflow(bench):
    # the modules' ticks wrap 3 s after each boot
    said = bench.said(
        "t = ports.clock.ticks_ms()\nports.clock.wait_ms(9000)\n"
        "ports.log.event('waited', ms=ports.clock.elapsed_ms(t), wrapped=int(ports.clock.ticks_ms() < t))"
    )
    assert (said["waited"]["ms"], said["waited"]["wrapped"]) == (9000, 1)


@pytest.mark.parametrize("rtc", ["internal", "ds3231", "pcf8523"])
def test_facts_4_an_epoch_of_2000_does_not_show(rtc):
    bench = Bench(('rtc = "ds3231"', f'rtc = "{rtc}"'))
    shows = "shown = ports.clock.rtc_epoch_s()\nports.log.event('clock', none=int(shown is None), s=shown or 0)"
    assert bench.said(shows)["clock"]["none"] == 1
    _, said = bench.run(
        "import time\nports.clock.set_rtc(1798761600)\n"
        f"ports.log.event('system', s=time.time(), year=time.gmtime(0)[0])\n{shows}\nports.power.deep_sleep(60)"
    )
    assert said["system"]["year"] == 2000
    assert 0 <= said["system"]["s"] + 946684800 - 1798761600 <= 1
    assert 0 <= said["clock"]["s"] - 1798761600 <= 1
    bench.after()
    assert 50 <= bench.said(shows)["clock"]["s"] - 1798761600 <= 70


# --- card -----------------------------------------------------------------------------------------------------------

RING = "ports.power.rail('card', True)\nports.card.rings()\n"


def test_facts_3_a_sector_written_is_on_the_card_at_once_and_alone(bench):
    bench.said(RING + "f = ports.card.create('a.ring', 64)\nports.card.keep('a.ring')")
    before = bench.chip.card.writes
    # the VM ends without closing anything
    bench.run(RING + "f = ports.card.open('a.ring')\nfor n in range(64):\n    f.write(n, bytes([n]) * 512)\n")
    assert bench.chip.card.writes - before == 64
    assert bench.chip.card.sectors == 64
    assert all(bench.chip.card.peek(number) == bytes([number]) * 512 for number in range(64))
    fsck(bench.chip.card)


def test_a_file_left_over_is_replaced_and_an_unnamed_one_is_not_listed(bench):
    said = bench.said(RING + "ports.card.create('a.ring', 640)\nports.log.event('named', n=len(ports.card.rings()))")
    assert said["named"]["n"] == 0
    bench.said(RING + "f = ports.card.create('a.ring', 64)\nf.write(63, b'z' * 512)\nports.card.keep('a.ring')")
    said = bench.said(RING + "ports.log.event('named', n=len(ports.card.rings()))")
    assert said["named"]["n"] == 1
    assert bench.chip.card.sectors == 64
    assert bench.chip.card.peek(63) == b"z" * 512
    assert bench.chip.card.peek(62) is None
    fsck(bench.chip.card)


def test_a_card_that_is_too_small_is_full(bench):
    full = "try:\n    ports.card.create('a.ring', 2048 * 2048)\nexcept CardError:\n    ports.log.event('full')"
    assert "full" in bench.said(RING + full)


def test_facts_3_what_was_never_written_is_rubbish(bench):
    said = bench.said(
        RING + "f = ports.card.create('a.ring', 64)\nb = bytearray(512)\nf.read(9, b)\n"
        "ports.log.event('undefined', zeros=int(b == bytearray(512)))"
    )
    assert said["undefined"]["zeros"] == 0


def test_a_card_that_is_pulled_fails_until_it_is_mounted_again(bench):
    bench.said(RING + "ports.card.create('a.ring', 64)\nports.card.keep('a.ring')")
    gone_s = bench.node.now_ms / 1000 + 5
    card = bench.chip.card
    card.seating = lambda now_s: int(now_s > gone_s)
    said = bench.said(
        RING + "f = ports.card.open('a.ring')\nb = bytearray(512)\nf.read(1, b)\nports.clock.wait_ms(9000)\n"
        "try:\n    f.read(1, b)\nexcept CardError:\n    ports.log.event('gone')\n"
        "ports.power.rail('card', False)\n" + RING + "ports.card.open('a.ring').read(1, b)"
    )
    assert "gone" in said


def test_a_card_that_did_not_answer_is_asked_anew(bench):
    bench.said("try:\n    ports.card.rings()\nexcept CardError:\n    ports.log.event('absent')\n" + RING)


def test_facts_3_a_file_left_to_the_garbage_collector_does_no_harm(bench):
    bench.said(
        RING + "import gc\ndef leave():\n    f = open('/sd/x', 'wb')\n    f.write(bytes(700))\n"
        "for _ in range(3):\n    leave()\n    gc.collect()\n"
    )
    fsck(bench.chip.card)


# --- pins and buses -------------------------------------------------------------------------------------------------

BUS = '[[bus]]\nname = "i2c"\nscl = "D2"\nsda = "D3"\nrail = "sensors"\n\n[rails]'
MODE_IN, MODE_UNCHANGED = 1, 0xFFFFFFFF
LOAD = "ports.drivers.load('adafruit_sht4x.SHT4x', 'i2c', 0)"


def test_a_bus_without_its_supply_is_refused_and_held_low_is_clocked_free():
    bench = Bench(("[rails]", BUS), ('rtc = "ds3231"', 'rtc = "internal"'))
    said = bench.said(f"try:\n    {LOAD}\nexcept RuntimeError:\n    ports.log.event('low')")
    assert "low" in said
    reading = (
        "import sys\nports.power.rail('sensors', True)\nports.clock.wait_ms(20)\n"
        f"s = {LOAD}\nports.log.event('read', centi=int(s.temperature * 100))"
    )
    assert -4000 < bench.said(reading)["read"]["centi"] < 6000
    hold = micropython.Machine.__init__

    def held(self, *arguments):
        hold(self, *arguments)
        self.buses["i2c"].held_low = 5

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("mp_bench.Machine.__init__", held)
        assert -4000 < bench.said(reading)["read"]["centi"] < 6000
    # let go of before its pull-ups lose their supply, and opened again with it
    off = "\nports.power.rail('sensors', False)\n"
    assert "read" in bench.said(reading + off + reading)


def test_a_bus_is_let_go_of_with_its_supply():
    bench = Bench(("[rails]", BUS), ('rtc = "ds3231"', 'rtc = "internal"'))
    bench.said(f"ports.power.rail('sensors', True)\nports.clock.wait_ms(20)\n{LOAD}")
    assert bench.board.parts["pin"].modes["D2"] == MODE_UNCHANGED
    bench.said(
        f"ports.power.rail('sensors', True)\nports.clock.wait_ms(20)\n{LOAD}\nports.power.rail('sensors', False)"
    )
    modes = bench.board.parts["pin"].modes
    assert (modes["D2"], modes["D3"]) == (MODE_IN, MODE_IN)


def test_a_driver_finds_the_names_that_the_interpreter_lacks(bench):
    bench.put(
        "lib/probe.py",
        "import busio, digitalio, time\nfrom time import struct_time\nclass Part:\n    def __init__(self, bus):\n"
        "        t = time.monotonic()\n        time.sleep(0.25)\n"
        "        self.ms = int((time.monotonic() - t) * 1000 + 0.5)\n",
    )
    said = bench.said("ports.log.event('waited', ms=ports.drivers.load('probe.Part', 'i2c', 0).ms)")
    assert said["waited"]["ms"] == 250


@pytest.mark.parametrize(
    ("noisy_mv", "shown_mv"),
    [((1500, 900, 1502, 2400, 1501), 1501), ((80, 99, 20, 0, 60), 0), ((2900,) * 5, 2450), ((100,) * 5, 100)],
)
def test_facts_5_the_middle_of_what_the_converter_shows_in_its_range(bench, monkeypatch, noisy_mv, shown_mv):
    asked = []

    def at_pin(node, rails, pin):
        asked.append(pin)
        return noisy_mv[len(asked) - 1], 0.0

    monkeypatch.setattr(parts, "at_pin", at_pin)
    assert bench.said("ports.log.event('pin', mv=ports.analog.read_mv('battery'))")["pin"]["mv"] == shown_mv
    assert asked == ["A0"] * 5


def test_the_battery_is_what_stands_before_its_divider(bench):
    said = bench.said("ports.log.event('mv', pin=ports.analog.read_mv('battery'), all=ports.power.battery_mv())")
    assert 1900 < said["mv"]["pin"] < 2150
    assert abs(2 * said["mv"]["pin"] - said["mv"]["all"]) < 20


def test_a_pin_that_the_board_does_not_have_costs_what_hangs_on_it(bench):
    said = bench.said(
        "try:\n    ports.analog.read_mv('nowhere')\nexcept OSError:\n    ports.log.event('absent')\n"
        "try:\n    ports.power.rail('nowhere', True)\nexcept KeyError:\n    ports.log.event('no-rail')"
    )
    assert {"absent", "no-rail"} <= set(said)


# --- radio ----------------------------------------------------------------------------------------------------------

JOIN = (
    "t = ports.clock.ticks_ms()\ntry:\n    b, c = ports.radio.join({net}, {bssid}, 0, {ms})\n"
    "    ports.log.event('joined', last=b[5], channel=c, ms=ports.clock.elapsed_ms(t), rssi=ports.radio.rssi_dbm())\n"
    "except LinkError as e:\n    ms = ports.clock.elapsed_ms(t)\n"
    "    ports.log.event('failed', join=int(e.step == 'join'), ms=ms)\n"
)


def join(bench, net="NET", bssid="None", ms=20000):
    return bench.said(JOIN.format(net=net, bssid=bssid, ms=ms))


def windows(bench, kind):
    """Both networks of the bundled yard in one kind of trouble, for ever."""
    for network in bench.world.air.networks:
        network.kind_at = lambda node, now_s: kind


def test_facts_1_the_strongest_access_point_is_joined_not_the_first(bench):
    office = bench.world.air.networks[0]
    far = replace(office, rssi_dbm=-90, bssid=b"\x02\x00\x00\x00\x00\x63")
    near = replace(office, rssi_dbm=-40, bssid=b"\x02\x00\x00\x00\x00\x64", channel=11)
    bench.world.air.networks[:0] = [far, near]
    said = join(bench)["joined"]
    assert (said["last"], said["channel"], said["rssi"]) == (0x64, 11, -40)


def test_facts_1_a_known_access_point_is_joined_faster(bench):
    slow = join(bench)["joined"]
    bssid = bench.world.air.networks[0].bssid
    fast = join(bench, bssid=repr(bssid))["joined"]
    assert fast["last"] == bssid[5]
    assert slow["ms"] - fast["ms"] > 500


def test_facts_1_a_refused_password_is_not_tried_for_ever(bench):
    windows(bench, "locked")
    assert join(bench)["failed"]["ms"] < 12000
    # the platform itself would go on: nothing here is kinder than it
    forever = (
        "import network, time\nw = network.WLAN()\nw.active(True)\nw.connect('yard-office', 'not the password')\n"
        "time.sleep_ms(60000)\nports.log.event('still', status=w.status())\n"
        "try:\n    w.connect('yard-office', 'x' * 8)\nexcept OSError:\n    ports.log.event('internal-error')"
    )
    said = bench.said(forever)
    assert said["still"]["status"] == 1001
    assert "internal-error" in said


@pytest.mark.parametrize("kind", ["no-address", "hangs"])
@pytest.mark.parametrize("ms", [3000, 9000])
def test_facts_1_a_join_ends_at_its_own_deadline(bench, kind, ms):
    windows(bench, kind)
    said = join(bench, ms=ms)["failed"]
    assert said["join"] == 1
    assert ms <= said["ms"] <= ms + 3000


def test_a_network_that_is_not_heard_costs_a_scan(bench):
    windows(bench, "absent")
    assert join(bench)["failed"]["ms"] < 4000


def test_a_fixed_address_needs_no_dhcp(bench):
    windows(bench, "no-address")
    fixed = (
        "dict(list(NET.items()) + [('address', '192.0.2.9'), ('netmask', '255.255.255.0'), ('gateway', '192.0.2.1')])"
    )
    assert "joined" in join(bench, net=fixed)


# --- TLS ------------------------------------------------------------------------------------------------------------

TLS = (
    "ports.radio.join(NET, None, 0, 20000)\ntry:\n"
    "    ports.network.open_stream('192.0.2.10', 8883, {{'host': '{host}', 'ca': '/ca.pem'}}, 10000)\n"
    "    ports.log.event('open')\nexcept LinkError as e:\n    ports.log.event('refused', tls=int(e.step == 'tls'))"
)
HOST = "broker.yard.example"
NOW = "ports.clock.set_rtc(1798761600)\n"


def test_a_wake_that_never_ends_is_ended(bench):
    assert bench.run("while True:\n    ports.clock.wait_ms(900000)")[0] == "a wake that does not end"


def test_facts_4_a_certificate_is_verified(bench):
    assert "open" in bench.said(NOW + TLS.format(host=HOST))
    assert bench.said(NOW + TLS.format(host="other.yard.example"))["refused"]["tls"] == 1


def test_facts_4_before_the_time_is_known_every_certificate_starts_in_the_future(bench):
    assert bench.said(TLS.format(host=HOST))["refused"]["tls"] == 1


@pytest.mark.parametrize(
    "text", ["", "no certificate", "-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n"]
)
def test_a_ca_file_that_is_none_is_a_refusal(bench, text):
    bench.put("ca.pem", text)
    assert bench.said(NOW + TLS.format(host=HOST))["refused"]["tls"] == 1


def test_facts_4_nothing_is_verified_unless_it_is_asked_for(bench):
    """The fake is no kinder than the platform: by default any certificate will do."""
    said = bench.said(
        "import socket, ssl\nports.radio.join(NET, None, 0, 20000)\ns = socket.socket()\ns.settimeout(9)\n"
        "s.connect(('192.0.2.10', 8883))\nc = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)\n"
        "ports.log.event('mode', none=int(c.verify_mode == ssl.CERT_NONE))\n"
        "c.verify_mode = ssl.CERT_NONE\nc.wrap_socket(s)\nports.log.event('open')"
    )
    assert "open" in said


# --- the machine that it runs on ------------------------------------------------------------------------------------


def test_without_the_vm_one_line_says_what_is_missing(monkeypatch):
    monkeypatch.setattr(vm.importlib.util, "find_spec", lambda name: None)
    vm.folder.cache_clear()
    try:
        with pytest.raises(RuntimeAbsent, match="pip install") as caught:
            rehearse.Rehearsal(rehearse.load(None, days=0.1), None, runtime="micropython").run(None)
    finally:
        vm.folder.cache_clear()
    assert "\n" not in str(caught.value)


# --- the contract and a whole day -----------------------------------------------------------------------------------


@pytest.mark.parametrize("name", contract.CHECKS)
def test_the_contract(name):
    bench = Bench(index=0)
    bench.put("contract.py", CONTRACT.read_text())
    bench.said(f"import contract\ncontract.CHECKS['{name}'](ports)")


def test_a_day_on_a_real_file_system():
    scenario = rehearse.load(None, days=0.25)
    run = rehearse.Rehearsal(scenario, None, runtime="micropython")
    results = run.run(None)
    assert run.traces == []
    for node, entry in zip(run.world.nodes, results["nodes"], strict=True):
        assert entry["readings"]["stored"] == entry["due"] == 37
        made = entry["card"]["sector_writes"] - entry["readings"]["stored"]
        assert made < 40, "besides making the file, one sector a reading"
        fsck(node.card)
