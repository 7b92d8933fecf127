"""The CircuitPython runtime as a whole: what the firmware's own main.py and port bring home."""

import pytest
import trustme
from cp_bench import broken, copied, rehearsed

from hostsim import card_format, diary_format, rehearse
from hostsim.events import Events
from hostsim.runtimes import RuntimeAbsent, circuitpython
from hostsim.runtimes.circuitpython import chip as chips
from hostsim.runtimes.circuitpython import wireless
from hostsim.world import World

CLIMATE = ("temperature", "relative-humidity", "lux")
NODES = ("north-stack", "south-stack", "yard-mast")


def on_card(node):
    """{seq: {channel: value}} of all readings on a node's card, by the judge's decoders."""
    card = node.card
    half = card_format.half_of(card.sectors)
    channels = card_format.layout_sector(card.peek(0))[6]
    found = {}
    while True:
        data = card.peek(card_format.place_of(len(found) + 1, half))
        sector = card_format.data_sector(data) if data is not None else None
        if sector is None or sector[1] != len(found) + 1:
            return found
        fields = card_format.record(data, 32 + (sector[4] - 1) * sector[3], len(channels))[5]
        found[sector[1]] = {channels[index][0]: fields[2 * index] for index in range(len(channels))}


@pytest.fixture(scope="module")
def day():
    return rehearsed(None, 1)


def test_a_day_loses_nothing_and_breaks_nothing(day):
    run, results = day
    assert broken(results) == []
    assert run.traces == []
    for entry in results["nodes"]:
        assert entry["readings"]["stored"] == entry["readings"]["delivered"] == 145
        assert entry["readings"]["lost"] == entry["readings"]["unstored"] == entry["missed"] == 0
        assert entry["sessions"]["tried"] == entry["sessions"]["accepted"]


def test_sensors_give_what_the_fast_runtime_gives(day):
    fast, _ = rehearsed(None, 1, runtime="fast")
    for ours, theirs in zip(day[0].world.nodes, fast.world.nodes, strict=True):
        ours, theirs = on_card(ours), on_card(theirs)
        assert len(ours) == 145
        assert ours.keys() == theirs.keys()
        for seq, values in theirs.items():
            for channel in CLIMATE:
                assert values[channel] != card_format.ABSENT
                assert ours[seq][channel] == values[channel]


def test_charge_is_near_that_of_the_fast_runtime(day):
    fast, results = rehearsed(None, 1, runtime="fast")
    for ours, theirs in zip(day[1]["nodes"], results["nodes"], strict=True):
        assert ours["energy"]["mean_ua"] == pytest.approx(theirs["energy"]["mean_ua"], rel=0.05)


def test_a_reading_costs_one_sector_write(day):
    for entry in day[1]["nodes"]:
        # and two copies of the one layout
        assert entry["card"]["sector_writes"] == entry["readings"]["stored"] + 2


def test_a_wake_is_soon_over(day):
    speed = day[1]["speed"]
    print(f"{1000 * speed['wall_s'] / speed['wakes']:.1f} ms a wake")
    assert speed["wall_s"] / speed["wakes"] < 0.05


def test_the_same_seed_gives_the_same_events(tmp_path):
    found = []
    for name in ("one", "two"):
        run = rehearse.Rehearsal(rehearse.load(None, days=0.1), None, runtime="circuitpython")
        run.run(tmp_path / name)
        found.append((tmp_path / name / "events.jsonl").read_bytes())
    assert found[0] == found[1]
    assert found[0].count(b'"event":"stored"') == 45


def test_ram_is_lost_and_the_host_gets_none_of_it(day):
    import sys

    assert not [name for name in sys.modules if name.startswith(("adafruit_sht4x", "torpor.boards.cp_"))]


def test_facts_1_the_radio_starts_with_the_import_of_wifi_so_a_wake_without_a_session_has_none(monkeypatch):
    started = []
    make = wireless.WifiRadio.__init__
    monkeypatch.setattr(
        wireless.WifiRadio,
        "__init__",
        lambda self, machine: (started.append(machine.node.name), make(self, machine))[1],
    )
    _, results = rehearsed(None, 0.25)
    tried = {entry["node"]: entry["sessions"]["tried"] for entry in results["nodes"]}
    assert {name: started.count(name) for name in NODES} == tried
    assert all(0 < tried[entry["node"]] < entry["wakes"] / 4 for entry in results["nodes"])


OUTAGE = "{ from_day = 20.3, to_day = 20.9"
NO_ADDRESS = ("scenario.toml", OUTAGE, '{ from_day = 0.05, to_day = 0.3, kind = "no-address" },\n' + OUTAGE)


def counted(folder, days, zeroes):
    """A rehearsal in which watchdog resets are counted; zeroes: they zero retained memory."""
    ends = []

    def wake(node, world, judge):
        circuitpython.chip_of(node).zeroes_retained = zeroes
        circuitpython.wake(node, world, judge)
        ends.append((node.name, node.reset_cause))

    world = World(rehearse.load(folder, days=days), Events(None), "", wake)
    world.run()
    counts = world.finish()
    return world, counts, [name for name, cause in ends if cause == "watchdog"]


@pytest.mark.parametrize("zeroes", [False, True], ids=["retained memory kept", "retained memory zeroed"])
def test_facts_1_a_join_that_blocks_for_ever_ends_with_the_watchdog_and_the_next_network(tmp_path, zeroes):
    world, counts, bitten = counted(copied(tmp_path / "yard", NO_ADDRESS), 0.25, zeroes)
    assert not [entry for entry in world.invariants.all.values() if entry.state == "broken"]
    assert set(bitten) == set(NODES)
    # the kiln's network is in reach of these two: what they read gets through all the same
    for name in ("north-stack", "yard-mast"):
        assert counts[name]["lost"] == 0
        assert counts[name]["delivered"] >= 30
        # it bites once, and from then on the network that worked is tried first
        assert bitten.count(name) <= 2
    assert counts["south-stack"]["lost"] == 0
    assert counts["south-stack"]["waiting"] > 20


def test_without_a_watchdog_such_a_board_is_lost_for_good(tmp_path):
    off = [(f"{name}.toml", "[status]", "[status]\nwatchdog_s = 0") for name in NODES]
    world, _, bitten = counted(copied(tmp_path / "yard", NO_ADDRESS, *off), 0.25, False)
    assert bitten == []
    assert all(node.dead_since_ms is not None for node in world.nodes)
    assert world.invariants.all[4].state == "broken"


def test_a_card_that_is_pulled_costs_no_reading(tmp_path):
    pulled = ("scenario.toml", "from_day = 130.4\nto_day = 131.4", "from_day = 0.1\nto_day = 0.15")
    _, results = rehearsed(copied(tmp_path / "yard", pulled), 0.4)
    assert broken(results) == []
    south = next(entry for entry in results["nodes"] if entry["node"] == "south-stack")["readings"]
    assert south["held"] > 5
    assert south["lost"] == south["unstored"] == 0


@pytest.mark.parametrize("rtc", ["internal", "pcf8523"])
def test_other_clocks_keep_the_promises_too(tmp_path, rtc):
    changes = [(f"{name}.toml", 'rtc = "ds3231"', f'rtc = "{rtc}"') for name in NODES]
    _, results = rehearsed(copied(tmp_path / "yard", *changes), 0.5)
    assert broken(results) == []
    assert all(entry["readings"]["delivered"] > 65 for entry in results["nodes"])


@pytest.mark.parametrize("rtc", ["ds3231", "pcf8523"])
def test_a_clock_chip_that_is_wired_to_wake_the_board_does(tmp_path, rtc):
    changes = [(f"{name}.toml", 'rtc = "ds3231"', f'rtc = "{rtc}"\nrtc_alarm = "D7"') for name in NODES]
    run, results = rehearsed(copied(tmp_path / "yard", *changes), 0.5)
    assert broken(results) == []
    for entry, node in zip(results["nodes"], run.world.nodes, strict=True):
        # the sleep timer alone is up to 0.8 % off, and a slot then costs a second wake now and then
        assert entry["wakes"] == entry["readings"]["stored"] == 73
        assert circuitpython.chip_of(node).wake_alarm.pin.name == "D7"


def test_static_addresses_join_without_dhcp(tmp_path):
    fixed = 'password = "twelve-planks-high"\naddress = "192.0.2.7"\nnetmask = "255.255.255.0"\ngateway = "192.0.2.1"'
    changes = [(f"{name}.toml", 'password = "twelve-planks-high"', fixed) for name in NODES]
    world, counts, bitten = counted(copied(tmp_path / "yard", NO_ADDRESS, *changes), 0.25, False)
    assert bitten == []
    assert all(count["waiting"] < 7 and count["lost"] == 0 for count in counts.values())


def test_a_driver_that_is_not_installed_is_named(tmp_path):
    changes = ("yard-mast.toml", "adafruit_sht4x.SHT4x", "nobody_has_this.Part")
    with pytest.raises(RuntimeAbsent, match="nobody_has_this"):
        rehearsed(copied(tmp_path / "yard", changes), 0.1)


# --- a real broker (test_certificates.py has TLS with all that can be wrong) ------------------------------------


def test_to_mosquitto_without_tls(tmp_path, mosquitto_port):
    changes = [(f"{name}.toml", "tls = true", "tls = false") for name in NODES]
    _, results = rehearsed(copied(tmp_path / "yard", *changes), 0.5, broker=("127.0.0.1", mosquitto_port))
    assert broken(results) == []
    for entry in results["nodes"]:
        assert entry["readings"]["delivered"] >= 67
        assert entry["readings"]["lost"] == 0


def test_facts_4_the_firmware_trusts_what_lies_on_the_board_and_not_what_the_desk_does(mosquitto_tls, monkeypatch):
    port, ca = mosquitto_tls("good")
    other = trustme.CA().cert_pem.bytes().decode()
    make = chips.Chip.__init__
    monkeypatch.setattr(chips.Chip, "__init__", lambda chip, node, ca_pem: make(chip, node, other))
    run, results = rehearsed(None, 0.15, broker=("127.0.0.1", port), ca_file=ca)
    for entry, node in zip(results["nodes"], run.world.nodes, strict=True):
        assert entry["readings"]["delivered"] == 0
        assert diary_format.faults(node.retained)["tls"] > 0
