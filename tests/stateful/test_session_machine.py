"""Sessions on a whole board against a broker that knows what it answered.

Law: acked_to moves over what was answered and never over a gap; whatever was not accepted is sent again under its own
packet id and with DUP; a session ends within its deadline; nothing is sent that was not asked for.
"""

import json

from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule
from model_broker import ModelBroker, Plan
from session_ports import SETTINGS, Board, Peers, WatchdogReset, diary, run_until_quiet
from stateful_budget import budget

HAVE, REMOTE = b"torpor/north-stack/have", b"torpor/north-stack/settings"
SESSION_MS_MAX = 60_000
DAILY_MAX = 288
# junk that ends the stream, and junk that a node steps over
BREAKING = [b"\x00\x00", b"\x40\x02\x00\x00", b"\x20\x02\x00\x00", b"\x30\x80\x80\x80\x80\x01", b"HTTP/1.1 400"]
HARMLESS = [
    b"",
    b"\xd0\x00",
    b"\x30\x07\x00\x05other",
    b"\x30\xe2\x09\x00\x17torpor/north-stack/have" + b"[" * 1225,
    b"\x31\x9b\x9c\x01\x00\x17torpor/north-stack/have" + b"7" * 19970,
]

LOSE = st.sampled_from([1, 2, 3, 7])
ORDER = st.sampled_from(["as sent", "backwards", "odd first"])
STRAYS = st.lists(st.one_of(st.integers(1, 60), st.integers(1, 65535)), min_size=1, max_size=3).map(tuple)
JUNK = st.sampled_from(HARMLESS)
BREAK = st.sampled_from(BREAKING)
# mostly one trouble at a time, so that a history goes far
PLANS = st.one_of(
    st.builds(Plan),
    st.builds(Plan, lose=LOSE, order=ORDER),
    st.builds(Plan, order=ORDER, repeat=st.sampled_from([1, 3])),
    st.builds(Plan, strays=STRAYS, lose=LOSE),
    st.builds(Plan, junk=JUNK),
    st.builds(Plan, junk=BREAK),
    st.builds(Plan, mute=st.just(True)),
    st.builds(Plan, refuse=st.sampled_from([2, 5])),
    st.builds(Plan, ORDER, LOSE, st.sampled_from([1, 3]), STRAYS, JUNK | BREAK),
)
CUTS = st.one_of(
    st.fixed_dictionaries({"hear": st.integers(0, 3000)}), st.fixed_dictionaries({"say": st.integers(0, 120)})
)
PIECES = st.fixed_dictionaries(
    {
        "chunk": st.sampled_from([None, 1, 3]),
        "gulp": st.sampled_from([None, 1, 100]),
        "delay_ms": st.sampled_from([1, 20, 900, 4000, 9000]),
    }
)
LINES = st.one_of(st.just({}), CUTS, PIECES)
WAKES = st.sampled_from([1, 3, 7, 14])


class Watched(Board):
    """A board whose watchdog can bite at the nth call of a stream; `bites_in` counts down, 0: no more."""

    bites_in = 0

    def call(self, name, ms=0):
        if self.bites_in and name.startswith("stream.") and name != "stream.close":
            self.bites_in -= 1
            if not self.bites_in:
                raise WatchdogReset
        super().call(name, ms)


class SessionMachine(RuleBasedStateMachine):
    @initialize(seed=st.integers(0, 99))
    def deploy(self, seed):
        self.board = Watched(SETTINGS, seed=seed)
        self.broker = self.board.broker = ModelBroker(self.board)
        self.contents = {}
        self.sent = set()
        self.asked = (0, [])
        self.answered_id = 0
        self.remote_id = 0
        self.again_on = {}
        # no reading up to this one may be called new, and none after it a repetition
        self.maybe_sent_to = 0
        self.wake("power-on")

    def wake(self, cause="deep-sleep"):
        """One wake, judged by what passed between node and broker in it."""
        board, broker = self.board, self.broker
        before = diary(board)
        broker.connections.clear()
        board.peers.said.clear()
        # a broker that answers what is in flight and has not arrived lies, and no node can tell
        broker.truthful = (before.acked_to, before.head + 1)
        board.wake(cause)
        after = diary(board)
        acked_to = None if before.cold else before.acked_to
        if "ring-found" in board.events():
            # after a reset the card counts, which may have one reading more: all that it has may have been sent
            self.maybe_sent_to = max(self.maybe_sent_to, before.head + 1)
        for connection, said in zip(broker.connections, board.peers.said, strict=True):
            self.judge_connection(connection, before, acked_to, after.head)
            if acked_to is not None:
                breaks = connection.plan.junk in BREAKING
                numbers = connection.answered(len(said), breaks)
                while acked_to < after.head and 1 + (acked_to + 1) % 65535 in numbers:
                    acked_to += 1
        if acked_to is not None:
            assert after.acked_to == acked_to
        assert after.acked_to <= after.head
        if broker.connections:
            self.maybe_sent_to = max(self.maybe_sent_to, after.head)
        assert board.peers.left_open == 0

    def judge_connection(self, connection, before, acked_to, head):
        assert connection.closed_ms - connection.opened_ms <= SESSION_MS_MAX + 50
        fresh, again = [], []
        for reading in connection.readings:
            key = (reading.ring, reading.seq)
            assert 1 <= reading.seq <= head, "a reading that was never taken"
            assert reading.number == 1 + reading.seq % 65535
            assert self.contents.setdefault(key, reading.values) == reading.values
            if key in self.sent:
                assert reading.dup, "a repetition that does not say so"
            elif reading.seq > self.maybe_sent_to:
                assert not reading.dup, "a first time that calls itself a repetition"
            self.sent.add(key)
            waited = reading.seq not in fresh and (acked_to is None or reading.seq > acked_to)
            (fresh if waited else again).append(reading.seq)
        if acked_to is not None:
            assert fresh == list(range(acked_to + 1, acked_to + 1 + len(fresh))), "out of order, or with a gap"
            self.judge_again(again)
        if connection.health:
            said = connection.health[-1]
            assert said["acked_to"] == said["head"], "goodbye before everything was accepted"

    def judge_again(self, again):
        """What had been accepted is sent again for a new `have` only, once, in order, within the day's budget."""
        if not again:
            return
        number, intervals = self.asked
        assert number > self.answered_id, "asked for once, answered twice"
        self.answered_id = number
        wanted = [seq for first, last in sorted(intervals) for seq in range(first, last + 1)]
        assert set(again) <= set(wanted)
        day = self.board.true_s() // 86400
        self.again_on[day] = self.again_on.get(day, 0) + len(again)
        assert self.again_on[day] + self.again_on.get(day - 1, 0) <= 2 * DAILY_MAX

    @rule(plan=PLANS, lines=LINES, wakes=WAKES)
    def trouble(self, plan, lines, wakes):
        self.broker.plan, self.board.peers = plan, Peers(**lines)
        for _ in range(wakes):
            self.wake()

    @rule(wakes=st.integers(1, 40))
    def out_of_reach(self, wakes):
        airwaves, self.board.airwaves = self.board.airwaves, {}
        for _ in range(wakes):
            self.wake()
        self.board.airwaves = airwaves

    @rule(wakes=WAKES)
    def peace(self, wakes):
        self.broker.plan, self.board.peers = Plan(), Peers()
        for _ in range(wakes):
            self.wake()

    @rule(at=st.integers(0, 400))
    def watchdog_reset(self, at):
        """In the middle of anything."""
        self.board.fault = (at, WatchdogReset())
        self.wake_into_a_reset()
        self.board.fault = None

    @rule(at=st.integers(1, 12), wakes=st.integers(1, 40))
    def watchdog_reset_in_a_session(self, at, wakes):
        self.board.bites_in = at
        for _ in range(wakes):
            if self.wake_into_a_reset():
                break
        self.board.bites_in = 0

    def wake_into_a_reset(self):
        """True when it came. What was accepted since the diary was last saved may be forgotten."""
        board, broker = self.board, self.broker
        before = diary(board).acked_to
        broker.connections.clear()
        board.peers.said.clear()
        broker.truthful = (before, 2**32)
        bitten = False
        try:
            board.wake()
        except WatchdogReset:
            bitten = True
            board.fault = None
            board.peers.left_open = 0
        for connection in broker.connections:
            connection.closed_ms = connection.closed_ms or board.now_ms
            self.judge_connection(connection, diary(board), before, 2**32)
        assert diary(board).acked_to >= before
        self.maybe_sent_to = max(self.maybe_sent_to, diary(board).sent_to)
        if bitten:
            # an answer that was cut short may be begun again
            self.answered_id = min(self.answered_id, diary(board).have_id)
            self.wake("watchdog")
        return bitten

    @rule()
    def power_cut(self):
        # what was sent is not remembered: everything may have been
        self.maybe_sent_to = max(self.maybe_sent_to, 2**32)
        self.answered_id = 0
        self.board.lose_power()
        self.wake("power-on")
        self.maybe_sent_to = diary(self.board).head

    @rule(intervals=st.lists(st.tuples(st.integers(1, 80), st.integers(0, 30)), max_size=8), grow=st.booleans())
    def the_collector_asks(self, intervals, grow):
        number = self.asked[0] + (1 if grow else 0)
        if grow:
            self.asked = (number, [(first, first + more) for first, more in intervals])
        name = f"{diary(self.board).ring_id:08x}"
        asked = {"id": number, "ring": name, "last": 0, "missing": self.asked[1]}
        self.broker.retained[HAVE] = json.dumps(asked).encode()

    @rule(payload=st.one_of(st.binary(max_size=20), st.just(b"[" * 500), st.just(b'{"id":99,"missing":[[1,9]]}')))
    def nonsense_is_retained(self, payload):
        self.broker.retained[HAVE] = self.broker.retained[REMOTE] = payload

    @rule(sample_s=st.sampled_from([300, 600, 900, 5, 10**6]), key=st.sampled_from(["sample_every_s", "node"]))
    def the_desk_sets(self, sample_s, key):
        self.remote_id += 1
        self.broker.retained[REMOTE] = json.dumps({"id": self.remote_id, "set": {key: sample_s}}).encode()

    @invariant()
    def settings_stay_within_bounds(self):
        if hasattr(self, "board"):
            assert diary(self.board).remote_sample_s in (0, 300, 600, 900)

    def teardown(self):
        if not hasattr(self, "board"):
            return
        self.broker.plan, self.board.peers = Plan(), Peers()
        assert run_until_quiet(self.board, 150)
        name, head = f"{diary(self.board).ring_id:08x}", diary(self.board).head
        heard = {reading.seq for reading in self.broker.heard if reading.ring == name}
        assert heard == set(range(1, head + 1)), "accepted, and never heard"


SessionMachine.TestCase.settings = budget(250, 10)
TestSessions = SessionMachine.TestCase
