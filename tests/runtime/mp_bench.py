"""One MicroPython board of the bundled scenario on the bench: its settings changed, its main program the test's."""

import io
import json
import tomllib
from dataclasses import replace

import pytest

from hostsim import rehearse
from hostsim.events import Events
from hostsim.runtimes import RuntimeAbsent, micropython
from hostsim.runtimes.micropython.machine import Machine
from hostsim.world import World

MAST = 2  # the node that has every network in reach
PORTS = """
from torpor.boards import micropython as port
from torpor.errors import CardError, LinkError
NET = {"ssid": "yard-office", "password": "twelve-planks-high", "address": "", "gateway": ""}
NET.update({"netmask": "", "dns": ""})
ports = port.Ports()
"""


class Bench:
    """A board; changes: (old, new) texts in its settings, each of which must be there; index: which node's."""

    def __init__(self, *changes, index=MAST):
        found = rehearse.load(None, days=1)
        plan = found.nodes[index]
        text = plan.settings_toml.decode()
        for old, new in changes:
            assert old in text, old
            text = text.replace(old, new)
        plan = replace(plan, settings_toml=text.encode(), settings=tomllib.loads(text))
        self._stream = io.StringIO()
        self.world = World(replace(found, nodes=[plan]), Events(self._stream), "", micropython.wake)
        self.node = self.world.nodes[0]
        self.judge = self.world.judges[self.node.name]
        # what a test does with the radio is no wake of a node's
        self.judge.radio_on = lambda t_ms: None
        try:
            self.chip = micropython.chip_of(self.node, self.judge)
        except RuntimeAbsent as absent:
            pytest.skip(str(absent))

    def put(self, path, data):
        """A file of the test's own in the flash; the one that is there may be shared with other boards."""
        target = self.chip.flash / path.lstrip("/")
        target.unlink(missing_ok=True)
        target.write_text(data)

    def run(self, text, ports=True):
        """What the wake ended in, and the events of this wake as {name: fields of the last one}.

        ports: of the port are made first. `machine`, `board` and `after` are those of this wake.
        """
        self.put("main.py", (PORTS if ports else "") + text)
        return self.wake()

    def wake(self):
        self.node.begin_wake()
        self.judge.wake_began(self.node.now_ms, self.node.retained)
        self.node.radio_state = None
        self.machine = Machine(self.node, self.world, self.judge, self.chip)
        begun = self._stream.tell()
        self.world.events.traces.clear()
        self.board = micropython.Board(self.machine)
        end, self.after = self.board.live()
        self.judge.wake_ended(self.node.now_ms, end, self.node.battery_mv)
        self._stream.seek(begun)
        return end, {entry["event"]: entry for entry in map(json.loads, self._stream.read().splitlines())}

    def said(self, text, ports=True):
        """The events of a program that came to its end, which it says itself."""
        end, events = self.run(text + "\nports.log.event('to-the-end')\n", ports)
        assert "to-the-end" in events, (end, self.world.events.traces)
        return events
