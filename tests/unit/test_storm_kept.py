"""Storms that once broke a promise, as small as they were made. Law: none of them breaks one again.

Each is kept as its pieces (hostsim/storm_pieces.py), with what was wrong and where it was mended.
"""

import datetime

import pytest

from hostsim.faults import Fault
from hostsim.storm_life import lived
from hostsim.storm_pieces import AccessPoint, Clock, Outage, Setting, Site, Storm, built

DIVIDER = {"divider_upper_ohm": 1000000, "divider_lower_ohm": 1000000}
CRYSTAL = {"kind": "crystal", "offset_spread_ppm": 20.0, "ageing_ppm_per_year": 3.0}
RC = {"kind": "rc", "offset_spread_ppm": 50000.0, "noise_ppm": 300.0}

SMALL_CELL = {
    "kind": "nmc",
    "capacity_mah": 100.0,
    "self_discharge_percent_per_month": 8.61,
    "internal_resistance_ohm": 0.242,
    "state_of_charge": 0.47,
}
CUT = {"at": "sleep", "damage": "dropped", "clock": "kept"}


def storm(seed, days, start, *pieces, node="alder"):
    return Storm(seed, days, datetime.date.fromisoformat(start), (node,), pieces)


KEPT = {
    # the judge numbered slots by true time, and a clock that is 5 % off and not yet learned cannot (slots.py)
    "an RC clock that is fast": storm(
        1048, 3, "2033-05-01", Setting("alder", "", "sample_every_s", 300), Clock("alder", RC, 65000)
    ),
    "an RC clock that is slow": storm(1017, 3, "2033-05-01", Clock("alder", RC, 65000)),
    "an RC clock that is corrected, and knows then which slot the last one was": storm(
        1359, 2, "2033-05-01", Setting("alder", "", "sample_every_s", 3472), Clock("alder", RC, 65000)
    ),
    # the first reading, after a service window of half an interval, is near the middle between two slots (slots.py)
    "a first reading in the middle between two slots": storm(
        139,
        0.05,
        "2044-07-14",
        Setting("birch", "", "sample_every_s", 120),
        AccessPoint("yard-office", "twelve-planks-high", -83, 1695, frozenset({"birch"})),
        node="birch",
    ),
    # days without a synchronisation: a crystal is off by half a slot, and no slot was skipped (slots.py)
    "a crystal and no time for days": storm(
        500,
        6,
        "2030-01-01",
        Setting("alder", "", "sample_every_s", 60),
        Clock("alder", {"kind": "crystal", "offset_ppm": -90.0}, 130, "pcf8523"),
        Outage("yard-office", 43200.0, 5.5 * 86400.0, "absent"),
    ),
    # readings were held when other settings came, so that no sector told of the last slot (firmware/torpor/runs.py)
    "other settings while readings are held": storm(
        3000,
        2.4,
        "2027-06-01",
        Fault("card-unit-gone", "alder", 2.1146240234375 * 86400, 2.1146240234375 * 86400),
        Fault("settings-astray", "alder", 2.2288818359375 * 86400, 2.23089599609375 * 86400),
    ),
    # the reset compared the clock with what it had shown before it was lost, and the slot was taken again (runs.py)
    "a clock that begins anew in the wake that hangs": storm(
        4034,
        0.2,
        "2043-11-01",
        Outage("yard-office", 0.1 * 86400, 0.12 * 86400, "hangs"),
        Fault("clock-reset", "alder", 0.105 * 86400, 0.105 * 86400, {"told": "silent"}),
    ),
    # a node without settings knows of no pin; the simulated one read its battery all the same (runtimes/sensors.py)
    "settings missing, and too large to be remembered": storm(
        4079,
        0.4,
        "2043-11-01",
        Setting("alder", "analog", None, {"name": "battery", "pin": "A1", **DIVIDER}),
        Site("alder", "nvm_slot_bytes", 256),
        Fault("settings-missing", "alder", 0.1 * 86400, 0.3 * 86400),
    ),
    # delivered with the time of a run that began with a jump, and again after that run was forgotten (clock_book.py)
    "a time that only memory knew after a jump": storm(
        4107,
        11,
        "2027-06-01",
        Setting("alder", "", "sample_every_s", 86400),
        Setting("alder", "", "transmit_every_s", 604800),
        Fault("clock-jump", "alder", 7.41827392578125 * 86400, 7.41827392578125 * 86400, {"seconds": -62486}),
        Fault("clock-jump", "alder", 8.03619384765625 * 86400, 8.03619384765625 * 86400, {"seconds": -63395}),
        Fault("memory-zeroed", "alder", 9.488037109375 * 86400, 9.488037109375 * 86400, {"count": 1}),
    ),
    # the clock counted on while nothing reached it, and the card says when it was set (clock_book.py)
    "a clock that is taken over from the card after it was out of reach": storm(
        162,
        7.378,
        "2036-03-20",
        Setting("birch", "battery", "radio_off_mv", 3305),
        Setting("birch", "battery", "radio_on_mv", 3309),
        Site("birch", "cell", {**SMALL_CELL, "capacity_mah": 65.0, "state_of_charge": 0.81}),
        Clock("birch", CRYSTAL, 200, "pcf8523"),
        Fault("bus-held", "birch", 623167.3828125, 631520.5078125),
        Fault("power-cut", "birch", 623320.3125, 623320.3125, {**CUT, "count": 90}),
        node="birch",
    ),
    # the wake in which they came back was cut short, and the one after it counts from the slots before (slots.py)
    "settings that come back in a wake that is cut short": storm(
        1103,
        3,
        "2027-06-01",
        Setting("alder", "card", "rail", "card"),
        Site("alder", "nvm_slot_bytes", 256),
        Fault("watchdog-reset", "alder", 1.22 * 86400, 1.22 * 86400, {"count": 13}),
        Fault("watchdog-reset", "alder", 1.23 * 86400, 1.23 * 86400, {"count": 283}),
        Fault("settings-cut", "alder", 102731.8359375, 164225.390625),
    ),
    # it was out of reach for the end of one wake alone, and the node lost nothing (judge.py)
    "a clock that is out of reach when a session ends": storm(
        1558,
        2.868,
        "2033-02-03",
        Setting("alder", "", "sample_every_s", 900),
        Setting("alder", "", "transmit_every_s", 921),
        Clock("alder", CRYSTAL, 130, "pcf8523"),
        Fault("clock-reset", "alder", 1.85107421875 * 86400, 1.85107421875 * 86400, {"told": "silent"}),
        Fault("bus-held", "alder", 2.75006103515625 * 86400, 2.75189208984375 * 86400),
    ),
    # the node counts anew from the jump on, and the first reading after it comes hours later (slots.py)
    "a jump in a time without readings": storm(
        1355,
        4.511,
        "2041-02-21",
        AccessPoint("yard-office", "twelve-planks-high", -94, 1174, frozenset({"alder"})),
        Setting("alder", "", "transmit_every_s", 608),
        Site("alder", "cell", {**SMALL_CELL, "capacity_mah": 199.0, "self_discharge_percent_per_month": 8.45}),
        Fault("clock-jump", "alder", 4.0762939453125 * 86400, 4.0762939453125 * 86400, {"seconds": 3600}),
    ),
    # the same, where it is back in the middle of the wake that began without it (world.py)
    "no patience, and a clock that is back in the middle of a wake": storm(
        2807,
        0.4,
        "2027-06-01",
        Setting("alder", "time", "patience_h", 0),
        Fault("bus-held", "alder", 0.2 * 86400, 7 * 3600),
    ),
    # nothing sets a clock that cannot be reached, whatever a time server says (world.py)
    "no patience, and a clock out of reach": storm(
        4143,
        0.4,
        "2027-06-01",
        Setting("alder", "time", "patience_h", 0),
        Fault("bus-held", "alder", 0.2 * 86400, 0.3 * 86400),
    ),
    # the judge heard when it was asked, and not how long it took until it failed (runtimes/sensors.py)
    "a sensor that is slow, and then fails": storm(
        2195,
        0.3,
        "2027-06-01",
        Fault("sensor-slow", "alder", 0.1 * 86400, 0.2 * 86400, {"sensor": 1, "ms": 18837}),
        Fault("sensor-crc", "alder", 0.1 * 86400, 0.2 * 86400, {"sensor": 1, "share": 1}),
    ),
    # the one sector that said when the first run began is gone, and others repeat the reading (judge.py)
    "a card that loses the only sector that dates a run": storm(
        2358,
        0.3,
        "2027-06-01",
        Setting("alder", "card", "size_mib", 16),
        Fault("clock-reset", "alder", 700, 700, {"told": "silent"}),
        Fault("watchdog-reset", "alder", 0.15 * 86400, 0.15 * 86400, {"count": 1}),
        Fault("card-unit-gone", "alder", 0.15 * 86400, 0.15 * 86400),
        Outage("", 0.2 * 86400, 0.3 * 86400, "spoofs"),
    ),
    # it was out of reach for the end of one wake, and had not been set: the run went on all the same (clock_book.py)
    "a clock that merely counts, and is out of reach when a session ends": storm(
        2055,
        3,
        "2027-06-01",
        Setting("alder", "time", "patience_h", 96),
        Outage(None, 0, 2.6 * 86400, "silent"),
        Fault("bus-held", "alder", 86404, 86464),
    ),
    # seed 1880: what was stored behind the first gap was lost, and with it all that had shown the gap (ring_mark.py)
    "a unit of each half goes, one after the other, and memory with the second": storm(
        38,
        0.55,
        "2027-06-01",
        Setting("alder", "", "sample_every_s", 60),
        Setting("alder", "card", "size_mib", 64),
        *(Fault("card-unit-gone", "alder", 43200 + n / 10, 43200 + n / 10) for n in range(3)),
        *(Fault("card-unit-gone", "alder", 43400 + n / 10, 43400 + n / 10) for n in range(5)),
        Fault("power-cut", "alder", 43400, 43400, {"at": "write", "count": 1, "damage": "garbage", "clock": "lost"}),
    ),
}


@pytest.mark.parametrize("what", KEPT)
def test_it_breaks_nothing_any_more(what):
    result = lived(built(KEPT[what]))
    assert result["broken"] == []
    assert result["traces"] == []
    assert all(node["readings"]["lost"] == 0 and node["readings"]["stored"] for node in result["nodes"])
