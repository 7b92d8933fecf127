"""A broker that is killed. Law: what it acknowledged and forgot comes home all the same, or is named as missing.

The broker is a real mosquitto, killed with -9 while it alone has what the nodes were told is accepted; the collector
and the audit are real processes, the nodes live on the fast runtime, over real sockets.
"""

import sqlite3
import threading
import time

import pytest

pytest.importorskip("sqlalchemy", reason="the store needs SQLAlchemy")

from own_broker import OwnBroker
from test_round_trip_collect import LIMIT_S, audited, collector, on_cards, start

from hostsim import diary_format, rehearse

DAYS = 24
KILLS = 3
# what mosquitto does when its configuration says nothing, and what it is packaged with: a file that it writes every
# half hour and when it ends in peace
PERSISTENCE = {"unsaid": [], "packaged": ["persistence true", "persistence_location {folder}/"]}


class Pace:
    """How far the nodes may live, as a share of their days; and how slowly, once nothing more will be killed."""

    def __init__(self):
        self.until = 0.0
        self.reached = 0.0
        self.pause_s = 0.0

    def progress(self, share, _wakes):
        self.reached = share
        time.sleep(self.pause_s)
        limit = time.monotonic() + LIMIT_S
        while share > self.until and time.monotonic() < limit:
            time.sleep(0.005)

    def let_live(self, until):
        """Let them live so far, and wait until they have."""
        self.until = until
        limit = time.monotonic() + LIMIT_S
        while self.reached <= until and time.monotonic() < limit:
            time.sleep(0.005)
        assert self.reached > until


def present(where):
    """Readings in the store."""
    with sqlite3.connect(where) as connection:
        return connection.execute("SELECT count(*) FROM readings").fetchone()[0]


def accepted(run):
    """Readings that the nodes were told are accepted."""
    return sum(diary_format.ring(node.retained)[2] for node in run.world.nodes)


@pytest.mark.parametrize("kind", PERSISTENCE)
def test_three_kills_of_the_broker_leave_nothing_missing_in_silence(kind, tmp_path):
    where = tmp_path / "yard.db"
    lines = [line.format(folder=tmp_path) for line in PERSISTENCE[kind]]
    broker = OwnBroker(tmp_path, *lines)
    run = rehearse.Rehearsal(rehearse.load(None, days=DAYS), None, broker=("127.0.0.1", broker.port))
    pace = Pace()
    living = threading.Thread(target=run.run, args=(None, pace.progress))
    forgotten = []
    collecting = collector(broker.port, where, idle_s=600)
    try:
        living.start()
        for kill in range(KILLS):
            share = kill * 0.22
            pace.let_live(share + 0.04)
            # the desk is away: from now on the broker alone has what it acknowledges
            collecting.terminate()
            assert collecting.wait(30) == 0, collecting.stderr.read()
            pace.let_live(share + 0.11)
            broker.kill()
            forgotten.append(accepted(run) - present(where))
            # the nodes meet a closed door for a while
            pace.let_live(share + 0.16)
            broker.start()
            collecting = collector(broker.port, where, idle_s=600)
        assert living.is_alive()
        # days take long enough now for the collector to say what it lacks
        pace.pause_s, pace.until = 0.3, 2.0
        living.join(LIMIT_S)
        assert not living.is_alive()
        collecting.terminate()
        assert collecting.wait(30) == 0, collecting.stderr.read()
    finally:
        pace.pause_s, pace.until = 0.0, 2.0
        collecting.kill()
        living.join(LIMIT_S)
        broker.kill()
    assert min(forgotten) > 50, f"the broker had nothing to forget: {forgotten}"
    check_books(run.world.nodes, where, tmp_path, forgotten)


def check_books(nodes, where, folder, forgotten):
    """What is not in the store is what the audit says is missing, or waits for the node's next session."""
    _, found = audited(where)
    rings = {ring["ring"]: ring for ring in found["rings"]}
    stored = there = missing = waiting = 0
    for node in nodes:
        ring_id, head, acked_to = diary_format.ring(node.retained)
        ring = rings[f"{ring_id:08x}"]
        stored += head
        there += ring["present"]
        missing += ring["missing"]
        waiting += head - acked_to
        assert ring["present"] + ring["missing"] + (head - ring["newest"]) == head
        assert head - ring["newest"] <= head - acked_to, "accepted, and nobody knows of it"
    print(f"forgotten {forgotten}; stored {stored}, there {there}, missing {missing}, waiting {waiting}")
    assert stored >= len(nodes) * (DAYS * 144 - 3)
    assert missing == 0
    assert there + waiting == stored
    # and the cards, brought home, have nothing to add but what waits
    before = present(where)
    for path in on_cards(nodes, folder):
        done = start("card", path, "--store", where)
        assert done.wait(LIMIT_S) == 0, done.stderr.read()
    assert present(where) - before == waiting
