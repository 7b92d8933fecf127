"""What befalls the nodes of a storm, and the places around them. Law: every name that a scenario may use is drawn.

What must not come in a storm stands in NEVER with its reason, and nowhere else.
"""

from random import Random

from hostsim import broker, radio, timeserver
from hostsim.fault_names import FAULTS
from hostsim.faults import Fault
from hostsim.storm_draw import about, extra, times_s
from hostsim.storm_pieces import OFFICE, AccessPoint, Outage
from hostsim.storm_settings import OTHER_POINTS, first_network

NEVER: dict[str, str] = {}
# what is met only where there is no ring yet: of each node the first one of these holds from the beginning
FROM_THE_BEGINNING = ("card-full",)
# of all names each storm has some, so that rare companies come about too
SHARE_OF_NAMES = 0.35
SHARE_OF_PLACES = 0.6
PER_DAY = (0.04, 1.5)
LASTS_H = (0.02, 24.0)
# hours of trouble a day, at most: the node has to live in between
TROUBLE_H_A_DAY = 3.0
OUTAGES_PER_DAY = (0.05, 1.0)
OUTAGE_H = (0.05, 72.0)
OUTAGE_H_A_DAY = 6.0


def gusts_s(draw: Random, end_s: float) -> list[float]:
    """Moments around which trouble gathers."""
    return [draw.uniform(0.0, end_s) for _ in range(draw.randint(1, 4))]


def faults(seed: int, node: str, end_s: float, gusts) -> list[Fault]:
    """The faults of one node. Each name draws its own numbers: a new name changes nothing of the others."""
    found: list[Fault] = []
    for name, kind in FAULTS.items():
        draw = Random(f"{seed}/storm/fault/{node}/{name}")
        share, per_day, longest_h = draw.random(), about(draw, *PER_DAY), about(draw, 0.2, LASTS_H[1])
        if name in NEVER or share >= SHARE_OF_NAMES:
            continue
        lasts_h = None
        if kind.lasting:
            lasts_h = (LASTS_H[0], longest_h)
            per_day = min(per_day, TROUBLE_H_A_DAY / (longest_h / 3))
        times = times_s(draw, per_day, lasts_h, end_s, gusts)
        if times and name in FROM_THE_BEGINNING:
            times[0] = (0.0, times[0][1] - times[0][0])
        for from_s, to_s in times:
            extras = {key: extra(draw, of) for key, of in kind.extras.items()}
            found.append(Fault(name, node, from_s, to_s, extras))
    return found


def air(draw: Random, nodes: tuple[str, ...]) -> list[AccessPoint]:
    """The networks, of which not every one that the settings name need be there."""
    found = []
    for ssid, password in (first_network(draw), *OTHER_POINTS):
        if ssid != OFFICE[0] and draw.random() < 0.25:
            continue
        reach = frozenset(node for node in nodes if draw.random() < 0.8) or frozenset(nodes)
        presence = None
        if draw.random() < 0.15:
            from_hour = draw.randint(0, 20)
            days = frozenset(draw.sample(range(7), draw.randint(3, 7)))
            presence = (from_hour, draw.randint(from_hour + 1, 24), days)
        found.append(AccessPoint(ssid, password, draw.randint(-95, -40), int(about(draw, 5, 2500)), reach, presence))
    return found


def outages(seed: int, points: list[AccessPoint], end_s: float, gusts) -> list[Outage]:
    """Of each network, of the broker and of the time servers: of one place one at a time."""
    places = [(point.ssid, radio.KINDS) for point in points]
    places += [("", broker.KINDS), (None, [kind for kind in timeserver.BEHAVIOURS if kind != "good"])]
    found = []
    for place, kinds in places:
        draw = Random(f"{seed}/storm/outage/{place}")
        share, per_day, longest_h = draw.random(), about(draw, *OUTAGES_PER_DAY), about(draw, 1.0, OUTAGE_H[1])
        if share >= SHARE_OF_PLACES:
            continue
        per_day = min(per_day, OUTAGE_H_A_DAY / (longest_h / 3))
        for from_s, to_s in times_s(draw, per_day, (OUTAGE_H[0], longest_h), end_s, gusts):
            found.append(Outage(place, from_s, to_s, draw.choice(list(kinds))))
    return found
