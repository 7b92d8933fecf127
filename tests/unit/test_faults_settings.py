"""Faults of the settings file. Law: nothing in a file takes a node's last good settings away, or ends its life."""

import tomllib
from dataclasses import replace

import pytest
from test_world import DAY_S, MAST, broken, lived, scenario

from hostsim import settings_faults
from hostsim.fault_names_settings import SETTINGS
from hostsim.faults import Fault

UNUSABLE = sorted(SETTINGS.keys() - {"settings-astray"})


def with_fault(name, from_day, to_day, days=2, **more):
    fault = Fault(name, MAST.name, from_day * DAY_S, to_day * DAY_S)
    return lived(scenario(days, faults=[fault], **more))


@pytest.mark.parametrize("name", sorted(SETTINGS))
def test_the_node_goes_on_with_the_last_good_ones(name):
    world, counts, _ = with_fault(name, 0.5, 1.2)
    assert broken(world) == {}
    assert world.events.traces == []
    count = counts[MAST.name]
    assert (count["stored"], count["delivered"], count["lost"]) == (289, 289, 0)
    assert world.judges[MAST.name].slots.missed == 0
    assert world.nodes[0].faults.seen == {name: 1}


@pytest.mark.parametrize("name", UNUSABLE)
def test_it_says_so(name):
    world, _, _ = with_fault(name, 0.5, 3)
    health = world.broker.retained[f"torpor/{MAST.name}/health"]
    assert b'"settings":' in health
    assert b"settings.toml" in health or b"line" in health


@pytest.mark.parametrize("name", UNUSABLE)
def test_a_node_that_never_had_any_lives_and_begins_when_they_come(name):
    world, counts, _ = with_fault(name, 0, 0.7, days=1.5)
    assert broken(world) == {}
    assert world.events.traces == []
    count = counts[MAST.name]
    # an hourly sample of its battery until then
    assert count["lost"] == 0
    assert count["delivered"] > 0.75 * 144
    assert world.nodes[0].wakes > 100


@pytest.mark.parametrize("name", sorted(SETTINGS))
def test_without_room_to_remember_them_it_lives_too(name):
    """NVM too small for the settings: each bad file is the only one that there is."""
    small = replace(MAST, board=replace(MAST.board, nvm_slot_bytes=64))
    world, counts, _ = with_fault(name, 0.5, 0.8, days=1.5, node=small)
    assert broken(world) == {}
    assert world.events.traces == []
    assert counts[MAST.name]["lost"] == 0
    assert counts[MAST.name]["delivered"] > 100


def test_each_file_is_what_its_name_says():
    class Node:
        name = MAST.name
        settings_toml = MAST.settings_toml
        now_ms = 1000

    def found(name, from_s):
        node = Node()
        node.faults = lived_faults(name, from_s)
        return settings_faults.file_of(node)

    def lived_faults(name, from_s):
        from hostsim.faults import Faults

        return Faults([Fault(name, MAST.name, from_s, 10.0)])

    assert found("settings-missing", 0) is None
    for from_s in (0.0, 0.1, 0.25, 0.5, 0.75, 0.9):
        for name in ("settings-broken", "settings-cut"):
            with pytest.raises(tomllib.TOMLDecodeError):
                tomllib.loads(found(name, from_s).decode())
    assert tomllib.loads(found("settings-refused", 0).decode())["node"] == MAST.name
    astray = tomllib.loads(found("settings-astray", 0).decode())
    names = [network["ssid"] for network in astray["network"]]
    assert len(set(names)) == len(MAST.settings["network"])
    assert not set(names) & {network["ssid"] for network in MAST.settings["network"]}
