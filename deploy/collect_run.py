"""The collector at work. Law: a message is acknowledged after its batch is committed; every way out keeps that.

A collector that is killed, and a broker or a database that goes away, end a session and nothing else: what was not
acknowledged comes again, and what a broker lost the store sees as a gap and asks the node for (`have`).
"""

import signal
import time
from collections import deque

from deploy.collect_batch import without_collections
from deploy.collect_beside import Beside
from deploy.collect_session import Account, BrokerAway, Session
from deploy.collect_show import Show
from deploy.collect_tell import Teller
from deploy.store import StoreAway

BACKOFF_S = (0.2, 0.5, 1.0, 2.0, 5.0, 10.0)
TURN_S = 0.25
# with --until-idle: how long the broker or the database may be away
AWAY_S_MAX = 60.0
# batches that are gathered while an older one is being stored
AHEAD = 2
# how long to listen to the broker alone while a batch is being stored
LISTEN_S = 0.005


def collect_into(store: str, engine, account: Account, show: Show, until_idle: float | None) -> None:
    """Session after session, until the end is asked for or nothing has come for `until_idle` seconds.

    engine: of the store, to read from. Raises BrokerAway and StoreAway when they were not there from the beginning,
    StoreError when the store is spoilt.
    """
    stop = Stop()
    idle = Idle(until_idle)
    turn = without_collections()
    beside = Beside(store)
    failures = 0
    reached = False
    try:
        while not stop.asked:
            try:
                if not beside.alive():
                    beside.close()
                    beside = Beside(store)
                session = Session(account)
                try:
                    show.say("back again" if reached else f"collecting from {account.host}:{account.port}")
                    reached, failures = True, 0
                    Service(session, beside, Teller(engine), show, turn).run(stop, idle)
                    return
                finally:
                    session.close()
                    show.batches(beside.settle())
            except (BrokerAway, StoreAway) as error:
                if not reached or idle.away():
                    raise
                if not failures:
                    side = "broker" if isinstance(error, BrokerAway) else "store"
                    show.say(f"the {side} is away ({error}): trying again")
                show.tick()
                stop.wait(BACKOFF_S[min(failures, len(BACKOFF_S) - 1)])
                failures += 1
    finally:
        beside.close()


class Stop:
    """Whether somebody has asked for the end. A second request is not waited for."""

    def __init__(self):
        self.asked = False
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, self._ask)

    def _ask(self, number, _frame) -> None:
        if self.asked:
            raise KeyboardInterrupt
        self.asked = True

    def wait(self, seconds: float) -> None:
        until_s = time.monotonic() + seconds
        while not self.asked and time.monotonic() < until_s:
            time.sleep(0.05)


class Idle:
    """How long nothing has come."""

    def __init__(self, limit_s: float | None):
        self._limit_s = limit_s
        self._heard_s = time.monotonic()

    def heard(self) -> None:
        self._heard_s = time.monotonic()

    def reached(self) -> bool:
        return self._limit_s is not None and time.monotonic() - self._heard_s >= self._limit_s

    def away(self) -> bool:
        """True when a run that is to end by itself has waited long enough for the other side."""
        return self._limit_s is not None and time.monotonic() - self._heard_s >= self._limit_s + AWAY_S_MAX


class Service:
    """One session's work: gather, have it stored, acknowledge, tell."""

    def __init__(self, session: Session, beside: Beside, teller: Teller, show: Show, turn):
        self._session = session
        self._beside = beside
        self._teller = teller
        self._show = show
        self._turn = turn
        self._out: deque = deque()  # (messages, when they were complete) of the batches that are being stored

    def run(self, stop: Stop, idle: Idle) -> None:
        """Until the end is asked for or nothing comes."""
        self._teller.all()
        idle.heard()
        while not stop.asked and (self._out or not idle.reached()):
            messages = self._session.gather(LISTEN_S if self._out else TURN_S)
            if messages:
                idle.heard()
                self._beside.keep([(message.topic, message.payload) for message in messages], int(time.time()))
                self._out.append((messages, time.monotonic()))
            while self._out and (len(self._out) >= AHEAD or self._beside.ready()):
                self._answered()
                idle.heard()
            self._teller.tell(self._session, time.monotonic())
            self._show.tick()
        while self._out:
            self._answered()
        self._teller.tell(self._session, float("inf"))

    def _answered(self) -> None:
        kept = self._beside.answer()
        messages, since_s = self._out.popleft()
        self._session.acknowledge(messages)
        self._teller.changed(kept.nodes)
        self._show.batch(kept, time.monotonic() - since_s)
        self._turn()
