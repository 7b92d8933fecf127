"""A storm from its seed. Law: same seed and days, same storm, whoever asks and whatever was asked before.

Random nodes in random places, and a random schedule of what goes wrong. docs/storms.md tells what it is made of.
"""

import datetime
from random import Random

from hostsim import storm_faults
from hostsim.storm_draw import DAY_S
from hostsim.storm_pieces import Storm, built
from hostsim.storm_settings import node_pieces

DAYS = 14.0
NAMES = ("alder", "birch", "cedar")
YEARS = (2027, 2044)


def storm(seed: int, days: float = DAYS) -> Storm:
    """The storm of a seed; `built` makes the scenario of it."""
    draw = Random(f"{seed}/storm")
    nodes = NAMES[: draw.choices((1, 2, 3), (70, 20, 10))[0]]
    start = datetime.date(draw.randint(*YEARS), 1, 1) + datetime.timedelta(draw.randrange(365))
    end_s = days * DAY_S
    gusts = storm_faults.gusts_s(draw, end_s)
    points = storm_faults.air(Random(f"{seed}/storm/air"), nodes)
    pieces: list = [*points, *storm_faults.outages(seed, points, end_s, gusts)]
    for node in nodes:
        pieces += node_pieces(Random(f"{seed}/storm/settings/{node}"), node)
        pieces += storm_faults.faults(seed, node, end_s, gusts)
    return Storm(seed, days, start, nodes, tuple(pieces))


def scenario(seed: int, days: float = DAYS):
    """hostsim.scenario.Scenario of a seed's storm."""
    return built(storm(seed, days))
