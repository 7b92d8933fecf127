"""The ports of the fast runtime. Law: a port is never kinder than a board; every wait costs time and charge."""

from dataclasses import replace
from types import SimpleNamespace

import pytest
from torpor.errors import CardError, LinkError

from hostsim.broker import Broker
from hostsim.card import Card
from hostsim.cell import Cell
from hostsim.enclosure import Enclosure
from hostsim.events import Events
from hostsim.faults import Fault, Faults
from hostsim.node import NO_FAULTS, Climate, Node
from hostsim.radio import Air, Network
from hostsim.runtimes import fast
from hostsim.runtimes.endings import DeepSleep, WatchdogReset
from hostsim.runtimes.fast import Ports
from hostsim.runtimes.links import BROKER_ADDRESS, NAMELESS_MS, TIME_ADDRESS
from hostsim.scenario import load
from hostsim.weather import bundled

PLAN = load(None).nodes[0]
START_S = 1_800_000_000
SETTINGS = {
    "rails": {"sensors": "D5", "card": "D6"},
    "sensor": [
        {"driver": "a.Warm", "rail": "sensors", "warm_up_ms": 100},
        {"driver": "a.Plain"},
        {"driver": "a.Plain", "address": 0x45},
    ],
    "analog": [
        {"name": "battery", "pin": "A0", "divider_upper_ohm": 100000, "divider_lower_ohm": 100000},
        {"name": "supply", "pin": "A1", "rail": "sensors"},
    ],
    "card": {"rail": "card"},
}
CONNECT = bytes.fromhex("100d00044d515454040000000001") + b"n"
TLS = {"host": "b.example", "ca": "/ca.pem"}


class Witness:
    """Notes what the judge would be told."""

    def __init__(self):
        self.told = []

    def __getattr__(self, name):
        return lambda *facts, **more: self.told.append((name, *facts))

    def values(self):
        return [facts[2] for facts in self.told if facts[0] == "sensed"]

    def of(self, name):
        return [facts[1:] for facts in self.told if facts[0] == name]


class World:
    def __init__(self, networks=None, broker=(), time=lambda now_s: "good"):
        self.start_epoch_s = START_S
        self.air = Air(networks if networks is not None else [network()])
        self.broker_host = "b.example"
        self.time_hosts = frozenset({"t.example"})
        self.time_behaviour = time
        self.events = Events(None)
        self.broker = Broker(broker, lambda *packet: None)

    def open_broker(self, node, rtt_ms):
        return self.broker.connect(node.now_ms / 1000.0)


def network(**more):
    return Network("shed", "pass-word", -60, frozenset({"bench"}), **more)


class Bench:
    def __init__(self, world=None, settings=SETTINGS, card=(), board=PLAN.board, faults=NO_FAULTS):
        self.witness = Witness()
        climate = Climate(bundled(), 0.0, Enclosure({}), 1.0)
        self.node = Node("bench", b"", settings, board, Cell(), Card(card), climate, 1, faults)
        self.node.begin_wake()
        self.world = world or World()
        self.ports = Ports(self.node, self.world, self.witness)
        self.used_ms(None)

    def used_ms(self, state):
        """Milliseconds spent in a state since the last call of this; None: in any."""
        names, now = self.node.meter.names, list(self.node.meter.ms)
        before = getattr(self, "_before", [0] * len(now))
        self._before = now
        spent = dict(zip(names, (n - b for n, b in zip(now, before, strict=True)), strict=True))
        assert sum(now) == self.node.now_ms
        return sum(spent.values()) if state is None else spent[state]

    def join(self, limit_ms=15000):
        self.ports.radio.join({"ssid": "shed", "password": "pass-word"}, None, 0, limit_ms)
        self.used_ms(None)
        return self.ports.network

    def connected(self, **more):
        net = self.join()
        return net.open_stream(BROKER_ADDRESS, 1883, more.get("tls"), 10000)

    def card(self):
        self.ports.power.rail("card", True)
        self.ports.card.rings()
        file = self.ports.card.create("a.ring", 320)
        self.ports.card.keep("a.ring")
        return file


@pytest.fixture
def bench():
    return Bench()


# --- waiting, sleeping, the clock -----------------------------------------------------------------------------------


def test_a_wait_costs_its_time_in_the_state_of_the_board(bench):
    bench.ports.clock.wait_ms(100)
    assert bench.used_ms("awake") == 100
    bench.join()
    bench.ports.clock.wait_ms(70)
    assert bench.used_ms("online") == 70
    bench.ports.radio.off()
    bench.ports.clock.wait_ms(30)
    assert bench.used_ms("awake") == 30
    with pytest.raises(ValueError, match="cannot pass"):
        bench.ports.clock.wait_ms(-1)


def test_a_radio_that_found_nothing_listens_until_it_is_off(bench):
    with pytest.raises(LinkError):
        bench.ports.radio.join({"ssid": "other", "password": "pass-word"}, None, 0, 9000)
    bench.used_ms(None)
    bench.ports.clock.wait_ms(50)
    assert bench.used_ms("joining") == 50
    bench.ports.radio.scan()
    assert bench.used_ms("joining") >= 1000


@pytest.mark.parametrize("asked_s", [0, -1, 86401, 2**31, 1.5])
def test_a_sleep_that_no_board_can_sleep_is_refused(bench, asked_s):
    with pytest.raises(ValueError, match="cannot sleep"):
        bench.ports.power.deep_sleep(asked_s)


@pytest.mark.parametrize("asked_s", [1, 86400])
def test_deep_sleep_is_no_exception_that_a_handler_could_catch(bench, asked_s):
    with pytest.raises(DeepSleep) as caught:
        bench.ports.power.deep_sleep(asked_s)
    assert not isinstance(caught.value, Exception)


def test_the_clock_shows_nothing_until_it_is_set(bench):
    assert bench.ports.clock.rtc_epoch_s() is None
    bench.ports.clock.set_rtc(START_S)
    assert bench.ports.clock.rtc_epoch_s() == START_S
    assert bench.witness.of("clock_set") == [(bench.node.now_ms, START_S)]


@pytest.mark.parametrize("epoch_s", [0, 946684799, 4102444800, -5])
def test_a_time_that_no_clock_chip_holds_is_refused(bench, epoch_s):
    with pytest.raises(ValueError, match="clock chip"):
        bench.ports.clock.set_rtc(epoch_s)
    assert bench.ports.clock.rtc_epoch_s() is None


# --- memory ---------------------------------------------------------------------------------------------------------


def test_retained_memory_has_its_size_and_keeps_it(bench):
    memory = bench.ports.power.retained
    assert len(memory) == PLAN.board.retained_bytes
    memory[0:3] = b"abc"
    assert bytes(bench.node.retained[:3]) == b"abc"
    for place, data in ((slice(0, 3), b"abcd"), (slice(len(memory) - 2, None), b"abc"), (slice(0, 5), b"")):
        with pytest.raises(ValueError, match="size|structure"):
            memory[place] = data
    assert len(bench.node.retained) == PLAN.board.retained_bytes


def test_a_slot_of_nvm_has_its_size_and_what_was_there_stays_behind(bench):
    nvm = bench.ports.nvm
    size = PLAN.board.nvm_slot_bytes
    assert nvm.read(0) == nvm.read(1) == b"\xff" * size
    nvm.write(0, b"a" * 10)
    nvm.write(0, b"b" * 4)
    assert nvm.read(0) == b"b" * 4 + b"a" * 6 + b"\xff" * (size - 10)
    with pytest.raises(OSError, match="larger"):
        nvm.write(1, bytes(size + 1))
    assert nvm.read(1) == b"\xff" * size
    with pytest.raises(IndexError):
        nvm.read(2)


# --- sensors --------------------------------------------------------------------------------------------------------


def test_a_sensor_without_its_rail_is_not_there(bench):
    with pytest.raises(RuntimeError, match="No pull up found"):
        bench.ports.drivers.load("a.Warm", "i2c", 0)


def test_a_sensor_answers_when_it_has_warmed_up_and_not_before(bench):
    ports = bench.ports
    ports.power.rail("sensors", True)
    ports.clock.wait_ms(99)
    part = ports.drivers.load("a.Warm", "i2c", 0)
    with pytest.raises(OSError, match="warmed up"):
        part.temperature  # noqa: B018
    ports.clock.wait_ms(1)
    assert bench.witness.values() == []
    assert -40 < part.temperature < 60
    assert bench.witness.values() != []


def test_a_rail_that_is_switched_on_again_begins_to_warm_up_again(bench):
    ports = bench.ports
    ports.power.rail("sensors", True)
    ports.clock.wait_ms(200)
    part = ports.drivers.load("a.Warm", "i2c", 0)
    ports.power.rail("sensors", True)
    part.temperature  # noqa: B018
    ports.power.rail("sensors", False)
    with pytest.raises(OSError, match="lost its supply"):
        part.temperature  # noqa: B018
    ports.power.rail("sensors", True)
    ports.clock.wait_ms(200)
    with pytest.raises(OSError, match="lost its supply"):
        part.temperature  # noqa: B018
    again = ports.drivers.load("a.Warm", "i2c", 0)
    again.temperature  # noqa: B018


def test_a_sensor_that_is_not_fitted_is_not_found(bench):
    for what in (("b.Other", "i2c", 0), ("a.Plain", "i2c", 0x46), ("a.Plain", "spi", 0)):
        with pytest.raises(ValueError, match="No I2C device"):
            bench.ports.drivers.load(*what)


def test_two_parts_of_one_kind_have_errors_of_their_own(bench):
    addresses = range(0x40, 0x48)
    bench.node.wiring.sensors.update({("a.Plain", "i2c", address): ("", 0) for address in addresses})
    shown = [bench.ports.drivers.load("a.Plain", "i2c", address).temperature for address in addresses]
    assert max(shown) - min(shown) > 0.05
    # it is the part's own: asked again in the same minute it says the same
    assert bench.ports.drivers.load("a.Plain", "i2c", 0x40).temperature == shown[0]


@pytest.mark.parametrize("name", ["temperature", "relative_humidity", "pressure", "lux", "light"])
def test_a_reading_costs_time_and_the_judge_knows_it_in_the_channels_unit(bench, name):
    part = bench.ports.drivers.load("a.Plain", "i2c", 0)
    value = getattr(part, name)
    assert bench.used_ms("sensing") == PLAN.board.durations["sensor_read"]
    assert bench.witness.values() == [value * 100 if name == "pressure" else value]


def test_a_part_that_is_slow_and_then_fails_was_asked_until_it_failed():
    befalls = [
        Fault("sensor-slow", "bench", 0, 60, {"sensor": 2, "ms": 18837}),
        Fault("sensor-crc", "bench", 0, 60, {"sensor": 2, "share": 1}),
    ]
    bench = Bench(faults=Faults(befalls))
    part = bench.ports.drivers.load("a.Plain", "i2c", 0)
    with pytest.raises(RuntimeError, match="CRC"):
        part.temperature  # noqa: B018
    assert bench.used_ms("sensing") >= 18837
    assert bench.witness.told[-1] == ("asked", bench.node.now_ms)


def test_a_property_that_the_part_does_not_have(bench):
    with pytest.raises(AttributeError):
        bench.ports.drivers.load("a.Plain", "i2c", 0).eCO2  # noqa: B018


def test_an_analog_input_sees_the_divided_voltage(bench):
    at_pin_mv = bench.ports.analog.read_mv("battery")
    assert abs(2 * at_pin_mv - bench.node.battery_mv) < 12
    assert bench.witness.values() == [pytest.approx(2 * at_pin_mv / 1000)]
    assert bench.used_ms("sensing") == PLAN.board.durations["analog_read"]


def test_an_analog_input_without_its_rail_reads_next_to_nothing(bench):
    assert bench.ports.analog.read_mv("supply") < 20
    bench.ports.power.rail("sensors", True)
    assert bench.ports.analog.read_mv("supply") > 3000
    with pytest.raises(OSError):  # noqa: PT011
        bench.ports.analog.read_mv("wood-probe")


def test_a_rail_that_the_board_does_not_have(bench):
    with pytest.raises(KeyError):
        bench.ports.power.rail("heater", True)


def test_all_rails_are_off_after_a_sleep(bench):
    bench.ports.power.rail("sensors", True)
    later = Ports(bench.node, bench.world, bench.witness)
    with pytest.raises(RuntimeError):
        later.drivers.load("a.Warm", "i2c", 0)


# --- the card -------------------------------------------------------------------------------------------------------


def test_a_card_needs_its_rail_for_everything(bench):
    port = bench.ports.card
    for call in (port.rings, lambda: port.create("a", 320), lambda: port.open("a")):
        with pytest.raises(CardError):
            call()
    file = bench.card()
    buffer = bytearray(512)
    file.write(3, b"x" * 512)
    bench.ports.power.rail("card", False)
    for call in (file.read, file.write):
        with pytest.raises(CardError, match="no supply"):
            call(3, buffer)
    assert bench.witness.of("card_failed") == []


def test_a_card_that_was_off_has_to_be_mounted_again(bench):
    file = bench.card()
    bench.ports.power.rail("card", False)
    bench.ports.clock.wait_ms(10)
    bench.ports.power.rail("card", True)
    for call in (lambda: file.read(3, bytearray(512)), lambda: bench.ports.card.open("a.ring")):
        with pytest.raises(CardError, match="mounted again"):
            call()
    assert bench.ports.card.rings() == ["a.ring"]
    bench.ports.card.open("a.ring").write(3, b"y" * 512)


def test_what_was_not_mounted_cannot_be_opened(bench):
    bench.ports.power.rail("card", True)
    for call in (lambda: bench.ports.card.open("a.ring"), lambda: bench.ports.card.create("a.ring", 320)):
        with pytest.raises(CardError):
            call()
    bench.ports.card.rings()
    with pytest.raises(CardError, match=r"a\.ring"):
        bench.ports.card.open("a.ring")


def test_every_step_on_the_card_costs_time():
    bench = Bench()
    took = PLAN.board.durations
    bench.ports.power.rail("card", True)
    bench.ports.card.rings()
    assert bench.used_ms("storing") == took["card_mount"]
    file = bench.ports.card.create("a.ring", 131072)
    assert bench.used_ms("storing") >= 100 * took["card_write"]
    file.write(3, b"x" * 512)
    assert bench.used_ms("storing") == took["card_write"]
    file.read(3, bytearray(512))
    assert bench.used_ms("storing") == took["card_read"]
    bench.ports.card.keep("a.ring")
    assert bench.used_ms("storing") == 2 * took["card_write"]
    bench.ports.card.open("a.ring")
    assert bench.used_ms("storing") == 2 * took["card_read"]


def test_create_on_a_card_that_has_a_file(bench):
    bench.card()
    with pytest.raises(CardError):
        bench.ports.card.create("b.ring", 320)


@pytest.mark.parametrize("pulled_for_s", [0.05, 30.0])
def test_a_card_that_is_pulled_between_open_and_write_fails_for_good(pulled_for_s):
    bench = Bench(card=[(5, 5 + pulled_for_s, "absent")])
    file = bench.card()
    file.write(3, b"x" * 512)
    bench.ports.clock.wait_ms(5000 - bench.node.now_ms)
    with pytest.raises(CardError):
        file.write(4, b"y" * 512)
    bench.ports.clock.wait_ms(60_000)
    with pytest.raises(CardError):
        file.write(4, b"y" * 512)
    assert bench.node.card.peek(4) is None
    assert len(bench.witness.of("card_failed")) == 2
    assert bench.ports.card.rings() == ["a.ring"]
    bench.ports.card.open("a.ring").write(4, b"y" * 512)


def test_a_card_that_is_not_there_is_not_created_on():
    bench = Bench(card=[(0, 3600, "absent")])
    with pytest.raises(CardError):
        bench.card()
    assert bench.node.card.names() == []


# --- radio and network ----------------------------------------------------------------------------------------------


def test_the_judge_hears_of_the_radio_before_it_takes_any_time(bench):
    began_ms = bench.node.now_ms
    bench.join()
    assert bench.witness.of("radio_on") == [(began_ms,)]


def test_a_join_without_any_time_left_fails(bench):
    with pytest.raises(LinkError):
        bench.join(limit_ms=0)


def test_a_join_that_hangs_ends_in_the_watchdog_and_the_radio_was_on():
    bench = Bench(World([network(windows=[(0, 1000, "hangs")])]))
    with pytest.raises(WatchdogReset):
        bench.join(9000)
    assert bench.used_ms("joining") == 9000 + fast.WATCHDOG_MS


def test_nothing_goes_out_without_a_network(bench):
    net = bench.ports.network
    for call in (
        lambda: net.resolve("b.example", 1000),
        lambda: net.open_stream(BROKER_ADDRESS, 1883, None, 1000),
        lambda: net.open_datagram(TIME_ADDRESS, 123, 1000),
    ):
        with pytest.raises(LinkError, match="no network"):
            call()
    bench.join()
    bench.ports.radio.off()
    with pytest.raises(LinkError, match="no network"):
        net.resolve("b.example", 1000)


@pytest.mark.parametrize("left_ms", [0, -5])
def test_a_call_without_any_time_left_fails_at_once(bench, left_ms):
    net = bench.join()
    for call in (
        lambda: net.resolve("b.example", left_ms),
        lambda: net.open_stream(BROKER_ADDRESS, 1883, None, left_ms),
        lambda: net.open_datagram(TIME_ADDRESS, 123, left_ms),
    ):
        with pytest.raises(LinkError, match="timeout"):
            call()
    assert bench.used_ms(None) == 0


def test_names_are_those_that_there_are(bench):
    net = bench.join()
    assert net.resolve("b.example", 1000) == BROKER_ADDRESS
    assert net.resolve("t.example", 1000) == TIME_ADDRESS
    assert bench.used_ms("online") > 0
    with pytest.raises(LinkError, match="unknown host"):
        net.resolve("other.example", 1000)


def test_nobody_listens_at_another_address(bench):
    net = bench.join()
    with pytest.raises(LinkError, match="refused"):
        net.open_stream(TIME_ADDRESS, 1883, None, 1000)
    channel = net.open_datagram("192.0.2.99", 123, 1000)
    channel.send(b"\x23" + bytes(47), 1000)
    with pytest.raises(LinkError, match="timeout"):
        channel.recv_into(bytearray(64), 1000)


@pytest.mark.parametrize("kind", ["dead-end", "absent"])
def test_a_network_that_leads_nowhere_costs_the_whole_time(kind):
    bench = Bench(World([network(windows=[(100, 1e6, kind)])]))
    net = bench.join()
    bench.ports.clock.wait_ms(100_000)
    bench.used_ms(None)
    with pytest.raises(LinkError, match="timeout"):
        net.open_stream(BROKER_ADDRESS, 1883, None, 1500)
    assert bench.used_ms("online") == 1500
    # no look-up takes a time-out (platform's source): it ends when the resolver has asked often enough
    with pytest.raises(LinkError, match="timeout"):
        net.resolve("b.example", 1500)
    assert bench.used_ms("online") == NAMELESS_MS


def test_a_connection_takes_no_longer_than_it_may(bench):
    net = bench.join()
    with pytest.raises(LinkError, match="timeout"):
        net.open_stream(BROKER_ADDRESS, 8883, TLS, 200)
    assert bench.used_ms("online") == 200


def test_a_handshake_needs_the_time_of_day(bench):
    net = bench.join()
    for epoch_s in (None, 946684800):
        if epoch_s is not None:
            bench.ports.clock.set_rtc(epoch_s)
        with pytest.raises(LinkError) as caught:
            net.open_stream(BROKER_ADDRESS, 8883, TLS, 10000)
        assert caught.value.step == "tls"
    bench.ports.clock.set_rtc(START_S)
    bench.used_ms(None)
    net.open_stream(BROKER_ADDRESS, 8883, TLS, 10000)
    assert bench.used_ms("online") > PLAN.board.durations["tls"]
    with pytest.raises(LinkError, match="another host"):
        net.open_stream(BROKER_ADDRESS, 8883, TLS | {"host": "c.example"}, 10000)


# --- streams --------------------------------------------------------------------------------------------------------


def test_an_answer_comes_a_round_trip_later(bench):
    stream = bench.connected()
    bench.used_ms(None)
    assert stream.send(CONNECT, 1000) == len(CONNECT)
    assert bench.used_ms("online") >= 1
    buffer = bytearray(64)
    assert bytes(buffer[: stream.recv_into(buffer, 1000)]) == b"\x20\x02\x00\x00"
    assert 35 <= bench.used_ms("online") <= 40


def test_a_time_out_holds_to_the_millisecond(bench):
    stream = bench.connected()
    for limit_ms in (1, 700, 5000):
        bench.used_ms(None)
        with pytest.raises(LinkError, match="timeout"):
            stream.recv_into(bytearray(8), limit_ms)
        assert bench.used_ms("online") == limit_ms
    stream.send(CONNECT, 1000)
    bench.used_ms(None)
    with pytest.raises(LinkError, match="timeout"):
        stream.recv_into(bytearray(8), 10)
    assert bench.used_ms("online") == 10
    for call in (lambda: stream.send(b"x", 0), lambda: stream.recv_into(bytearray(8), 0)):
        with pytest.raises(LinkError, match="timeout"):
            call()


def test_many_bytes_take_time_and_perhaps_more_than_one_call(bench):
    stream = bench.connected()
    stream.send(CONNECT, 1000)
    bench.used_ms(None)
    publish = b"\x30\xfa\x01\x00\x03a/b" + b"x" * 245
    assert stream.send(publish * 40, 20) < 40 * len(publish)
    assert bench.used_ms("online") == 20


@pytest.mark.parametrize("how", ["close", "off", "join"])
def test_a_stream_is_of_no_use_after_its_end(bench, how):
    stream = bench.connected()
    if how == "close":
        stream.close()
    elif how == "off":
        bench.ports.radio.off()
    else:
        bench.join()
    for call in (lambda: stream.send(CONNECT, 1000), lambda: stream.recv_into(bytearray(8), 1000)):
        with pytest.raises(LinkError, match="not connected"):
            call()
    stream.close()


def test_what_is_sent_into_a_network_that_is_gone_never_arrives():
    bench = Bench(World([network(windows=[(100, 130, "absent")])]))
    stream = bench.connected()
    bench.ports.clock.wait_ms(110_000)
    assert stream.send(CONNECT, 1000) == len(CONNECT)
    bench.used_ms(None)
    with pytest.raises(LinkError, match="timeout"):
        stream.recv_into(bytearray(8), 3000)
    assert bench.used_ms("online") == 3000
    bench.ports.clock.wait_ms(60_000)
    with pytest.raises(LinkError, match="timeout"):
        stream.recv_into(bytearray(8), 3000)


def test_a_broker_that_goes_down_says_so():
    bench = Bench(World(broker=[(20, 1000, "down")]))
    stream = bench.connected()
    bench.ports.clock.wait_ms(30_000)
    stream.send(CONNECT, 1000)
    assert stream.recv_into(bytearray(8), 1000) == 0
    with pytest.raises(LinkError):
        stream.send(CONNECT, 1000)


# --- network time ---------------------------------------------------------------------------------------------------


def ask(bench, limit_ms=1000):
    channel = bench.join().open_datagram(TIME_ADDRESS, 123, 1000)
    channel.send(b"\x23" + bytes(47), 1000)
    bench.used_ms(None)
    buffer = bytearray(64)
    return channel, channel.recv_into(buffer, limit_ms), buffer


def test_network_time_is_right_at_some_moment_of_the_round_trip(bench):
    sent_ms = START_S * 1000
    _, count, buffer = ask(bench)
    assert count == 48
    told_ms = (int.from_bytes(buffer[40:44], "big") - 2208988800) * 1000
    now_ms = sent_ms + bench.node.now_ms
    assert now_ms - 1000 - 40 <= told_ms <= now_ms
    assert 35 <= bench.used_ms("online") <= 40


def test_a_time_server_that_is_silent_or_too_far_away_costs_the_time_out():
    silent = Bench(World(time=lambda now_s: "silent"))
    far = Bench(World([network(rtt_ms=3000)]))
    for bench in (silent, far):
        with pytest.raises(LinkError, match="timeout"):
            ask(bench, 700)
        assert bench.used_ms("online") == 700


def test_a_datagram_that_does_not_fit_is_cut(bench):
    channel = bench.join().open_datagram(TIME_ADDRESS, 123, 1000)
    channel.send(b"\x23" + bytes(47), 1000)
    assert channel.recv_into(bytearray(8), 1000) == 8


def test_a_second_answer_does_not_come(bench):
    channel, _, _ = ask(bench)
    with pytest.raises(LinkError):
        channel.recv_into(bytearray(64), 100)
    channel.close()
    with pytest.raises(LinkError):
        channel.send(bytes(48), 100)


# --- whole wakes ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("error", "end"),
    [
        (WatchdogReset(), "reset"),
        (ZeroDivisionError("x"), "ZeroDivisionError: x"),
        (None, "a return instead of sleep"),
    ],
)
def test_whatever_a_wake_ends_in_the_next_one_comes(monkeypatch, error, end):
    bench = Bench()

    def die(ports):
        if error is not None:
            raise error

    monkeypatch.setattr(fast.cycle, "wake", die)
    fast.wake(bench.node, bench.world, bench.witness)
    assert [facts[1] for facts in bench.witness.of("wake_ended")] == [end]
    assert bench.node.reset_cause == "watchdog"
    assert sum(bench.node.meter.ms) == bench.node.now_ms


def test_an_empty_cell_wakes_nobody(monkeypatch):
    bench = Bench()
    bench.node.cell.draw_uah(1e9)
    monkeypatch.setattr(fast.cycle, "wake", lambda ports: pytest.fail("it woke"))
    fast.wake(bench.node, bench.world, bench.witness)
    assert bench.witness.told == []
    assert bench.node.dead_since_ms is not None


def test_a_service_window_is_expected_after_power_on_only(monkeypatch):
    bench = Bench()
    seen = []
    bench.witness.wake_began = lambda t_ms, retained, person, without_settings: seen.append(person)

    def sleep(ports):
        ports.power.deep_sleep(600)

    monkeypatch.setattr(fast.cycle, "wake", sleep)
    for _ in range(3):
        fast.wake(bench.node, bench.world, bench.witness)
    assert seen == [True, False, False]


def test_what_is_lasting_is_kept_and_the_rest_is_new(bench):
    later = Ports(bench.node, bench.world, bench.witness)
    assert later.clock is bench.ports.clock
    assert later.power is not bench.ports.power
    assert later.radio is not bench.ports.radio


def test_a_board_with_other_figures_takes_another_time():
    slow = replace(PLAN.board, durations=PLAN.board.durations | {"sensor_read": 500})
    bench = Bench(board=slow)
    bench.ports.drivers.load("a.Plain", "i2c", 0).temperature  # noqa: B018
    assert bench.used_ms("sensing") == 500


def test_settings_that_are_no_settings_wire_nothing():
    bench = Bench(settings={"rails": 5, "sensor": [3, {"driver": 7}], "analog": "x", "card": None})
    with pytest.raises(ValueError, match="No I2C device"):
        bench.ports.drivers.load("a.Plain", "i2c", 0)
    assert bench.ports.card.rings() == []
    assert SimpleNamespace(rails=()).rails == bench.node.wiring.rails
