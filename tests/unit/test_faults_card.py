"""Faults of the card. Law: each does what its name says, and none costs a reading that was stored."""

import io
from dataclasses import replace
from pathlib import Path

import pytest

from hostsim.card import SECTOR, Card, CardFault
from hostsim.card_faults import UNIT_SECTORS, befall
from hostsim.events import Events
from hostsim.fault_names_card import CARD
from hostsim.faults import Fault, Faults
from hostsim.node import generator
from hostsim.runtimes import fast
from hostsim.scenario import load
from hostsim.world import World

BASE = load(None)
MAST = BASE.nodes[2]  # it reaches every network
DAY_S = 86400
EVER = (0, 10 * DAY_S)
EXTRAS = {"card-slow": {"more_ms": 250}}


def fault(name, from_s, to_s=None, **extras):
    return Fault(name, MAST.name, from_s, from_s if to_s is None else to_s, extras or EXTRAS.get(name, {}))


def lived(days, faults, changes=(), **more):
    text = MAST.settings_toml.decode()
    settings = {key: dict(value) if isinstance(value, dict) else value for key, value in MAST.settings.items()}
    for before, after, (section, key, value) in changes:
        assert text.count(before) == 1, before
        text = text.replace(before, after)
        settings[section][key] = value
    node = replace(MAST, settings_toml=text.encode(), settings=settings)
    quiet = [replace(network, windows=[]) for network in BASE.networks]
    calm = {"networks": quiet, "broker_windows": [], "time_windows": []}
    stream = io.StringIO()
    found = replace(BASE, days=days, nodes=[node], faults=faults, **(calm | more))
    world = World(found, Events(stream), "", fast.wake)
    world.run()
    return world, world.finish()[MAST.name], stream.getvalue()


def broken(world):
    return {i: entry.evidence for i, entry in world.invariants.all.items() if entry.state == "broken"}


def balanced(count):
    parts = ("delivered", "waiting", "overwritten", "destroyed", "lost")
    return count["stored"] == sum(count[part] for part in parts)


class Board:
    """As much of a node as a card's faults need."""

    def __init__(self, *faults):
        self.faults = Faults(faults)
        self.card = Card(())
        self.card.create("x.ring", 4 * UNIT_SECTORS)
        self.card.keep("x.ring")
        self.fault_random = generator(1, "faults", "x")
        self.supply = None
        self.now_ms = self.failed = 0
        befall(self, self)

    def card_failed(self):
        self.failed += 1

    def spend(self, _state, ms):
        self.now_ms += ms

    def sectors_gone(self, _t_ms, destroy, _peek, _sector_count):
        destroy()
        return False

    def read(self, sector):
        data = bytearray(SECTOR)
        self.card.read(sector, data)
        return bytes(data)


def of(byte):
    return bytes([byte]) * SECTOR


def test_a_card_without_faults_is_left_as_it_is():
    board = Board()
    assert not {"read", "write", "create", "names"} & vars(board.card).keys()


def test_a_write_that_is_dropped_leaves_what_was_there():
    board = Board(fault("card-write-dropped", 1, 2))
    board.card.write(7, of(1))
    board.now_ms = 1000
    board.card.write(7, of(2))
    assert (board.read(7), board.failed) == (of(1), 1)
    board.now_ms = 2000
    board.card.write(7, of(3))
    assert board.read(7) == of(3)


def test_a_torn_write_ends_at_a_multiple_of_16_bytes_and_the_next_one_does_not():
    board = Board(*[fault("card-torn", 0)] * 30)
    ends = set()
    for _ in range(30):
        board.card.forget([7])
        before = board.read(7)
        board.card.write(7, of(0xEE))
        after = board.read(7)
        end = len(after) - len(after.lstrip(b"\xee"))
        assert end % 16 == 0
        assert after[end:] == before[end:]
        ends.add(end)
    assert len(ends) > 10
    board.card.write(7, of(0xEE))
    assert board.read(7) == of(0xEE)


def test_a_write_of_rubbish():
    board = Board(fault("card-garbage", 0))
    board.card.write(7, of(1))
    assert board.read(7) not in (of(1), of(0))
    board.card.write(7, of(1))
    assert board.read(7) == of(1)


def test_a_card_that_does_not_give_what_it_holds():
    board = Board(fault("card-read-error", 0, 1))
    board.card.write(7, of(1))
    with pytest.raises(CardFault):
        board.read(7)
    assert board.failed == 1
    board.now_ms = 1000
    assert board.read(7) == of(1)


def test_a_slow_card_takes_its_time():
    board = Board(fault("card-slow", 0, 10, more_ms=40))
    board.card.write(7, of(1))
    board.read(7)
    assert board.now_ms == 80


def test_a_unit_that_is_gone_is_aligned_and_no_more_than_4_mib():
    board = Board(fault("card-unit-gone", 0))
    for sector in range(0, 4 * UNIT_SECTORS, 64):
        board.card.write(sector, of(1))
    board.card.names()
    gone = [sector for sector in range(0, 4 * UNIT_SECTORS, 64) if board.read(sector) != of(1)]
    assert len({sector // UNIT_SECTORS for sector in gone}) == 1
    assert len(gone) == UNIT_SECTORS // 64
    board.card.names()
    assert sum(board.read(sector) != of(1) for sector in range(0, 4 * UNIT_SECTORS, 64)) == len(gone)


# --- the node -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["card-write-dropped", "card-read-error"])
def test_readings_are_held_while_the_card_keeps_nothing(name):
    world, count, _ = lived(1.2, [fault(name, 0.3 * DAY_S, 0.6 * DAY_S)])
    assert broken(world) == {}
    assert balanced(count)
    assert 40 <= count["held"] <= 45
    assert (count["lost"], count["unstored"], count["destroyed"]) == (0, 0, 0)


@pytest.mark.parametrize("name", ["card-torn", "card-garbage"])
def test_a_write_that_went_wrong_is_done_again(name):
    world, count, _ = lived(0.5, [fault(name, (n + 0.5) * 1800) for n in range(20)])
    assert world.nodes[0].faults.seen[name] == 20
    assert broken(world) == {}
    assert (count["delivered"], count["held"], count["lost"]) == (73, 0, 0)


def test_two_writes_that_went_wrong_hold_the_reading():
    world, count, _ = lived(0.3, [fault("card-torn", 9000), fault("card-garbage", 9000)])
    assert broken(world) == {}
    assert (count["held"], count["lost"]) == (1, 0)


def test_a_slow_card_is_searched_within_the_wake():
    """At 250 ms a sector the search of a ring takes more than a minute."""
    world, count, events = lived(1, [fault("card-slow", *EVER), fault("memory-zeroed", 0.5 * DAY_S, count=1)])
    assert broken(world) == {}
    assert (balanced(count), count["lost"], count["held"]) == (True, 0, 0)
    assert '"event":"ring-found","head":72' in events


def test_a_card_that_is_too_slow_is_given_up_within_the_wake():
    slow = fault("card-slow", 0, 0.6 * DAY_S, more_ms=450)
    world, count, events = lived(1, [slow, fault("memory-zeroed", 0.5 * DAY_S, count=1)])
    assert broken(world) == {}
    assert (balanced(count), count["lost"]) == (True, 0)
    assert 10 <= count["held"] <= 16
    # whole again, it is found
    assert '"event":"ring-found","head":72' in events


def test_a_search_that_was_given_up_before_the_service_window_leaves_no_time_for_another_after_it():
    cut = fault("power-cut", 5400, at="step", count=1, damage="dropped", clock="kept")
    world, count, events = lived(0.2, [fault("card-slow", 5000, 9000, more_ms=450), cut])
    assert broken(world) == {}
    assert (balanced(count), count["lost"]) == (True, 0)
    assert count["held"] >= 4
    assert '"event":"ring-found","head":9' in events


def test_a_full_card_takes_no_ring():
    world, count, _ = lived(0.5, [fault("card-full", 0, 0.25 * DAY_S)])
    assert broken(world) == {}
    assert count["held"] in (36, 37)
    assert count["delivered"] == count["stored"] == 73
    world, count, _ = lived(0.5, [fault("card-full", 0.1 * DAY_S, 0.3 * DAY_S)])
    assert (broken(world), count["held"]) == ({}, 0)


def test_a_whole_ring_that_is_gone_takes_along_only_what_waited_and_a_new_one_begins():
    tiny = [("size_mib = 64", "size_mib = 1", ("card", "size_mib", 1))]
    world, count, events = lived(
        2, [fault("card-unit-gone", DAY_S)], tiny, broker_windows=[(0.5 * DAY_S, 1.5 * DAY_S, "down")]
    )
    assert broken(world) == {}
    assert balanced(count)
    assert 60 <= count["destroyed"] <= 80
    # the reading of the wake in which it was found may be held; those behind it are in the new ring
    assert (count["lost"], count["unstored"], count["held"] <= 1) == (0, 0, True)
    assert events.count('"event":"ring-made"') == 2
    assert count["stored"] - count["held"] == 289 - count["held"]


def test_a_ring_that_begins_anew_excuses_nothing_any_more():
    board = Board(fault("card-unit-gone", 1))
    board.sectors_gone = lambda _t_ms, destroy, _peek, _count: destroy() or True
    board.card.write(70, of(1))
    board.now_ms = 1000
    for _ in range(3):
        board.card.names()
    failed = board.failed
    assert failed >= 3
    board.card.write(0, of(2))
    board.card.names()
    assert board.failed == failed


def test_in_a_large_ring_a_unit_takes_hardly_anything():
    """What waits is in both halves but for the newest reading of one."""
    large = [("size_mib = 64", "size_mib = 32", ("card", "size_mib", 32))]
    taken = []
    for hour in range(24, 34):
        world, count, _ = lived(
            2, [fault("card-unit-gone", hour * 3600)], large, broker_windows=[(0.5 * DAY_S, 1.8 * DAY_S, "down")]
        )
        assert broken(world) == {}
        assert balanced(count)
        assert count["lost"] == 0
        taken.append(count["destroyed"])
    assert max(taken) <= 1


def test_a_reading_that_is_elsewhere_is_never_called_destroyed():
    """Taken off the card by hand, without the fault, the same readings are lost."""
    quiet = [replace(network, windows=[(0, 9 * DAY_S, "absent")]) for network in BASE.networks]
    world, _, _ = lived(1, [fault("card-torn", 9 * DAY_S)], networks=quiet)
    card = world.nodes[0].card
    card.forget(range(card.sectors))
    judge = world.judges[MAST.name]
    count = judge.finish(DAY_S * 1000, card.peek, card.sectors, None)
    assert (count["lost"], count["destroyed"]) == (145, 0)


def test_every_name_was_tried_here():
    text = Path(__file__).read_text()
    assert [name for name in CARD if name != "card-removed" and f'"{name}"' not in text] == []
