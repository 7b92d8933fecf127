"""One CircuitPython board of the bundled scenario on the bench: its settings changed, its ports called one by one."""

import shutil
import tomllib
from dataclasses import replace

from hostsim import rehearse
from hostsim.events import Events
from hostsim.runtimes import circuitpython
from hostsim.runtimes.circuitpython import chip as chips
from hostsim.runtimes.circuitpython.machine import Machine
from hostsim.scenario import DEFAULT
from hostsim.world import World

MAST = 2  # the node that has every network in reach


def edited(plan, *changes):
    """The plan with (old, new) texts replaced in its settings; each old one must be there."""
    text = plan.settings_toml.decode()
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    return replace(plan, settings_toml=text.encode(), settings=tomllib.loads(text))


class Bench:
    """A board that is awake. `ports` are those of the firmware; changes: as in edited()."""

    def __init__(self, *changes):
        found = rehearse.load(None, days=1)
        found = replace(found, nodes=[edited(found.nodes[MAST], *changes)])
        self.lines = []
        self.world = World(found, Events(None), "", circuitpython.wake)
        self.node = self.world.nodes[0]
        self.judge = self.world.judges[self.node.name]
        self.chip = circuitpython.chip_of(self.node)
        self.boot()

    def boot(self):
        """A new wake, without main.py: RAM is lost."""
        self.node.begin_wake()
        self.judge.wake_began(self.node.now_ms, self.node.retained)
        self.machine = Machine(self.node, self.world, self.judge, self.chip)
        self.importer = circuitpython.importer(self.machine, chips.firmware())

    def load(self, name):
        return self.importer.load(name)

    def ports(self):
        return self.load("torpor.boards.circuitpython").Ports()

    @property
    def errors(self):
        return self.load("torpor.errors")


def copied(folder, *changes):
    """A copy of the bundled scenario with (file, old, new) texts replaced."""
    shutil.copytree(DEFAULT.parent, folder)
    for name, old, new in changes:
        text = (folder / name).read_text()
        assert old in text, old
        (folder / name).write_text(text.replace(old, new))
    return folder


def rehearsed(folder, days, runtime="circuitpython", **more):
    """(the run, its results): nothing is written."""
    run = rehearse.Rehearsal(rehearse.load(folder, days=days), folder, runtime=runtime, **more)
    return run, run.run(None)


def broken(results):
    return [entry for entry in results["invariants"] if entry["state"] == "broken"]
