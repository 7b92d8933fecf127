"""Troubles of networks and broker on the board ports. Law: they are met as on the fast runtime; nothing is lost."""

import importlib
from dataclasses import replace

import pytest
from test_world import BASE, MAST, broken, lived, plan, scenario

from hostsim import diary_format, rehearse
from hostsim.runtimes import RuntimeAbsent

HOUR_S = 3600
WINDOW = (1.2 * HOUR_S, 3.4 * HOUR_S)
# without TLS: what a stranger says reaches the session itself
PLAIN = plan([("tls = true", "tls = false")])
PORTS = [name for name in rehearse.RUNTIMES if name != "fast"]


def rehearsed(runtime, node, **more):
    wake = importlib.import_module(f"hostsim.runtimes.{runtime}").wake
    try:
        world, counts, _ = lived(scenario(5 / 24, node, **more), wake)
    except RuntimeAbsent as absent:
        pytest.skip(str(absent))
    assert not world.events.traces
    assert broken(world) == {}
    count = counts["yard-mast"]
    assert count["stored"] == 31
    assert count["delivered"] + count["waiting"] == 31
    return count, diary_format.faults(world.nodes[0].retained)


@pytest.mark.parametrize("runtime", PORTS)
@pytest.mark.parametrize(("kind", "node"), [("captive", PLAIN), ("captive", MAST), ("slow", MAST)])
def test_a_network_in_trouble(kind, node, runtime):
    networks = [replace(found, presence=None, windows=[(*WINDOW, kind)]) for found in BASE.networks]
    _, counted = rehearsed(runtime, node, networks=networks)
    if kind == "captive":
        assert counted["tls" if node is MAST else "broker"] > 0


@pytest.mark.parametrize("runtime", PORTS)
@pytest.mark.parametrize(
    ("kind", "node"),
    [("floods", PLAIN), ("drips", PLAIN), ("spoofs", PLAIN), ("killed", MAST), ("tls-wrong-ca", MAST)],
)
def test_a_broker_in_trouble(kind, node, runtime):
    count, counted = rehearsed(runtime, node, broker_windows=[(*WINDOW, kind)])
    if kind == "tls-wrong-ca":
        assert counted["tls"] > 0
    elif kind == "spoofs":
        assert 0 < count["duplicates"] <= 288
    elif kind != "killed":
        assert counted["broker"] > 0
