"""One contract, every port. Law: a check that one runtime passes and another does not is a defect of one of them."""

import io
import shutil
import sys
from pathlib import Path

import pytest

from hostsim import rehearse
from hostsim.events import Events
from hostsim.runtimes import fast
from hostsim.world import World

HERE = Path(__file__).parent
FIRMWARE = HERE.parents[1] / "firmware"
sys.path.insert(0, str(HERE))
import contract  # noqa: E402 - lies beside this file, and goes onto the boards as it is

# instead of main.py: the same ports, one check, and a line that says that it got to its end
MAIN = """
import sys
if sys.implementation.name == "circuitpython":
    from torpor.boards import circuitpython as port
else:
    from torpor.boards import micropython as port
import contract
ports = port.Ports()
contract.CHECKS["{name}"](ports)
ports.log.event("contract-kept")
"""
CHECKS = pytest.mark.parametrize("name", contract.CHECKS)


def world(wake):
    """A world of the bundled nodes, and the text of its events."""
    stream = io.StringIO()
    return World(rehearse.load(None, days=1), Events(stream), "", wake), stream


@CHECKS
def test_fast(name):
    yard, _ = world(fast.wake)
    node = yard.nodes[0]
    judge = yard.judges[node.name]
    node.begin_wake()
    judge.wake_began(node.now_ms, node.retained)
    contract.CHECKS[name](fast.Ports(node, yard, judge))


def board(folder, name):
    """The firmware as a board has it, with this check for its main program."""
    shutil.copytree(FIRMWARE, folder, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(HERE / "contract.py", folder)
    (folder / "main.py").write_text(MAIN.format(name=name))
    return folder


def kept(yard, stream):
    """What the board said in its only wake; fails where the check did not get to its end."""
    node = yard.nodes[0]
    yard._one_wake(node)
    assert "contract-kept" in stream.getvalue(), "".join(yard.events.traces) + stream.getvalue()


@CHECKS
def test_circuitpython(name, tmp_path, monkeypatch):
    from hostsim.runtimes import circuitpython

    root = board(tmp_path / "board", name)
    monkeypatch.setattr("hostsim.runtimes.circuitpython.chip.firmware", lambda: root)
    kept(*world(circuitpython.wake))
