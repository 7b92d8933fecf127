"""How long a battery lasts, from a board's profile. Law: the figure comes from the node itself, which lives through
some quiet days in the simulator, so that it is what a rehearsal without outages would say.

Quiet: one network that is always there, a broker that answers, 20 degC. Nothing of a secret goes in.
"""

import json
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from deploy.batch_text import toml_text
from hostsim import enclosure
from hostsim.board import Board
from hostsim.cell import life_h, self_discharge_ma, usable_fraction
from hostsim.events import Events
from hostsim.radio import Network
from hostsim.scenario import Scenario
from hostsim.scenario_node import CELL_NUMBERS, NodePlan
from hostsim.scenario_notes import SENSED
from hostsim.world import World

START_EPOCH_S = 1798761600  # 2027-01-01: a time that a node believes
SELF_DISCHARGE_PERCENT_PER_MONTH = CELL_NUMBERS["self_discharge_percent_per_month"][2]
FROST_DEGC = -10.0
# a session's length is partly chance: so many make a mean that is good to a per cent or two
SESSIONS = 50
WAKES_MAX = 3000  # below a second of work
# a node that seldom sends is simulated with shorter periods: two of them are lived through whatever it takes
PERIOD_WAKES_MAX = 5000
SOUND_MS = 1125  # what a level takes (docs/sensors.md); no simulated board has a microphone
SERVICE_MS = 120_000  # the first wake waits for a person; it is not counted


@dataclass(frozen=True)
class Draw:
    """Mean current of a node, uA: by its profile, and with every current at the low or high end of its spread.

    share: part of the charge by state, most first. cycle_ms_max: the longest wake; radio_ms_max: the longest that the
    radio was on in it.
    """

    mean_ua: float
    low_ua: float
    high_ua: float
    share: tuple[tuple[str, float], ...]
    cycle_ms_max: int
    radio_ms_max: int


def draw(complete: dict, board: Board) -> Draw:
    """The current that these complete settings draw on this board."""
    return _draw(json.dumps(_alike(complete)), _Profile(board))


def life_days(capacity_mah: float, mean_ua: float, t_degc: float = 20.0, percent_per_month: float | None = None):
    """Days that a full cell lasts: what can be drawn at t_degc, over mean current and self-discharge."""
    percent = SELF_DISCHARGE_PERCENT_PER_MONTH if percent_per_month is None else percent_per_month
    lost_ma = self_discharge_ma(capacity_mah, percent)
    return life_h(capacity_mah * usable_fraction(t_degc), mean_ua / 1000.0, lost_ma) / 24.0


class _Profile:
    """A board that can be looked up by what is in it."""

    def __init__(self, board: Board):
        self.board = board
        self._key = repr(board)

    def __eq__(self, other):
        return self._key == other._key

    def __hash__(self):
        return hash(self._key)


class _Still:
    """Weather of 20 degC, 50 % and no wind to speak of, for ever."""

    utc_offset_s = 0

    def at(self, seconds_since_start):
        return 20.0, 50.0, 0.0, 0.0, 2.0, 1013.25


def _alike(complete: dict) -> dict:
    """The settings without what differs between boards that draw the same, and without any secret."""
    settings = {key: value for key, value in complete.items() if value not in ([], {})}
    settings["node"] = "node"
    settings["broker"] = {**complete["broker"], "host": "broker", "username": "", "password": "", "client_id": ""}
    first = complete["network"][0]
    settings["network"] = [{**first, "ssid": "network", "password": ""}]
    return settings


@lru_cache(maxsize=256)
def _draw(written: str, profile: _Profile) -> Draw:
    settings, board = json.loads(written), profile.board
    sample_s, wanted_s = settings["sample_every_s"], settings["transmit_every_s"]
    period_s = min(wanted_s, PERIOD_WAKES_MAX * sample_s)
    settings["transmit_every_s"] = period_s
    window_s = max(2 * period_s, min(SESSIONS * period_s, WAKES_MAX * sample_s))
    seen: list[tuple[int, list[int]]] = []
    longest_ms = _live(settings, board, SERVICE_MS / 1000 + period_s + window_s, seen)
    first = next(i for i, (now_ms, _) in enumerate(seen) if now_ms >= SERVICE_MS + period_s * 1000)
    ms = [after - before for before, after in zip(seen[first][1], seen[-1][1], strict=True)]
    wakes = len(seen) - 1 - first
    _add_sensing(dict(zip(board.states, range(len(ms)), strict=True)), ms, wakes * _unsimulated_ms(settings, board))
    total_ms = sum(ms)
    charge = {name: state.current_ua * part for (name, state), part in zip(board.states.items(), ms, strict=True)}
    spread = sum(charge[name] * state.spread for name, state in board.states.items()) / total_ms
    mean_ua = sum(charge.values()) / total_ms
    share = sorted(((name, part / total_ms / mean_ua) for name, part in charge.items()), key=lambda one: -one[1])
    # what a longer period gathers takes longer to send
    longest_ms = [ms * wanted_s // period_s for ms in longest_ms]
    return Draw(mean_ua, mean_ua - spread, mean_ua + spread, tuple(share), *longest_ms)


def _live(settings: dict, board: Board, seconds: float, seen: list) -> list[int]:
    """Live through a quiet time; (now_ms, ms by state) after each wake goes into `seen`.

    Returns the longest time awake and the longest with the radio on, ms; the first wake waits for a person and is
    left out.
    """
    from hostsim.runtimes import fast

    longest_ms = [0, 0]

    def wake(node, world, judge) -> None:
        before = node.meter.spent_ms.copy()
        fast.wake(node, world, judge)
        spent_ms = {name: ms - before[name] for name, ms in node.meter.spent_ms.items()}
        if seen:
            longest_ms[0] = max(longest_ms[0], sum(spent_ms.values()) - spent_ms["asleep"])
            longest_ms[1] = max(longest_ms[1], spent_ms["joining"] + spent_ms["online"])
        seen.append((node.now_ms, node.meter.ms))

    World(_quiet(settings, board, seconds), Events(None), "", wake).run()
    return longest_ms


def _quiet(settings: dict, board: Board, seconds: float) -> Scenario:
    cell = {"capacity_mah": 1e6, "self_discharge_percent_per_month": 0.01, "internal_resistance_ohm": 0.0}
    housing = {"preset": "shield", **enclosure.PRESETS["shield"], "shade": 1.0}
    plan = NodePlan("node", toml_text(settings).encode(), settings, board, cell, housing, 0.0)
    network = Network("network", "", -67, frozenset(("node",)))
    days = seconds / 86400
    return Scenario(Path(), "quiet", START_EPOCH_S, days, 1, _Still(), 0, [plan], [network], [], [], {})


def _unsimulated_ms(settings: dict, board: Board) -> int:
    """What a reading takes besides, for properties and microphones that the simulator does not have."""
    strange = [name for sensor in settings.get("sensor", []) for name in sensor["read"] if name not in SENSED]
    return len(strange) * board.durations["sensor_read"] + len(settings.get("sound", [])) * SOUND_MS


def _add_sensing(place: dict[str, int], ms: list[int], more_ms: int) -> None:
    """Time that the node would have spent in sensing is taken from its sleep."""
    more_ms = min(more_ms, ms[place["asleep"]])
    ms[place["sensing"]] += more_ms
    ms[place["asleep"]] -= more_ms
