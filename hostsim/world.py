"""The world: all nodes, one air, one broker, one time. Law: all that happens follows from the scenario and the seed.

A heap orders the wakes by (time, node); a wake runs to its end before the next begins. Outages are functions of
time.
"""

import heapq
from collections.abc import Callable

from hostsim import card_faults
from hostsim.asker import Asker
from hostsim.broker import Broker
from hostsim.card import Card
from hostsim.cell import Cell
from hostsim.enclosure import Enclosure
from hostsim.events import Events
from hostsim.faults import Faults, drawn
from hostsim.invariants import Invariants
from hostsim.judge import Judge
from hostsim.node import Climate, Node
from hostsim.radio import Air
from hostsim.scenario import NodePlan, Scenario
from hostsim.tally import Tally, bin_s_for
from hostsim.timeline import Timeline
from hostsim.timeserver import BEHAVIOURS

PROGRESS_WAKES = 500
# a slot that falls on the very end is lived through
LAST_SLOT_MS = 60_000
# a node believes a time server's answer that took no longer than this, with a margin (docs/design.md, "Time")
ANSWER_MS_MAX = 390
# a time server that has been good for this long was good when this wake asked it
ASKING_S = 190.0
TIME_SERVERS = ["pool.ntp.org"]  # what settings mean that name none (docs/settings.md)
WRITE_OFF_MV = 3200  # the same for [battery] write_off_mv


class World:
    """A scenario, brought to life. wake(node, world, judge) runs one wake of a node and its sleep.

    After `run`: `nodes`, `judges`, `tallies` (by node name) and `invariants` have what happened.
    """

    def __init__(
        self,
        scenario: Scenario,
        events: Events,
        replay: str,
        wake: Callable,
        desk=None,
    ):
        """desk: the other side of a real broker (runtimes/sockets.py); None: the broker is simulated."""
        self.scenario = scenario = drawn(scenario)
        self.events = events
        self.start_epoch_s = scenario.start_epoch_s
        self.end_ms = int(scenario.days * 86_400_000)
        self.bin_s = bin_s_for(scenario.days)
        self.bins = max(1, -(-self.end_ms // (self.bin_s * 1000)))
        self.replay = replay
        self.invariants = Invariants(replay, self.moment)
        self.air = Air(scenario.networks)
        self.broker_host = scenario.nodes[0].settings.get("broker", {}).get("host", "")
        self.time_behaviour = _behaviour(scenario)
        self.time_hosts = _time_hosts(scenario)
        self._wake = wake
        self.desk = desk
        self.nodes: list[Node] = []
        self.judges: dict[str, Judge] = {}
        self.tallies: dict[str, Tally] = {}
        self._write_off_mv: dict[str, int] = {}
        for plan in scenario.nodes:
            self._settle(plan)
        self._running: Node = self.nodes[0]
        self.broker = Broker(scenario.broker_windows, self._published)
        self._asker = None
        if any(kind == "killed" for _, _, kind in scenario.broker_windows):
            self._asker = Asker(self.broker.keep)
            self.broker.on_forgotten, self.broker.on_restart = self._forgotten, self._asker.tell_again

    def _settle(self, plan: NodePlan) -> None:
        tally = Tally(self.bins, self.bin_s)
        judge = Judge(plan.name, plan.settings, self.start_epoch_s, self.invariants, tally)
        befalls = [fault for fault in self.scenario.faults if fault.node == plan.name]
        card = Card([(fault.from_s, fault.to_s, "absent") for fault in befalls if fault.name == "card-removed"])
        climate = Climate(self.scenario.weather, self.scenario.weather_start_s, Enclosure(plan.enclosure), plan.light)
        node = Node(
            plan.name,
            plan.settings_toml,
            plan.settings,
            plan.board,
            Cell(**plan.cell),
            card,
            climate,
            self.scenario.seed,
            Faults(befalls),
        )
        judge.arrivals.device = node.eui.hex()
        judge.arrivals.prompt = self.desk is None

        def wrote(sector: int, data) -> None:
            judge.sector_written(node.now_ms, sector, data, card.sectors)

        card.wrote = wrote
        card_faults.befall(node, judge)
        write_off_mv = _table(plan.settings, "battery").get("write_off_mv", WRITE_OFF_MV)
        self._write_off_mv[plan.name] = write_off_mv if isinstance(write_off_mv, int) else WRITE_OFF_MV
        self.nodes.append(node)
        self.judges[plan.name] = judge
        self.tallies[plan.name] = tally

    def moment(self, t_ms: int) -> str:
        """A moment in words."""
        return f"day {t_ms // 86_400_000}, {t_ms // 3_600_000 % 24:02d}:{t_ms // 60_000 % 60:02d} after the start"

    def open_broker(self, node: Node, rtt_ms: int):
        """A stream to the broker at this moment, None when the connection is refused."""
        if self.desk is not None:
            return self.desk.connect(self, node, rtt_ms)
        return self.broker.connect(node.now_ms / 1000.0)

    def _published(self, client_id, topic: str, payload: bytes, now_s, dup: bool, retain: bool) -> None:
        self.arrived(topic, payload, self._running, self._time_offered)
        if self._asker is not None:
            self._asker.arrived(self._running.name, payload)

    def _forgotten(self, client_id, topic: str, payload: bytes, now_s, dup: bool, retain: bool) -> None:
        self.arrived(topic, payload, self._running, self._time_offered, True)

    def _time_offered(self) -> bool:
        """True when the node that is running could have had network time in this wake."""
        node = self._running
        now_s = node.now_ms / 1000.0
        return (
            node.network is not None
            and not node.is_clock_away()
            and not node.is_clock_away(node.awake_from_ms)  # which a node that begins without it does not ask again
            and node.network.is_clear(now_s - ASKING_S, now_s)
            and node.link_rtt_ms <= ANSWER_MS_MAX
            and self.time_behaviour(now_s) == "good"
            and self.time_behaviour(now_s - ASKING_S) == "good"
        )

    def arrived(
        self,
        topic: str,
        payload: bytes,
        running: Node,
        time_offered: Callable[[], bool] | None = None,
        forgotten: bool = False,
    ) -> None:
        """A packet of the node `running` has reached the broker. forgotten: which will not pass it on."""
        name = running.name
        start, _, kind = topic.rpartition("/")
        if start != f"torpor/{name}":
            self.invariants.broken(2, name, running.now_ms, f"a packet with the topic {topic!r} arrived")
            return
        running.arrivals += 1
        self.judges[name].published(running.now_ms, kind, payload, time_offered, forgotten)

    def run(self, progress: Callable[[float, int], None] | None = None) -> None:
        """Live to the end of the scenario. progress(share done, wakes so far) is called now and then."""
        heap = [(0, index) for index in range(len(self.nodes))]
        wakes = 0
        while heap:
            t_ms, index = heapq.heappop(heap)
            node = self.nodes[index]
            self._one_wake(node)
            wakes += 1
            if progress is not None and wakes % PROGRESS_WAKES == 0:
                progress(min(1.0, t_ms / self.end_ms), wakes)
            if node.dead_since_ms is None and node.now_ms < self.end_ms + LAST_SLOT_MS:
                heapq.heappush(heap, (node.now_ms, index))
        if progress is not None:
            progress(1.0, wakes)

    def _one_wake(self, node: Node) -> None:
        judge, tally = self.judges[node.name], self.tallies[node.name]
        self._running = node
        node.arrivals = node.radio_uses = 0
        self._wake(node, self, judge)
        if node.dead_since_ms is not None:
            self.events.write(node.now_ms, node.name, "battery-empty", {})
            return
        if node.radio_uses:
            tally.tried += 1
            tally.accepted += node.arrivals > 0
        if node.weak_since_ms is None and node.battery_mv < self._write_off_mv[node.name]:
            node.weak_since_ms = node.awake_from_ms
        climate = node.climate
        tally.wake(
            node.awake_from_ms,
            climate.inside_degc,
            climate.humidity_percent,
            node.cell.state_of_charge,
            node.battery_mv,
        )

    def finish(self) -> dict[str, dict]:
        """Judge the end; the counts of readings by node."""
        counts = {}
        for node in self.nodes:
            excuse = "the battery is empty" if node.dead_since_ms is not None else None
            card = node.card
            counts[node.name] = self.judges[node.name].finish(self.end_ms, card.peek, card.sectors, excuse)
        return counts


def _behaviour(scenario: Scenario):
    kind_at = Timeline(scenario.time_windows, BEHAVIOURS).kind_at
    return lambda now_s: kind_at(now_s) or "good"


def _table(settings: dict, name: str) -> dict:
    value = settings.get(name)
    return value if isinstance(value, dict) else {}


def _time_hosts(scenario: Scenario) -> frozenset[str]:
    """The names under which a time server is to be found."""
    named = [_table(plan.settings, "time").get("servers", TIME_SERVERS) for plan in scenario.nodes]
    return frozenset(host for hosts in named if isinstance(hosts, list) for host in hosts if isinstance(host, str))
