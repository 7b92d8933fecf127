"""What every port must do: docs/porting.md as checks.

Law: they run on the interpreter of the port, with nothing else. Each check lives in a wake of its own, in the bundled
yard: it gets the ports and raises where they break the contract.
CHECKS has them by name.
"""

from torpor.errors import CardError, LinkError

SSID, PASSWORD = "yard-office", "twelve-planks-high"
BROKER, TIME = "broker.yard.example", "time.yard.example"
CAUSES = ("power-on", "pin", "software", "watchdog", "panic", "brown-out", "deep-sleep")
PATTERNS = ("service", "stored", "joined", "accepted", "refused", "unreached")
PLAIN = {"ssid": SSID, "password": PASSWORD, "address": "", "netmask": "", "gateway": "", "dns": ""}


def raised(call, *kinds):
    """The exception that the call raises, which has to be one of these."""
    try:
        call()
    except kinds as error:
        return error
    raise AssertionError("nothing was raised")


def spare(ports):
    """A ring file of 64 sectors under a name of this suite."""
    ports.power.rail("card", True)
    ports.card.rings()
    return ports.card.create("contract.ring", 64)


def joined(ports):
    return ports.radio.join(PLAIN, None, 0, 20000)


def identity(ports):
    assert len(bytes(ports.eui)) == 8
    assert b"north-stack" in ports.settings_file()


def ticks_count_what_was_waited(ports):
    clock = ports.clock
    since = clock.ticks_ms()
    clock.wait_ms(120)
    assert 120 <= clock.elapsed_ms(since) < 1000
    clock.wait_ms(0)


def the_rtc_shows_what_was_set(ports):
    clock = ports.clock
    assert clock.rtc_epoch_s() is None  # it has not been set since its supply came
    clock.set_rtc(1798761600)
    assert 0 <= clock.rtc_epoch_s() - 1798761600 <= 1
    clock.wait_ms(3000)
    assert 2 <= clock.rtc_epoch_s() - 1798761600 <= 5
    assert isinstance(clock.rtc_epoch_s(), int)


def random_numbers_differ(ports):
    drawn = [ports.random.u32() for _ in range(8)]
    assert all(0 <= number < 1 << 32 for number in drawn)
    assert len(set(drawn)) == 8


def the_log_takes_anything(ports):
    ports.log.event("contract", one=1, two=-2)
    ports.log.trace(ValueError("what a state did not handle"))


def nvm_keeps_both_slots_apart(ports):
    nvm = ports.nvm
    assert nvm.slots in (0, 2)
    for index in range(nvm.slots):
        nvm.write(index, b"slot %d" % index)
    for index in range(nvm.slots):
        assert bytes(nvm.read(index))[:6] == b"slot %d" % index
    if nvm.slots:
        raised(lambda: nvm.write(0, bytes(1 << 16)), OSError)
        assert bytes(nvm.read(0))[:6] == b"slot 0"


def a_ring_file_is_listed_only_once_it_is_kept(ports):
    spare(ports)
    assert not ports.card.rings()
    file = ports.card.create("contract.ring", 64)
    ports.card.keep("contract.ring")
    assert "contract.ring" in ports.card.rings()
    file = ports.card.open("contract.ring")
    assert file.sector_count == 64


def sectors_read_back(ports):
    file = spare(ports)
    assert file.sector_count == 64
    out, back = bytearray(512), bytearray(512)
    for sector in (0, 1, 63, 31):
        for index in range(512):
            out[index] = (sector * 7 + index) & 255
        file.write(sector, out)
    for sector in (31, 63, 1, 0):
        file.read(sector, back)
        assert back[0] == sector * 7 & 255
        assert back[511] == (sector * 7 + 511) & 255


def no_sector_lies_outside(ports):
    file = spare(ports)
    raised(lambda: file.read(64, bytearray(512)), CardError)
    raised(lambda: file.write(64, bytearray(512)), CardError)


def a_card_without_its_supply_is_absent(ports):
    raised(ports.card.rings, CardError)


def a_ring_that_is_not_there_is_a_card_error(ports):
    ports.power.rail("card", True)
    ports.card.rings()
    raised(lambda: ports.card.open("nowhere.ring"), CardError)


def a_fitted_sensor_is_read(ports):
    ports.power.rail("sensors", True)
    ports.clock.wait_ms(150)
    part = ports.drivers.load("adafruit_sht4x.SHT4x", "i2c", 0)
    assert -40 < part.temperature < 60
    assert 0 <= part.relative_humidity <= 100


def a_sensor_that_is_not_there_raises(ports):
    ports.power.rail("sensors", True)
    raised(lambda: ports.drivers.load("nowhere.Part", "i2c", 0), Exception)
    raised(lambda: ports.drivers.load("adafruit_sht4x.Nothing", "i2c", 0), Exception)
    raised(lambda: ports.drivers.load("adafruit_sht4x.SHT4x", "i2c", 0x46), Exception)


def a_sensor_without_its_supply_raises(ports):
    def read():
        return ports.drivers.load("adafruit_sht4x.SHT4x", "i2c", 0).temperature

    raised(read, Exception)


def voltages_are_millivolts_at_the_pin(ports):
    assert 1000 < ports.analog.read_mv("battery") < 2600
    assert 3000 < ports.power.battery_mv() < 4500
    raised(lambda: ports.analog.read_mv("nowhere"), OSError)


def a_network_is_joined_and_left(ports):
    assert ports.radio.rssi_dbm() is None
    bssid, channel = joined(ports)
    assert len(bytes(bssid)) == 6
    assert 1 <= channel <= 200
    assert -100 < ports.radio.rssi_dbm() < 0
    ports.radio.off()
    assert ports.radio.rssi_dbm() is None
    ports.radio.off()
    # what was learned makes it faster, and it works again in the same wake
    assert ports.radio.join(PLAIN, bytes(bssid), channel, 20000)[1] == channel


def a_network_that_is_not_there_is_not_joined(ports):
    since = ports.clock.ticks_ms()
    strange = dict(PLAIN)
    strange["ssid"] = "nobody-here"
    assert raised(lambda: ports.radio.join(strange, None, 0, 8000), LinkError).step == "join"
    strange = dict(PLAIN)
    strange["password"] = "not the password"
    assert raised(lambda: ports.radio.join(strange, None, 0, 8000), LinkError).step == "join"
    assert ports.clock.elapsed_ms(since) < 30000
    joined(ports)


def names_need_a_network(ports):
    assert raised(lambda: ports.network.resolve(BROKER, 5000), LinkError).step == "resolve"
    joined(ports)
    assert ports.network.resolve(BROKER, 5000).count(".") == 3
    assert raised(lambda: ports.network.resolve("nowhere.yard.example", 5000), LinkError).step == "resolve"


def opened(ports):
    joined(ports)
    return ports.network.open_stream(ports.network.resolve(BROKER, 5000), 1883, None, 10000)


CONNECT = b"\x10\x10\x00\x04MQTT\x04\x02\x00\x3c\x00\x04desk"


def sent(stream, data):
    view = memoryview(data)
    while view:
        count = stream.send(view, 5000)
        assert 1 <= count <= len(view)
        view = view[count:]


def a_stream_carries_bytes_both_ways(ports):
    stream = opened(ports)
    sent(stream, CONNECT)
    buffer = bytearray(64)
    assert stream.recv_into(buffer, 5000) == 4
    assert bytes(buffer[:4]) == b"\x20\x02\x00\x00"
    stream.close()
    stream.close()


def silence_ends_in_time(ports):
    stream = opened(ports)
    since = ports.clock.ticks_ms()
    assert raised(lambda: stream.recv_into(bytearray(8), 700), LinkError).step == "broker"
    assert 700 <= ports.clock.elapsed_ms(since) < 3000


def the_other_side_closes(ports):
    stream = opened(ports)
    # a second CONNECT is a protocol violation: the broker closes (MQTT 3.1.1, 3.1.0-2)
    sent(stream, CONNECT + CONNECT)
    buffer = bytearray(64)
    for _ in range(4):
        try:
            if stream.recv_into(buffer, 5000) == 0:
                return
        except LinkError:
            return
    raise AssertionError("it stays open")


def a_stream_ends_with_its_association(ports):
    stream = opened(ports)
    ports.radio.off()
    raised(lambda: sent(stream, CONNECT), LinkError)


def nobody_listens_there(ports):
    joined(ports)
    address = ports.network.resolve(TIME, 5000)
    assert raised(lambda: ports.network.open_stream(address, 1, None, 5000), LinkError).step == "broker"


def time_servers_answer(ports):
    joined(ports)
    channel = ports.network.open_datagram(ports.network.resolve(TIME, 5000), 123, 5000)
    query = bytearray(48)
    query[0] = 0x23
    query[40] = 1
    channel.send(query, 2000)
    answer = bytearray(48)
    assert channel.recv_into(answer, 3000) == 48
    assert answer[0] & 7 == 4
    assert answer[24] == 1
    assert raised(lambda: channel.recv_into(answer, 500), LinkError).step == "time"
    channel.close()


def power_says_why(ports):
    power = ports.power
    assert power.reset_cause in CAUSES
    assert power.wake_reason in ("timer", "button", None)
    power.feed_watchdog()
    power.rail("sensors", True)
    power.rail("sensors", True)
    power.rail("sensors", False)
    raised(lambda: power.rail("nowhere", True), KeyError, ValueError)


def retained_memory_takes_a_diary(ports):
    memory = ports.power.retained
    assert len(memory) >= 136
    memory[:136] = bytes(range(136))
    assert bytes(memory[:136]) == bytes(range(136))
    assert memory[7] == 7


def the_bench_finds_what_is_fitted(ports):
    ports.power.rail("sensors", True)
    ports.clock.wait_ms(150)
    bench = ports.bench()
    lines = bench.lines("i2c")
    assert lines is None or all(line in ("high", "floating", "held") for line in lines)
    assert len(lines or (1, 2)) == 2
    bus = bench.bus("i2c")
    assert bus.try_lock()
    found = bus.scan()
    bus.unlock()
    assert sorted(found) == [0x10, 0x44, 0x68]
    assert bench.address_of("adafruit_sht4x.SHT4x") == 0x44
    assert bench.address_of("adafruit_veml7700.VEML7700") == 0x10
    assert bench.address_of("nowhere.Part") is None
    raised(lambda: bench.bus("nowhere"), ValueError)


def a_file_that_was_not_kept_is_opened_again(ports):
    out = bytearray(512)
    out[7] = 7
    ports.power.rail("card", True)
    ports.card.rings()
    file = ports.card.create("torpor.new", 64)
    file.write(9, out)
    ports.power.rail("card", False)
    ports.clock.wait_ms(200)
    ports.power.rail("card", True)
    assert not ports.card.rings()
    again = ports.card.open("torpor.new")
    out[7] = 0
    again.read(9, out)
    assert out[7] == 7


def lights_and_button(ports):
    for pattern in PATTERNS:
        ports.signal.show(pattern)
    assert ports.signal.button() in (True, False)


CHECKS = {
    check.__name__: check
    for check in (
        identity,
        ticks_count_what_was_waited,
        the_rtc_shows_what_was_set,
        random_numbers_differ,
        the_log_takes_anything,
        nvm_keeps_both_slots_apart,
        a_ring_file_is_listed_only_once_it_is_kept,
        sectors_read_back,
        no_sector_lies_outside,
        a_card_without_its_supply_is_absent,
        a_ring_that_is_not_there_is_a_card_error,
        a_fitted_sensor_is_read,
        a_sensor_that_is_not_there_raises,
        a_sensor_without_its_supply_raises,
        voltages_are_millivolts_at_the_pin,
        a_network_is_joined_and_left,
        a_network_that_is_not_there_is_not_joined,
        names_need_a_network,
        a_stream_carries_bytes_both_ways,
        silence_ends_in_time,
        the_other_side_closes,
        a_stream_ends_with_its_association,
        nobody_listens_there,
        time_servers_answer,
        power_says_why,
        retained_memory_takes_a_diary,
        the_bench_finds_what_is_fitted,
        a_file_that_was_not_kept_is_opened_again,
        lights_and_button,
    )
}
