"""Faults of sensors. Law: a sensor that fails costs its own channels, and a slot never."""

import random

import pytest
from test_world import DAY_S, MAST, broken, lived, scenario

from hostsim import card_format
from hostsim.fault_names_sensor import SENSOR
from hostsim.faults import Fault

SENSORS = MAST.settings["sensor"]
FROM_S, TO_S = 0.4 * DAY_S, 0.8 * DAY_S
SENSOR_FAILED = 256


def readings(world):
    """[(seconds since the start, [(value, flags), ...])] of what lies on the card."""
    judge = world.judges[MAST.name]
    found = []
    for ledger in judge.ledgers.values():
        for seq in range(1, ledger.newest + 1):
            record = ledger.record(seq, ledger.room)
            fields = card_format.record(record, 0, len(ledger.layouts[record[8]]))[5]
            pairs = list(zip(fields[::2], fields[1::2], strict=True))
            found.append((ledger.taken_ms[seq % ledger.capacity] / 1000.0, pairs))
    return found


def with_faults(*faults, days=1.2):
    made = [Fault(name, MAST.name, from_s, to_s, extras) for name, from_s, to_s, extras in faults]
    world, counts, _ = lived(scenario(days, faults=made))
    assert broken(world) == {}
    assert world.events.traces == []
    count = counts[MAST.name]
    assert (count["stored"], count["lost"], count["unstored"]) == (int(days * 144) + 1, 0, 0)
    return world


def channels_of(sensor):
    """Indices of the channels of the n-th sensor."""
    before = sum(len(entry["read"]) for entry in SENSORS[: sensor - 1])
    return range(before, before + len(SENSORS[sensor - 1]["read"]))


@pytest.mark.parametrize("sensor", range(1, len(SENSORS) + 1))
def test_a_sensor_that_is_away_costs_its_own_channels(sensor):
    world = with_faults(("sensor-absent", FROM_S, TO_S, {"sensor": sensor + 2 * len(SENSORS)}))
    own = channels_of(sensor)
    for at_s, pairs in readings(world):
        away = FROM_S <= at_s < TO_S
        for index, (value, flags) in enumerate(pairs):
            failed = value == card_format.ABSENT and flags & SENSOR_FAILED != 0
            assert failed == (away and index in own), (at_s, index)
    assert world.nodes[0].faults.seen == {"sensor-absent": 1}


@pytest.mark.parametrize("name", ["sensor-crc", "sensor-half-fed"])
def test_one_that_answers_now_and_then_is_left_out_now_and_then(name):
    extras = {"sensor": 1} | ({"share": 0.3} if name == "sensor-crc" else {})
    world = with_faults((name, FROM_S, TO_S, extras))
    values = [pairs[0][0] for at_s, pairs in readings(world) if FROM_S <= at_s < TO_S]
    absent = values.count(card_format.ABSENT)
    assert 0 < absent < len(values)
    assert all(pairs[0][0] != card_format.ABSENT for at_s, pairs in readings(world) if not FROM_S <= at_s < TO_S)


def test_one_that_is_stuck_says_the_same_until_it_is_free():
    world = with_faults(("sensor-stuck", FROM_S, TO_S, {"sensor": 1}))
    stuck = {pairs[0][0] for at_s, pairs in readings(world) if FROM_S <= at_s < TO_S}
    free = {pairs[0][0] for at_s, pairs in readings(world) if at_s >= TO_S}
    assert len(stuck) == 1
    assert len(free) > 5


def test_an_outlier_is_one_value():
    plain = readings(with_faults())
    world = with_faults(("sensor-outlier", FROM_S, FROM_S, {"sensor": 1, "by": 50}))
    differing = [
        (at_s, index, other[0] - one[0])
        for (at_s, pairs), (_, others) in zip(plain, readings(world), strict=True)
        for index, (one, other) in enumerate(zip(pairs, others, strict=True))
        if one != other
    ]
    assert len(differing) == 1
    assert differing[0][0] >= FROM_S
    assert abs(differing[0][2]) > 1000  # hundredths of a degree


def test_one_that_takes_its_time_takes_charge_and_no_slot():
    quick, slow = with_faults(), with_faults(("sensor-slow", 0, 2 * DAY_S, {"sensor": 1, "ms": 3000}))
    spent = [world.nodes[0].meter.ms[world.nodes[0].meter.names.index("sensing")] for world in (quick, slow)]
    assert spent[1] > spent[0] + 100 * 3000


def test_a_held_bus_takes_the_clock_and_all_sensors_and_no_slot():
    world = with_faults(("bus-held", FROM_S, TO_S, {}))
    for at_s, pairs in readings(world):
        held = FROM_S <= at_s < TO_S
        for sensor in range(1, len(SENSORS) + 1):
            assert all((pairs[index][0] == card_format.ABSENT) == held for index in channels_of(sensor)), at_s


@pytest.mark.parametrize("seed", range(12))
def test_all_of_them_in_any_company(seed):
    draw = random.Random(seed)
    faults = []
    for _ in range(8):
        name = draw.choice(sorted(SENSOR))
        at_s = draw.uniform(0, 2 * DAY_S)
        extras = {key: draw.choice([of.low, of.default, min(of.high, 4)]) for key, of in SENSOR[name].extras.items()}
        to_s = at_s + draw.choice([60, 4000, 40_000]) if SENSOR[name].lasting else at_s
        faults.append((name, at_s, to_s, extras))
    with_faults(*faults, days=2)
