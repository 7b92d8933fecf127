"""From boards to the desk. Law: whatever is killed on the way, the audit finds each reading once and none missing.

The firmware lives through its days against a real mosquitto; collectors are real processes, killed where it hurts.
"""

import json
import os
import signal
import subprocess
import sys
import threading
import time

import pytest

pytest.importorskip("sqlalchemy", reason="the store needs SQLAlchemy")

from own_broker import OwnBroker

from deploy import store
from deploy.export_store import rows
from hostsim import rehearse

LIMIT_S = 120
DAYS = 80
# nodes live days in a second here, so they are told sooner what is missing
COMMAND = """
import typer
from deploy import audit, card, collect, collect_tell
collect_tell.HAVE_AFTER_S = 0.2
app = typer.Typer()
for tool in (audit, card, collect):
    tool.register(app)
app()
"""


def start(*words):
    return subprocess.Popen([sys.executable, "-c", COMMAND, *map(str, words)], stderr=subprocess.PIPE, text=True)


def collector(port, where, *more, idle_s=3):
    """A collector that has its subscription."""
    process = start("collect", "--broker", f"127.0.0.1:{port}", "--store", where, "--until-idle", idle_s, *more)
    line = process.stderr.readline()
    assert "collecting from" in line, line
    return process


def audited(where):
    words = [sys.executable, "-c", COMMAND, "audit", str(where), "--json"]
    done = subprocess.run(words, capture_output=True, text=True, timeout=LIMIT_S)
    return done.returncode, json.loads(done.stdout)


def lived(port, days, progress=None):
    """A rehearsal that is over. Its own judge listens at the same broker, and is not asked here."""
    run = rehearse.Rehearsal(rehearse.load(None, days=days), None, broker=("127.0.0.1", port))
    run.run(None, progress)
    return run.world.nodes


def on_cards(nodes, folder):
    """The nodes' ring files, as somebody pulls the cards and copies them."""
    paths = []
    for node in nodes:
        paths.append(folder / f"{node.name}.ring")
        with paths[-1].open("wb") as stream:
            for sector in range(node.card.sectors):
                data = node.card.peek(sector)
                stream.seek(512 * sector)
                if data is not None:
                    stream.write(data)
            stream.truncate(512 * node.card.sectors)
    return paths


def test_air_and_card_agree_row_for_row(mosquitto_port, tmp_path):
    air, cards = tmp_path / "air.db", tmp_path / "card.db"
    collecting = collector(mosquitto_port, air, idle_s=4)
    nodes = lived(mosquitto_port, 3)
    assert collecting.wait(LIMIT_S) == 0, collecting.stderr.read()
    status, found = audited(air)
    assert status == 0, found
    paths = on_cards(nodes, tmp_path)
    for path in paths:
        done = start("card", path, "--store", cards)
        assert done.wait(LIMIT_S) == 0, done.stderr.read()
    tables = []
    for where in (air, cards):
        engine = store.open_store(str(where))
        with store.reads(engine) as connection:
            tables.append([row for row in rows(connection) if row.node in {node.name for node in nodes}])
        engine.dispose()
    assert len(tables[0]) > 3 * 3 * 140
    assert tables[0] == tables[1]
    # and once more into the store that has them already: nothing new, nothing that contradicts
    for path in paths:
        done = start("card", path, "--store", air)
        assert done.wait(LIMIT_S) == 0, done.stderr.read()
    status, again = audited(air)
    assert status == 0
    assert [ring["present"] for ring in again["rings"]] == [ring["present"] for ring in found["rings"]]
    assert again["rejected"] == 0


class Pace:
    """Keeps the nodes from being through before everything has been killed: each kill has its share of their days."""

    def __init__(self, share):
        self._share = share
        self.kills = 0
        self.over = False

    def progress(self, share, _wakes):
        limit = time.monotonic() + LIMIT_S
        while share > self._share * (self.kills + 1) and not self.over and time.monotonic() < limit:
            time.sleep(0.01)


def test_ten_kills_and_two_restarts_of_a_forgetful_broker_lose_nothing(tmp_path):
    where = tmp_path / "yard.db"
    # it keeps nothing when it is restarted
    broker = OwnBroker(tmp_path, "persistence false", "max_queued_messages 0", "set_tcp_nodelay true")
    nodes = []
    pace = Pace(0.06)
    living = threading.Thread(target=lambda: nodes.extend(lived(broker.port, DAYS, pace.progress)))
    restarts = 0
    collecting = collector(broker.port, where, idle_s=600)
    try:
        living.start()
        while pace.kills < 10:
            time.sleep(0.7)
            os.kill(collecting.pid, signal.SIGKILL)
            collecting.wait(10)
            if pace.kills in (3, 6):
                broker.restart()
                restarts += 1
            collecting = collector(broker.port, where, idle_s=600)
            pace.kills += 1
        assert living.is_alive()
        pace.over = True
        living.join(LIMIT_S)
        assert not living.is_alive()
        collecting.terminate()
        assert collecting.wait(30) == 0, collecting.stderr.read()
        last = collector(broker.port, where, idle_s=2)
        assert last.wait(LIMIT_S) == 0, last.stderr.read()
    finally:
        pace.over = True
        collecting.kill()
        living.join(LIMIT_S)
        broker.end()
    status, found = audited(where)
    print([{key: ring[key] for key in ("node", "present", "missing", "repeats", "twice")} for ring in found["rings"]])
    assert (pace.kills, restarts) == (10, 2)
    assert status == 0, found
    assert {ring["missing"] for ring in found["rings"]} == {0}
    assert {ring["twice"] for ring in found["rings"]} == {0}
    assert sum(ring["present"] for ring in found["rings"]) >= 3 * DAYS * 144 - 10
