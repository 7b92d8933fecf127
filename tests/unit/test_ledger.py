"""One ring's books. Law: one (ring, seq) has one content, and is counted once."""

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hostsim.ledger import NOT_SURE, Ledger


def record(time_s=100, uncertainty_s=3, mark=0):
    return struct.pack("<IHHBBHiH", time_s, uncertainty_s, 1, 0, 0, 0, mark, 0)


def ledger(capacity=4, **more):
    return Ledger(7, capacity, 18, **more)


def land(book, *seqs, acked_to=0):
    return sum(book.land(seq, record(mark=seq), 1000 * seq, NOT_SURE, acked_to) for seq in seqs)


def accounted(book):
    rest = len(list(book.undelivered()))
    return book.delivered + book.overwritten + book.lost_unseen + book.dropped + rest


def test_what_landed_is_there_until_another_takes_its_place():
    book = ledger()
    land(book, 1, 2, 3, 4)
    assert [book.has(seq) for seq in range(6)] == [False, True, True, True, True, False]
    assert book.record(2, 18) == record(mark=2)
    assert land(book, 5) == 1
    assert not book.has(1)
    assert list(book.undelivered()) == [2, 3, 4, 5]
    assert list(book.undelivered(4)) == [4, 5]
    assert book.overwritten == 1


def test_a_skipped_number_never_landed_and_hides_nothing_of_an_older_lap():
    book = ledger()
    land(book, 1, 2, 3, 4, 7)
    assert [book.has(seq) for seq in (4, 5, 6, 7)] == [True, False, False, True]
    assert book.overwritten == 3
    assert accounted(book) == book.stored == 5


def test_a_leap_over_the_whole_ring_leaves_nothing():
    book = ledger()
    land(book, 1, 2, 1000)
    assert list(book.undelivered()) == [1000]
    assert book.overwritten == 2


@pytest.mark.parametrize(("acked_to", "overwritten", "lost"), [(0, 1, 0), (1, 0, 1), (4, 0, 1)])
def test_what_is_pushed_out_is_lost_when_it_counted_as_accepted(acked_to, overwritten, lost):
    book = ledger()
    land(book, 1, 2, 3, 4)
    land(book, 5, acked_to=acked_to)
    assert (book.overwritten, book.lost_unseen) == (overwritten, lost)
    assert book.replaced_waiting == overwritten


def test_what_was_delivered_and_not_accepted_is_replaced_and_not_lost():
    book = ledger()
    land(book, 1, 2, 3, 4)
    assert book.deliver(1)
    assert land(book, 5) == 0
    assert (book.overwritten, book.lost_unseen, book.replaced_waiting) == (0, 0, 1)


def test_a_delivery_counts_once():
    book = ledger()
    land(book, 1)
    assert book.deliver(1)
    assert not book.deliver(1)
    assert (book.delivered, book.duplicates) == (1, 1)


def test_a_dropped_reading_is_no_undelivered_one_and_late_news_takes_it_back():
    book = ledger(volatile=True)
    land(book, 1, 2)
    book.drop(1)
    assert list(book.undelivered()) == [2]
    assert book.deliver(1)
    assert (book.dropped, book.delivered) == (0, 1)
    assert accounted(book) == 2


def test_a_dropped_reading_is_not_overwritten_as_well():
    book = ledger(volatile=True)
    land(book, 1, 2, 3, 4)
    book.drop(1)
    assert land(book, 5) == 0
    assert (book.dropped, book.overwritten, book.replaced_waiting) == (1, 0, 0)
    assert accounted(book) == 5


def test_the_accepted_prefix_is_checked_once_and_to_the_end():
    book = ledger(8)
    land(book, 1, 2, 3, 5)
    book.deliver(1)
    assert book.wrongly_accepted(0) is None
    assert book.wrongly_accepted(1) is None
    assert book.wrongly_accepted(2) == 2
    book.deliver(2)
    book.deliver(3)
    assert book.wrongly_accepted(4) is None
    assert book.wrongly_accepted(5) == 5
    book.deliver(5)
    assert book.wrongly_accepted(5) is None
    assert book.wrongly_accepted(6) == 6


def test_what_left_the_ring_is_not_asked_for():
    book = ledger()
    land(book, *range(1, 11))
    for seq in (7, 8):
        book.deliver(seq)
    assert book.wrongly_accepted(8) is None


@pytest.mark.parametrize(("uncertainty_s", "stated"), [(3, (100, 3)), (65535, (-1, -1))])
def test_a_known_time_is_stated_by_being_stored(uncertainty_s, stated):
    book = ledger()
    book.land(1, record(100, uncertainty_s), 0, NOT_SURE, 0)
    assert (book.stated_s[1], book.stated_uncertainty_s[1]) == stated


@given(st.lists(st.tuples(st.sampled_from(["land", "deliver", "skip"]), st.integers(1, 9)), max_size=60))
def test_every_reading_has_one_end(steps):
    book = ledger(5)
    for what, number in steps:
        if what == "land":
            land(book, book.newest + 1, acked_to=number)
        elif what == "skip":
            land(book, book.newest + number)
        elif book.has(book.newest - number % 5):
            book.deliver(book.newest - number % 5)
    assert accounted(book) == book.stored
