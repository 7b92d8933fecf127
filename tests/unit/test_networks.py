"""Law: every network in the settings is reached, the best guess first, and a hung one is not tried again at once."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from torpor import networks


def network(ssid, password="twelve-planks-high"):
    return {"ssid": ssid, "password": password}


def told(names, last_good_first=True):
    return {"network": [network(name) for name in names], "radio": {"last_good_first": last_good_first}}


class Diary:
    def __init__(self, last=0, channel=0):
        self.network = last
        self.channel = channel


def ssids(found):
    return [(network["ssid"], hinted) for _, network, hinted in found]


def test_the_order_of_the_settings():
    found = networks.order(told("abc"), None, Diary(), 0)
    assert ssids(found) == [("a", False), ("b", False), ("c", False)]
    assert [index for index, _, _ in found] == [0, 1, 2]


def test_the_last_good_one_first_with_its_hint_and_then_without():
    found = networks.order(told("abc"), None, Diary(2, 11), 0)
    assert ssids(found) == [("b", True), ("b", False), ("a", False), ("c", False)]


def test_the_users_order_when_the_settings_say_so():
    found = networks.order(told("abc", False), None, Diary(2, 11), 0)
    assert ssids(found) == [("a", False), ("b", True), ("b", False), ("c", False)]


def test_no_hint_without_a_channel():
    assert ssids(networks.order(told("ab"), None, Diary(2), 0)) == [("b", False), ("a", False)]


@pytest.mark.parametrize("failures", [0, 1, 2])
def test_the_last_good_settings_wait_for_three_failures(failures):
    assert len(networks.order(told("ab"), told("xy"), Diary(), failures)) == 2


@pytest.mark.parametrize("failures", [3, 4, 255])
def test_then_their_networks_follow_under_indexes_of_their_own(failures):
    found = networks.order(told("ab"), told("xy"), Diary(), failures)
    assert [(index, network["ssid"]) for index, network, _ in found] == [(0, "a"), (1, "b"), (2, "x"), (3, "y")]


def test_one_that_is_in_both_is_tried_once_and_the_indexes_stay():
    found = networks.order(told("ab"), told("bz"), Diary(), 3)
    assert [(index, network["ssid"]) for index, network, _ in found] == [(0, "a"), (1, "b"), (3, "z")]


def test_the_same_name_with_another_password_is_another_network():
    previous = told("a")
    previous["network"][0]["password"] = "slow-and-even-heat"
    assert len(networks.order(told("a"), previous, Diary(), 3)) == 2


def test_a_network_of_the_last_good_settings_that_works_is_not_waited_for_again():
    # a success clears the failures
    found = networks.order(told("ab"), told("xy"), Diary(4, 6), 0)
    assert ssids(found) == [("y", True), ("y", False), ("a", False), ("b", False), ("x", False)]


@pytest.mark.parametrize("last", [3, 7, 255])
def test_an_index_that_no_list_has_any_more_does_no_harm(last):
    assert ssids(networks.order(told("ab"), None, Diary(last, 6), 0)) == [("a", False), ("b", False)]


def test_no_networks_at_all():
    assert networks.order(told(""), None, Diary(1, 6), 9) == []


@given(
    st.integers(0, 8),
    st.one_of(st.none(), st.integers(0, 8)),
    st.integers(0, 20),
    st.integers(0, 14),
    st.integers(0, 255),
    st.booleans(),
)
def test_every_network_is_reached_and_each_at_most_twice(count, previous, last, channel, failures, first):
    names = [f"yard-{index}" for index in range(count)]
    before = None if previous is None else told([f"kiln-{index}" for index in range(previous)])
    found = networks.order(told(names, first), before, Diary(last, channel), failures)
    plain = [network["ssid"] for _, network, hinted in found if not hinted]
    assert sorted(plain[:]) == sorted(set(plain))
    assert set(names) <= set(plain)
    for position, (index, _, hinted) in enumerate(found):
        assert index < 255
        if hinted:
            assert found[position + 1][0] == index
            assert not found[position + 1][2]


def test_after_a_hung_network_comes_the_next_one():
    found = networks.order(told("abc"), None, Diary(2, 11), 0)
    # b hung, with its hint or without
    assert ssids(networks.after(found, 2)) == [("a", False), ("c", False)]
    assert ssids(networks.after(found, 1)) == [("c", False)]
    assert networks.after(found, 3) == []
    assert networks.after(found, 0) == found
    assert networks.after(found, 9) == found
    assert networks.after([], 1) == []


@given(st.integers(1, 8), st.integers(0, 8))
def test_if_each_one_hangs_the_list_comes_to_an_end(count, last):
    found = networks.order(told([str(index) for index in range(count)]), None, Diary(last, 1), 0)
    hung = []
    while found:
        hung.append(found[0][0])
        found = networks.after(found, found[0][0] + 1)
        assert len(hung) <= count
    assert sorted(hung) == list(range(count))
