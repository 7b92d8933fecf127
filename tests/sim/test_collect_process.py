"""The collector as a process. Law: whoever fails on the other side, and whatever is sent, each reading is in once."""

import subprocess
import sys
import time

import paho.mqtt.client as paho
import pytest

pytest.importorskip("sqlalchemy", reason="the store needs SQLAlchemy")

from sqlalchemy import select, text

from deploy import store_aside
from deploy.store import open_store, reads
from deploy.store_schema import readings, rejected

LIMIT_S = 60
COMMAND = """
import typer
from deploy import audit, collect
app = typer.Typer()
for tool in (audit, collect):
    tool.register(app)
app()
"""
BEGAN_S = 1_798_761_600
EUI = 0x02A1B2FFFE000000


def pack(seq, node=0, ring=0x5EED0000, value="23.10"):
    return (
        f'[{{"bn":"urn:dev:mac:{EUI + node:016x}_","bt":{BEGAN_S + 600 * seq},"n":"seq","v":{seq}}},'
        f'{{"n":"ring","vs":"{ring + node:08x}"}},{{"n":"time-uncertainty","u":"s","v":2}},'
        f'{{"n":"temperature","u":"Cel","v":{value}}}]'
    ).encode()


def start(port, where, *more, idle_s=2):
    words = ("collect", "--broker", f"127.0.0.1:{port}", "--store", where, "--until-idle", idle_s, *more)
    process = subprocess.Popen(
        [sys.executable, "-c", COMMAND, *map(str, words)], stderr=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    line = process.stderr.readline()
    assert "collecting from" in line, line + process.stderr.read()
    return process


def refused(*words):
    done = subprocess.run(
        [sys.executable, "-c", COMMAND, *map(str, words)], capture_output=True, text=True, timeout=LIMIT_S
    )
    assert done.returncode == 2, done
    assert done.stderr.count("\n") == 1, done.stderr
    return done.stderr


def ended(process):
    out, problem = process.communicate(timeout=LIMIT_S)
    assert process.returncode == 0, problem
    return out


def publish(port, messages, retain=False):
    client = paho.Client(paho.CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", port)
    client.loop_start()
    for topic, payload in messages:
        client.publish(topic, payload, qos=1, retain=retain).wait_for_publish(LIMIT_S)
    client.disconnect()
    client.loop_stop()


def heard(port, topic, wait_s=5):
    """The retained message of a topic, None where there is none."""
    found = []
    client = paho.Client(paho.CallbackAPIVersion.VERSION2)
    client.on_message = lambda _client, _data, message: found.append(message.payload)
    client.on_connect = lambda client, *_: client.subscribe(topic)
    client.connect("127.0.0.1", port)
    limit = time.monotonic() + wait_s
    while not found and time.monotonic() < limit:
        client.loop(0.1)
    client.disconnect()
    return found[0] if found else None


def seqs(where):
    engine = open_store(str(where))
    with reads(engine) as connection:
        found = sorted(connection.execute(select(readings.c.ring_id, readings.c.seq)).all())
    engine.dispose()
    return [tuple(row) for row in found]


def test_hostile_messages_are_counted_and_the_others_stored(mosquitto_port, tmp_path):
    where = tmp_path / "yard.db"
    collecting = start(mosquitto_port, where, "--id", "hostile")
    hostile = [b"", b"\0" * 100, b"[" * 5000, b'{"seq":1}', pack(1)[:-1], pack(3, value="1e400"), b"\xff" * 20_000]
    messages = [("torpor/hostile-a/readings", payload) for payload in hostile]
    messages[3:3] = [("torpor/hostile-a/readings", pack(seq)) for seq in (1, 2, 3)]
    messages += [("torpor/hostile-a/readings", pack(2, value="1.00")), ("torpor/hostile-a/health", b"not JSON")]
    messages += [("torpor/hostile-a/readings", pack(4))]
    publish(mosquitto_port, messages)
    assert "4 stored" in ended(collecting)
    assert [seq for _, seq in seqs(where)] == [1, 2, 3, 4]
    engine = open_store(str(where))
    with reads(engine) as connection:
        assert store_aside.count(connection) == len(hostile) + 2
        reasons = set(connection.execute(select(rejected.c.reason)).scalars())
        assert connection.execute(text("SELECT value FROM readings_utc WHERE seq = 2")).scalar() == 23.1
    engine.dispose()
    assert "another content under the name of a reading that is there" in reasons


def test_a_node_is_told_what_is_missing(mosquitto_port, tmp_path):
    collecting = start(mosquitto_port, tmp_path / "yard.db", "--id", "told")
    publish(mosquitto_port, [("torpor/told-a/readings", pack(seq)) for seq in (3, 4, 9)])
    ended(collecting)
    have = heard(mosquitto_port, "torpor/told-a/have")
    assert have is not None
    assert b'"ring":"5eed0000","last":9,"missing":[[1,2],[5,8]]}' in have


@pytest.mark.parametrize("kind", ["sqlite", "postgresql"])
def test_two_collectors_share_the_work_and_store_each_reading_once(kind, mosquitto_port, tmp_path, request):
    where = tmp_path / "yard.db"
    if kind == "postgresql":
        where = request.getfixturevalue("database").url
    ends = [start(mosquitto_port, where, "--id", f"share-{kind}-{n}", "--group", f"g-{kind}") for n in (1, 2)]
    nodes, each = 7, 60
    messages = [(f"torpor/share-{n}/readings", pack(seq, n)) for seq in range(1, each + 1) for n in range(nodes)]
    publish(mosquitto_port, messages + messages[::5])
    outs = [ended(process) for process in ends]
    stored = [int(out.split(" stored")[0].replace(",", "")) for out in outs]
    assert sum(stored) == nodes * each
    assert min(stored) > 0, "one of them did nothing, so nothing was shared"
    assert len(seqs(where)) == nodes * each


@pytest.fixture
def database(tmp_path_factory, request):
    found = Database(tmp_path_factory.mktemp("database"))
    yield found
    found.stop("immediate")


class Database:
    """A PostgreSQL server that can be stopped and started."""

    def __init__(self, folder):
        import os
        import shutil
        import socket
        from pathlib import Path

        programs = sorted(Path("/usr/lib/postgresql").glob("*/bin")) if Path("/usr/lib/postgresql").is_dir() else []
        if not programs:
            pytest.skip("PostgreSQL is not installed")
        pytest.importorskip("psycopg", reason="PostgreSQL needs psycopg")
        self._bin, self._folder, self._user = programs[-1], folder, []
        if os.geteuid() == 0:
            self._user = ["runuser", "-u", "postgres", "--"]
            for above in (folder, *folder.parents[:2]):
                above.chmod(above.stat().st_mode | 0o055)
            shutil.chown(folder, "postgres")
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self._port = probe.getsockname()[1]
        self.url = f"postgresql://desk@127.0.0.1:{self._port}/postgres"
        self._do("initdb", "-D", folder / "data", "-U", "desk", "-A", "trust", "-N")
        self.start()

    def _do(self, program, *words):
        words = [*self._user, self._bin / program, *words]
        subprocess.run(words, check=True, stdout=subprocess.DEVNULL, timeout=LIMIT_S)

    def start(self):
        options = f"-p {self._port} -c unix_socket_directories= -c listen_addresses=127.0.0.1"
        self._do("pg_ctl", "-D", self._folder / "data", "-w", "-o", options, "-l", self._folder / "log", "start")

    def stop(self, how):
        self._do("pg_ctl", "-D", self._folder / "data", "-m", how, "stop")


def test_a_database_that_is_restarted_costs_nothing(mosquitto_port, database):
    collecting = start(mosquitto_port, database.url, "--id", "restart", idle_s=4)
    for begin in range(1, 151, 30):
        publish(mosquitto_port, [("torpor/restart-a/readings", pack(seq)) for seq in range(begin, begin + 15)])
        if begin in (31, 91):
            database.stop("immediate")
        publish(mosquitto_port, [("torpor/restart-a/readings", pack(seq)) for seq in range(begin + 15, begin + 30)])
        if begin in (31, 91):
            time.sleep(0.5)
            database.start()
    ended(collecting)
    assert [seq for _, seq in seqs(database.url)] == list(range(1, 151))


def test_the_storing_process_may_be_killed(mosquitto_port, tmp_path):
    import psutil

    where = tmp_path / "yard.db"
    collecting = start(mosquitto_port, where, "--id", "beside", idle_s=3)
    for begin in (1, 101, 201):
        publish(mosquitto_port, [("torpor/beside-a/readings", pack(seq)) for seq in range(begin, begin + 100)])
        for child in psutil.Process(collecting.pid).children():
            child.kill()
    ended(collecting)
    assert [seq for _, seq in seqs(where)] == list(range(1, 301))


def test_a_certificate_of_another_host_and_a_password_without_a_user_are_refused(mosquitto_tls, tmp_path):
    port, ca = mosquitto_tls("good")
    # its certificate is for another host than 127.0.0.1
    line = refused("collect", "--broker", f"127.0.0.1:{port}", "--store", tmp_path / "yard.db", "--ca", ca)
    assert "certificate is refused" in line
    secret = tmp_path / "secret"
    secret.write_text("twelve-planks\n")
    line = refused("collect", "--broker", "127.0.0.1:1", "--store", tmp_path / "y", "--password-file", secret)
    assert "--username" in line
    assert "twelve-planks" not in line


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--broker", "127.0.0.1:1"), "Connection refused"),
        (("--broker", "user:twelve-planks@host"), "HOST:PORT"),
        (("--broker", "127.0.0.1:1", "--group", "a/b"), "--group"),
        (("--broker", "127.0.0.1:1", "--id", ""), "--id"),
        (("--broker", "127.0.0.1:1", "--until-idle", "0"), "--until-idle"),
        (("--broker", "127.0.0.1:1", "--ca", "/nowhere.pem"), "--ca"),
        (("--broker", "127.0.0.1:1", "--username", "a", "--password-file", "/nowhere"), "--password-file"),
    ],
)
def test_a_wrong_command_line_is_one_line(words, told, tmp_path):
    line = refused("collect", "--store", tmp_path / "yard.db", *words)
    assert told in line
    assert "twelve-planks" not in line


def test_a_store_that_is_none_is_left_alone(mosquitto_port, tmp_path):
    other = tmp_path / "planks.txt"
    other.write_text("oak, ash, larch")
    assert "is no store" in refused("collect", "--broker", f"127.0.0.1:{mosquitto_port}", "--store", other)
    assert other.read_text() == "oak, ash, larch"
