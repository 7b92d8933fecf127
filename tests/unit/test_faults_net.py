"""Networks, broker and certificates in trouble. Law: each trouble is met, costs a bounded time, and loses nothing."""

from dataclasses import replace

import pytest
from test_fast_ports import TLS, Bench, World, network
from test_world import BASE, DAY_S, MAST, broken, lived, plan, scenario
from torpor.errors import LinkError

from hostsim import broker, diary_format, portal, radio
from hostsim.asker import Asker, Shelf
from hostsim.broker import Broker
from hostsim.runtimes import fast
from hostsim.runtimes.links import BROKER_ADDRESS, NAMELESS_MS, TIME_ADDRESS
from hostsim.timeline import Timeline

PLAIN = plan([("tls = true", "tls = false")])
NODES = {"tls": MAST, "plain": PLAIN}
KINDS = ("no-names", "captive", "slow", "no-time")
TROUBLED = (DAY_S / 2, 1.5 * DAY_S)


def joined(kind, **more):
    """A bench that has joined a network, and then this happens to it."""
    bench = Bench(World([network(windows=[(100, 1e6, kind)], **more)]))
    bench.ports.clock.set_rtc(1_800_000_000)
    net = bench.join()
    bench.ports.clock.wait_ms(100_000)
    bench.used_ms(None)
    return bench, net


def asked_for_time(net, address=TIME_ADDRESS):
    channel = net.open_datagram(address, 123, 2000)
    channel.send(b"\x23" + bytes(39) + b"12345678", 2000)
    buffer = bytearray(64)
    return bytes(buffer[: channel.recv_into(buffer, 2000)])


def rehearsed(node, days=2.5, **more):
    world, counts, _ = lived(scenario(days, node, **more))
    assert not world.events.traces
    return world, counts["yard-mast"]


def everywhere(*windows):
    """All networks, always there but for this."""
    return [replace(found, presence=None, windows=list(windows)) for found in BASE.networks]


def radio_s(world):
    meter = world.nodes[0].meter
    spent = dict(zip(meter.names, meter.ms, strict=True))
    return (spent["joining"] + spent["online"]) / 1000


# --- each kind of trouble at the port -------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
def test_it_can_be_joined_all_the_same(kind):
    air = radio.Air([network(windows=[(0, 1e6, kind)])])
    draw = Bench().node.radio_random
    assert air.join("bench", 5.0, "shed", "pass-word", None, 15000, draw).network is not None
    assert air.join("bench", 5.0, "shed", "wrong-word", None, 15000, draw).network is None


def test_no_names_takes_as_long_as_a_resolver_asks_and_addresses_still_work():
    bench, net = joined("no-names")
    with pytest.raises(LinkError, match="timeout") as caught:
        net.resolve("b.example", 1000)
    assert caught.value.step == "resolve"
    assert bench.used_ms("online") == NAMELESS_MS
    net.open_stream(BROKER_ADDRESS, 1883, None, 10_000)
    assert len(asked_for_time(net)) == 48


def test_no_time_leaves_everything_else_alone():
    _, net = joined("no-time")
    assert net.resolve("t.example", 1000) == TIME_ADDRESS
    for address in (TIME_ADDRESS, BROKER_ADDRESS):
        with pytest.raises(LinkError, match="timeout"):
            asked_for_time(net, address)
    net.open_stream(BROKER_ADDRESS, 1883, None, 10_000)


def test_every_way_leads_to_the_portal():
    _, net = joined("captive")
    for host in ("b.example", "t.example", "nowhere.example"):
        assert net.resolve(host, 1000) == portal.ADDRESS
    said = set()
    for attempt in range(20):
        # an address that was remembered from a better day leads there, too
        stream = net.open_stream((portal.ADDRESS, BROKER_ADDRESS)[attempt % 2], 1883, None, 10_000)
        stream.send(b"\x10\x02", 1000)
        buffer = bytearray(1024)
        try:
            said.add(bytes(buffer[: stream.recv_into(buffer, 1000)])[:4])
        except LinkError:
            said.add(b"silence")
    assert said == {b"HTTP", b"silence"}
    with pytest.raises(LinkError) as caught:
        net.open_stream(portal.ADDRESS, 8883, TLS, 10_000)
    assert caught.value.step == "tls"


def test_a_portal_never_tells_the_time():
    from torpor import BUILD_EPOCH_S, sntp

    _, net = joined("captive")
    silent = lied = 0
    for _ in range(40):
        try:
            reply = asked_for_time(net)
        except LinkError:
            silent += 1
            continue
        lied += 1
        with pytest.raises(sntp.SntpError):
            sntp.check(reply, b"12345678", BUILD_EPOCH_S, BUILD_EPOCH_S + 20 * 365 * 86400)
    assert silent > 5
    assert lied > 5


def test_slow_is_slow_both_ways_and_the_deadline_holds():
    bench, net = joined("slow")
    stream = net.open_stream(BROKER_ADDRESS, 1883, None, 10_000)
    assert bench.used_ms("online") == radio.SLOW_TIMES * 40
    assert stream.send(bytes(9000), 2000) == 2000 * radio.SLOW_BYTES_A_S // 1000
    assert bench.used_ms("online") == 2000
    with pytest.raises(LinkError, match="timeout"):
        stream.send(bytes(9000), 1)
    assert bench.used_ms("online") == 1
    connection = bench.world.broker.connect(0)
    connection.feed = lambda data, now_s: bytes(400)
    stream = net.open_stream(BROKER_ADDRESS, 1883, None, 10_000)
    stream._inner._connection = connection
    stream.send(b"x", 1000)
    bench.used_ms(None)
    buffer, count = bytearray(1024), 0
    while count < 400:
        count += stream.recv_into(buffer, 5000)
    assert bench.used_ms("online") >= 400 * 1000 / radio.SLOW_BYTES_A_S


def test_a_handshake_on_a_slow_network_takes_its_bytes_time():
    bench, net = joined("slow")
    with pytest.raises(LinkError, match="timeout"):
        net.open_stream(BROKER_ADDRESS, 8883, TLS, 5000)
    assert bench.used_ms("online") == 5000
    net.open_stream(BROKER_ADDRESS, 8883, TLS, 10_000)
    assert bench.used_ms("online") > 6000


@pytest.mark.parametrize("kind", broker.TLS_KINDS)
def test_a_certificate_that_does_not_fit_ends_the_handshake_and_nothing_else(kind):
    bench = Bench(World(broker=[(0, 1e6, kind)]))
    bench.ports.clock.set_rtc(1_800_000_000)
    net = bench.join()
    with pytest.raises(LinkError, match=kind) as caught:
        net.open_stream(BROKER_ADDRESS, 8883, TLS, 10_000)
    assert caught.value.step == "tls"
    # who does not ask for a certificate is shown none
    net.open_stream(BROKER_ADDRESS, 1883, None, 10_000)


def test_the_stretch_of_a_timeline_is_clear_only_when_nothing_falls_into_it():
    line = Timeline([(10, 20, "a"), (30, 31, "a")], ("a",))
    clear = [line.is_clear(from_s, from_s + 5) for from_s in range(0, 40, 4)]
    assert clear == [
        not any(from_s < b and a <= from_s + 5 for a, b in ((10, 20), (30, 31))) for from_s in range(0, 40, 4)
    ]


# --- days of it -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("tls", NODES)
@pytest.mark.parametrize("kind", KINDS)
def test_a_day_of_it_everywhere_loses_nothing_and_is_noticed(kind, tls):
    world, count = rehearsed(NODES[tls], networks=everywhere((*TROUBLED, kind)))
    assert broken(world) == {}
    assert count["stored"] == count["delivered"] == 361
    counted = diary_format.faults(world.nodes[0].retained)
    assert counted["time"] > 0
    if kind == "captive":
        assert counted["tls" if tls == "tls" else "broker"] > 10
        assert radio_s(world) < 500


@pytest.mark.parametrize("kind", KINDS)
def test_from_the_first_moment_on(kind):
    """The board has never known the time, nor the broker's address."""
    world, count = rehearsed(PLAIN, networks=everywhere((0, DAY_S, kind)))
    assert broken(world) == {}
    assert count["stored"] == count["delivered"] == 361


def test_a_portal_in_one_network_leaves_the_others():
    """It cannot be told from the broker before it has answered: the next network gets its turn in the same wake."""
    networks = everywhere()
    networks[0] = replace(networks[0], windows=[(0, 3 * DAY_S, "captive")])
    world, count = rehearsed(PLAIN, networks=networks)
    assert broken(world) == {}
    assert count["delivered"] == 361
    tally = world.tallies["yard-mast"]
    assert tally.accepted == tally.tried


@pytest.mark.parametrize("kind", ["no-names", "dead-end"])
@pytest.mark.parametrize("tls", NODES)
def test_look_ups_that_nothing_ends_leave_the_wake_in_its_time(kind, tls):
    """Four time servers, three networks, and neither time nor address known: each look-up takes 14 s."""
    text = NODES[tls].settings_toml.decode()
    start = text.index("servers = [")
    before = text[start : text.index("]", start) + 1]
    servers = 'servers = ["a.example", "b.example", "c.example", "d.example"]'
    node = plan([(before, servers)], NODES[tls])
    world, count = rehearsed(node, 1.5, networks=everywhere((0, DAY_S, kind)))
    assert broken(world) == {}
    assert count["stored"] == count["delivered"] == 217


@pytest.mark.parametrize("kind", broker.TLS_KINDS)
def test_with_a_wrong_certificate_nothing_leaves_and_nothing_is_lost(kind):
    world, count = rehearsed(MAST, broker_windows=[(*TROUBLED, kind)])
    assert broken(world) == {}
    assert count["stored"] == count["delivered"] == 361
    assert diary_format.faults(world.nodes[0].retained)["tls"] > 10
    never, count = rehearsed(MAST, 1, broker_windows=[(0, 2 * DAY_S, kind)])
    assert broken(never) == {}
    assert (count["delivered"], count["waiting"], count["lost"]) == (0, 145, 0)


# --- a broker that dies ---------------------------------------------------------------------------------------------


def flight(*packet_ids):
    def sized(text):
        return len(text).to_bytes(2, "big") + text

    body = sized(b"MQTT") + b"\x04\x00\x00\x3c" + sized(b"node")
    out = bytes((0x10, len(body))) + body
    for packet_id in packet_ids:
        body = sized(b"torpor/n/readings") + packet_id.to_bytes(2, "big") + b"x"
        out += bytes((0x32, len(body))) + body
    return out


def test_what_it_acknowledged_dies_with_it_and_what_it_knew_before_comes_back():
    taken, forgotten, told = [], [], []
    found = Broker([(10, 20, "killed")], lambda *publish: taken.append(publish[2]))
    found.on_forgotten = lambda *publish: forgotten.append(publish[2])
    found.on_restart = lambda: told.append(True)
    found.keep("a", b"old")
    open_one = found.connect(5)
    assert open_one.feed(flight(1), 5).endswith(b"\x40\x02\x00\x01")
    assert open_one.feed(flight(2)[-24:], 15) == b"\x40\x02\x00\x02"
    found.keep("a", b"new")
    found.keep("b", b"new")
    assert open_one.feed(flight(3)[-24:], 20) == b""
    assert open_one.closed
    assert (len(taken), len(forgotten), told) == (1, 1, [True])
    assert found.retained == {"a": b"old"}
    assert found.connect(21).feed(flight(3), 21).endswith(b"\x40\x02\x00\x03")


def test_what_a_shelf_lacks():
    shelf = Shelf()
    assert [shelf.put(seq) for seq in (3, 4, 9, 9, 7, 1, 2, 4)] == [True, True, True, False, True, True, True, False]
    assert (shelf.last, shelf.missing) == (9, [[5, 6], [8, 8]])


def test_the_asker_asks_for_what_is_missing_until_it_is_there():
    kept = {}
    asker = Asker(kept.__setitem__)

    def pack(seq):
        asker.arrived("n", b'[{"bn":"x","bt":1,"n":"seq","v":%d},{"n":"ring","vs":"0000abcd"}]' % seq)

    pack(1)
    assert kept == {}
    pack(4)
    assert kept.pop("torpor/n/have") == b'{"id":2,"ring":"0000abcd","last":4,"missing":[[2,3]]}'
    asker.tell_again()
    assert b"[[2,3]]" in kept["torpor/n/have"]
    pack(2)
    pack(3)
    assert kept["torpor/n/have"] == b'{"id":4,"ring":"0000abcd","last":4,"missing":[]}'


@pytest.mark.parametrize("tls", NODES)
def test_what_dies_with_the_broker_is_asked_for_and_comes_again(tls):
    node = NODES[tls]
    world, count = rehearsed(node, 4, broker_windows=[(*TROUBLED, "killed")])
    assert broken(world) == {}
    assert count["stored"] == count["delivered"] == 577
    assert count["destroyed"] == 0
    # an unprotected node would be short of these: a day's readings, acknowledged and gone
    short, count = rehearsed(node, 1.4, broker_windows=[(*TROUBLED, "killed")])
    assert broken(short) == {}
    assert count["waiting"] > 120


def test_without_a_card_what_dies_with_the_broker_is_gone_and_is_said():
    from test_world import removed

    faults = [removed(0, 4 * DAY_S)]
    world, count = rehearsed(PLAIN, 2, faults=faults, broker_windows=[(*TROUBLED, "killed")])
    assert broken(world) == {}
    assert count["destroyed"] > 100
    assert count["stored"] == count["delivered"] + count["waiting"] + count["destroyed"]


def test_a_judge_that_knew_nothing_of_it_would_complain(monkeypatch):
    """The excuse is the world's: with a broker that drops what it took the same wakes break the first promise."""
    monkeypatch.setattr("hostsim.world.World._forgotten", lambda self, *publish: None)
    world, _, _ = lived(scenario(2.5, PLAIN, broker_windows=[(*TROUBLED, "killed")]), fast.wake)
    assert 1 in broken(world)
