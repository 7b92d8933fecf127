"""One contract, every port. Law: a check that one runtime passes and another does not is a defect of one of them."""

import sys
from pathlib import Path

import pytest

from hostsim import rehearse
from hostsim.events import Events
from hostsim.runtimes import fast
from hostsim.world import World

sys.path.insert(0, str(Path(__file__).parent))
import contract  # noqa: E402 - lies beside this file, and goes onto the boards as it is


def fresh():
    """(node, world, judge) of a bundled node at the beginning of its first wake."""
    world = World(rehearse.load(None, days=1), Events(None), "", lambda *_: None)
    node = world.nodes[0]
    node.begin_wake()
    judge = world.judges[node.name]
    judge.wake_began(node.now_ms, node.retained)
    return node, world, judge


@pytest.mark.parametrize("check", contract.CHECKS.values(), ids=contract.CHECKS)
def test_fast(check):
    check(fast.Ports(*fresh()))
