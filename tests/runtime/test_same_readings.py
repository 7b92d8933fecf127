"""One world, three runtimes. Law: the same parts in the same minutes give the same readings, value for value.

Voltages are left out: what a converter makes of them is each platform's own.
"""

import functools

import pytest
from on_card import on_card

from hostsim import rehearse
from hostsim.runtimes import RuntimeAbsent

DAYS = 0.5
COMPARED = ("temperature", "relative-humidity", "lux")


@functools.cache
def lived(runtime):
    run = rehearse.Rehearsal(rehearse.load(None, days=DAYS), None, runtime=runtime)
    try:
        return run, run.run(None)
    except RuntimeAbsent as absent:
        pytest.skip(str(absent))


def readings(runtime):
    """{(node, seq): {name: value}} of what was stored."""
    run, _ = lived(runtime)
    return {
        (node.name, seq): {name: values.get(name) for name in COMPARED}
        for node in run.world.nodes
        for seq, values in on_card(node)[1].items()
    }


@pytest.mark.parametrize("runtime", rehearse.RUNTIMES)
def test_nothing_is_lost_and_every_promise_is_held(runtime):
    run, results = lived(runtime)
    assert run.traces == []
    assert [entry["id"] for entry in results["invariants"] if entry["state"] != "held"] == [6]
    for node in results["nodes"]:
        assert node["readings"]["stored"] == node["due"] == 144 * DAYS + 1
        assert node["readings"]["lost"] == node["missed"] == node["readings"]["unstored"] == 0
        assert node["readings"]["delivered"] + node["readings"]["waiting"] == node["readings"]["stored"]
        assert results["runtime"] == runtime


@pytest.mark.parametrize("runtime", [name for name in rehearse.RUNTIMES if name != "fast"])
def test_the_readings_are_those_of_the_fast_runtime(runtime):
    expected, got = readings("fast"), readings(runtime)
    assert set(got) == set(expected)
    assert all(None not in values.values() for values in expected.values())
    assert got == expected


def test_other_parts_give_other_readings():
    """The comparison can fail: the three nodes do not read the same."""
    by_node = {}
    for (node, seq), values in readings("fast").items():
        by_node.setdefault(node, {})[seq] = values["temperature"]
    one, two, three = by_node.values()
    assert one != two != three
