"""Faults of the supply and of the chip. Law: whenever it strikes, no stored reading is lost."""

import io
from collections import Counter
from dataclasses import replace

import pytest

from hostsim.clock_book import ClockBook
from hostsim.events import Events
from hostsim.fault_names_power import DAMAGE
from hostsim.faults import Fault
from hostsim.ledger import JUMPED, NOT_SURE, Ledger
from hostsim.runtimes import fast
from hostsim.scenario import load
from hostsim.slots import Slots
from hostsim.world import World

BASE = load(None)
MAST = BASE.nodes[2]  # it reaches every network
DAY_S = 86400
CUT = {"at": "step", "count": 1, "damage": "dropped", "clock": "kept"}


def cut(at_s, **extras):
    return Fault("power-cut", MAST.name, at_s, at_s, CUT | extras)


def reset(at_s, count=1, name="watchdog-reset"):
    return Fault(name, MAST.name, at_s, at_s, {"count": count})


def brown_out(from_s, to_s, memory="kept"):
    return Fault("brown-out", MAST.name, from_s, to_s, {"memory": memory})


def lived(days, faults, **more):
    quiet = [replace(network, windows=[]) for network in BASE.networks]
    calm = {"networks": quiet, "broker_windows": [], "time_windows": []}
    world = World(
        replace(BASE, days=days, nodes=[MAST], faults=faults, **(calm | more)), Events(io.StringIO()), "", watched
    )
    world.run()
    return world, world.finish()[MAST.name]


def watched(node, world, judge):
    """fast.wake, noting what each wake began with."""
    begun = vars(world).setdefault("begun", [])
    begun.append((node.now_ms, node.reset_cause, bytes(node.retained[:8]), node.clock.shows(node.now_ms)))
    fast.wake(node, world, judge)


def causes(world):
    return Counter(cause for _, cause, _, _ in world.begun)


def broken(world):
    return {i: entry.evidence for i, entry in world.invariants.all.items() if entry.state == "broken"}


def balanced(count):
    parts = ("delivered", "waiting", "overwritten", "destroyed", "lost")
    return count["stored"] == sum(count[part] for part in parts)


def whole(world, count):
    return broken(world) == {} and balanced(count) and count["lost"] == count["destroyed"] == 0


def test_without_such_faults_nothing_stands_in_the_way():
    world, _ = lived(0.1, [])
    assert world.nodes[0].supply is None
    assert "spend" not in vars(world.nodes[0])


def test_a_power_cut_takes_retained_memory_and_leaves_card_and_clock():
    images = set()
    for seed in range(6):
        world, count = lived(0.5, [cut(5 * 3600.0)], seed=seed)
        assert causes(world)["power-on"] == 2
        _, cause, image, shown = next(begun for begun in world.begun[1:] if begun[1] == "power-on")
        assert shown > 1_700_000_000
        images.add(image == bytes(8))
        assert whole(world, count)
        assert count["stored"] >= 72
        assert image[:2] != b"\x74\x01"
    # zeros, and rubbish
    assert images == {True, False}


def test_a_clock_without_a_cell_is_lost_with_it():
    world, count = lived(1, [cut(10 * 3600.0, clock="lost")])
    shown = [begun[3] for begun in world.begun]
    assert shown.count(None) == 2
    assert whole(world, count)


def test_a_power_cut_in_the_sleep_comes_at_its_time():
    at_s = 5 * 3600 + 200.0
    world, count = lived(0.5, [cut(at_s, at="sleep")])
    assert [begun[:2] for begun in world.begun if begun[1] == "power-on"][1:] == [(at_s * 1000, "power-on")]
    assert whole(world, count)


@pytest.mark.parametrize("damage", DAMAGE)
def test_a_power_cut_at_a_write_whatever_the_write_leaves(damage):
    landed = []

    def look(node, world, judge):
        watched(node, world, judge)
        landed.append(node.card.writes)

    quiet = [replace(network, windows=[]) for network in BASE.networks]
    for count in (1, 2, 5):
        faults = [cut(hour * 3600.0, at="write", count=count, damage=damage) for hour in (6, 14, 22)]
        scenario = replace(
            BASE, days=1.2, nodes=[MAST], faults=faults, networks=quiet, broker_windows=[], time_windows=[]
        )
        world = World(scenario, Events(io.StringIO()), "", look)
        world.run()
        counts = world.finish()[MAST.name]
        assert world.nodes[0].faults.seen["power-cut"] == 3
        assert whole(world, counts), (broken(world), counts)
        assert counts["stored"] >= 170


def test_a_power_cut_at_each_passing_of_time_of_a_wake():
    struck = set()
    for count in range(1, 75):
        world, counts = lived(0.2, [cut(7000.0, count=count)])
        assert whole(world, counts), (count, broken(world), counts)
        struck.add(next(begun[0] for begun in world.begun[1:] if begun[1] == "power-on"))
    assert len(struck) > 60


def test_a_watchdog_reset_at_each_passing_of_time_of_a_wake():
    """A reading that had just landed is not taken a second time: 29 slots, 29 readings."""
    for count in range(1, 75):
        world, counts = lived(0.2, [reset(7000.0, count)])
        assert causes(world)["watchdog"] == 1
        assert whole(world, counts), (count, broken(world), counts)
        assert (counts["stored"], counts["unstored"]) == (29, 0), count


def test_memory_that_does_not_survive_a_reset():
    for count in (1, 4, 9, 16, 25):
        world, counts = lived(0.3, [reset(7000.0, count, "memory-zeroed")])
        assert causes(world) == Counter({"deep-sleep": causes(world)["deep-sleep"], "watchdog": 1, "power-on": 1})
        zeroed = next(begun for begun in world.begun if begun[1] == "watchdog")
        assert zeroed[2] == bytes(8)
        assert whole(world, counts), (count, broken(world))


def test_held_readings_go_with_the_memory_and_nobody_is_blamed():
    removed = Fault("card-removed", MAST.name, 0.2 * DAY_S, 0.6 * DAY_S)
    world, counts = lived(1, [removed, cut(0.4 * DAY_S)], broker_windows=[(0.1 * DAY_S, 0.7 * DAY_S, "down")])
    assert broken(world) == {}
    assert balanced(counts)
    assert 20 <= counts["unstored"] <= 32
    assert counts["lost"] == 0


@pytest.mark.parametrize("memory", ["kept", "lost"])
def test_a_supply_that_gives_way_under_the_radio(memory):
    world, counts = lived(2, [brown_out(0.5 * DAY_S, DAY_S, memory)])
    resets = causes(world)["brown-out"]
    # each puts the next session off further, as long as the node remembers it; it rests for one slot in any case
    assert 2 <= resets <= (24 if memory == "kept" else 72)
    assert whole(world, counts), broken(world)
    assert counts["stored"] >= 2 * 144 - 2 * resets


def test_a_node_that_never_rested_would_be_found_out():
    """The judge excuses slots while a node rests from a brown-out, and not a minute longer."""
    world, _ = lived(0.3, [brown_out(9000, 10000)])
    slots = world.judges[MAST.name].slots
    assert broken(world) == {}
    t_ms = world.nodes[0].now_ms
    slots.wake_began(t_ms)
    slots.wake_ended(t_ms + 500, None, 750_000)
    slots.wake_began(t_ms + 3_600_000)
    assert "for no reason" in slots.taken(t_ms + 3_600_400)


def test_a_board_that_is_gone_does_nothing_more():
    world = World(
        replace(BASE, days=0.2, nodes=[MAST], faults=[], broker_windows=[], time_windows=[]),
        Events(io.StringIO()),
        "",
        watched,
    )
    node = world.nodes[0]
    node.faults = type(node.faults)([cut(0.0, at="step", count=30)])
    supply = fast.power_faults.supply_of(node, fast.ENDINGS)
    supply.begin_wake()
    for _ in range(29):
        node.spend("awake", 2)
    now_ms = node.now_ms
    for _ in range(3):
        with pytest.raises(fast.PowerLoss):
            node.spend("awake", 2)
    assert node.now_ms - now_ms <= 2


def test_a_node_that_never_learnt_the_time_counts_anew_after_each_cut():
    """Nothing but retained memory knew when it had begun to count: its slots begin with the wake after the cut."""
    silent = [(0, DAY_S, "silent")]
    for minute in (2, 4, 5, 6, 8):
        world, counts = lived(0.6, [cut(7200.0 + 60 * minute, at="sleep"), cut(30000.0)], time_windows=silent)
        assert whole(world, counts), (minute, broken(world))


def test_a_slot_may_be_taken_again_only_if_nothing_but_the_lost_memory_knew_of_it():
    removed = Fault("card-removed", MAST.name, 8700, 9300)
    world, counts = lived(0.3, [removed, cut(9030.0, at="sleep")])
    # held at 9000 s, gone at 9030 s, taken once more
    assert (broken(world), counts["unstored"], counts["lost"]) == ({}, 1, 0)
    for elsewhere, fact in ((1, None), (0, "a slot was sampled twice")):
        slots = Slots(600, 1_800_000_000, lambda t_ms: 0.0)
        slots.clock_known(0)
        slots.taken(600_000)
        slots.memory_lost(elsewhere)
        assert slots.taken(660_000) == fact
        assert slots.taken(670_000) == "a slot was sampled twice"


def test_a_time_that_only_memory_knew_is_not_asked_for_after_clock_and_memory_are_lost():
    """Delivered with its time, then offered again by a node that has only its card: in either order of the losses."""
    for losses in (("lost", "memory_lost"), ("memory_lost", "lost"), ("lost",)):
        book, ledger = ClockBook(100), Ledger(1, 8, 60)
        record = (30).to_bytes(4, "little") + b"\xff\xff" + bytes(54)  # taken at 30 s of a run whose time is unknown
        ledger.land(1, record, 30_000, book.landed(ledger, 1, 30_000), 0)
        book.set(60_000)
        ledger.stated_s[1], ledger.stated_uncertainty_s[1] = 1_800_000_030, 2
        for loss in losses:
            getattr(book, loss)(*([90_000] if loss == "lost" else [None]))
        assert (ledger.stated_s[1], ledger.bound_s[1]) == (-1, NOT_SURE), losses


def landed(book, ledger, seq, taken_ms, stated):
    record = (30).to_bytes(4, "little") + (b"\x02\x00" if stated else b"\xff\xff") + bytes(54)
    ledger.land(seq, record, taken_ms, book.landed(ledger, seq, taken_ms), 0)
    ledger.stated_s[seq % ledger.capacity], ledger.stated_uncertainty_s[seq % ledger.capacity] = 1_800_000_030, 2


def test_a_jump_may_end_the_run_by_which_a_reading_had_its_time():
    book, ledger = ClockBook(100), Ledger(1, 8, 60)
    landed(book, ledger, 1, 30_000, stated=False)
    book.set(60_000)
    book.jumped(-3600)
    assert (ledger.stated_s[1], ledger.bound_s[1]) == (-1, NOT_SURE)


def test_what_a_clock_said_that_had_jumped_is_never_judged():
    book, ledger = ClockBook(100), Ledger(1, 8, 60)
    book.set(0)
    book.jumped(3600)
    landed(book, ledger, 1, 30_000, stated=True)
    book.set(60_000)
    book.memory_lost(None)
    assert (ledger.stated_s[1], ledger.bound_s[1]) == (1_800_000_030, JUMPED)


def test_a_clock_that_jumped_is_as_far_off_when_the_node_forgets_and_trusts_it_again():
    for reset, bound_s in ((False, JUMPED), (True, NOT_SURE)):
        book, ledger = ClockBook(100), Ledger(1, 8, 60)
        book.set(0)
        book.jumped(20 * 365 * DAY_S)
        book.lost(10_000, reset)
        assert book.landed(ledger, 1, 30_000) == bound_s


def test_a_clock_that_the_node_lost_sight_of_is_as_sure_as_when_it_was_set_last():
    """What the card states may be older still; a clock that began anew, or was set since, is nothing to go by."""
    for stated_ms, set_ms in ((None, None), (2_000_000, 2_000_000), (5_000_000, 3_000_000)):
        book, ledger = ClockBook(100), Ledger(1, 8, 60)
        book.set(3_000_000)
        book.lost(4_000_000, reset=False)
        book.lost(5_000_000, reset=False)
        book.memory_lost(stated_ms)
        assert book.is_out_of_sight() == (set_ms is not None)
        if set_ms is not None:
            book.seen_again()
            assert book.landed(ledger, 1, set_ms + 10_000_000) == pytest.approx(3, abs=0.01)
            assert not book.is_out_of_sight()
    for after in ("lost", "set"):
        book = ClockBook(100)
        book.set(3_000_000)
        book.lost(4_000_000, reset=False)
        getattr(book, after)(5_000_000)
        assert not book.is_out_of_sight()


def test_a_count_that_the_node_lost_sight_of_is_in_doubt_until_a_reading_or_the_time_settles_it():
    for goes_on, bound_s in ((True, 12), (False, 7)):
        book, ledger = ClockBook(100), Ledger(1, 8, 60)
        for t_ms in (50_000_000, 60_000_000):
            book.lost(t_ms, reset=False)
        assert book.is_count_in_doubt()
        book.settle_count(goes_on)
        assert not book.is_count_in_doubt()
        landed(book, ledger, 1, 70_000_000, stated=False)
        book.set(100_000_000 if goes_on else 110_000_000)
        assert ledger.bound_s[1] == pytest.approx(bound_s, abs=0.02)
    for settled in ("lost", "set"):
        book = ClockBook(100)
        book.lost(50_000_000, reset=False)
        getattr(book, settled)(60_000_000)
        assert not book.is_count_in_doubt()


def test_no_record_can_say_more_than_65534_s():
    book, ledger = ClockBook(65000), Ledger(1, 8, 60)
    book.set(0)
    days = [book.landed(ledger, 1, day * DAY_S * 1000) for day in (10, 13)]
    assert 59_000 < days[0] < 65_534
    assert days[1] == NOT_SURE
