"""What the collector keeps up with, beside a subscriber that only counts, in one run.

Law: figures are printed, never asserted; both sides get the same messages from the same broker in the same way.

    python tests/bench/bench_collect.py                       readings a second, SQLite and PostgreSQL
    python tests/bench/bench_collect.py --million             memory of the collector over a million readings
    python tests/bench/bench_collect.py --nodes 1000          that many nodes, each in sessions of its own

The messages wait in the broker's queue for a session that is known to it, so that no publisher is in the way while
they are taken out. Needs mosquitto; PostgreSQL's part is left out, and says so, where its programs are not found.
"""

import argparse
import asyncio
import os
import shutil
import socket
import statistics
import struct
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
from own_broker import OwnBroker  # noqa: E402

WINDOWS = (
    20,
    1000,
)  # mosquitto's default for what is on its way unacknowledged, and what docs/collect.md says to set
COMMAND = """
import typer
from deploy import collect
app = typer.Typer()
app.callback()(lambda: None)
collect.register(app)
app()
"""
BARE = """
import sys, time
import paho.mqtt.client as paho
port, name, wanted = int(sys.argv[1]), sys.argv[2], int(sys.argv[3])
count = 0
def on_message(client, data, message):
    global count
    count += 1
    if count == wanted:
        client.disconnect()
client = paho.Client(paho.CallbackAPIVersion.VERSION2, client_id=name, clean_session=False)
client.on_message = on_message
client.on_connect = lambda *_: client.subscribe([("torpor/+/readings", 1), ("torpor/+/health", 1)])
client.on_subscribe = lambda *_: client.disconnect() if wanted == 0 else None
client.connect("127.0.0.1", port)
client.loop_forever()
"""
READING = (
    '[{"bn":"urn:dev:mac:%016x_","bt":%d,"n":"seq","v":%d},{"n":"ring","vs":"%08x"},'
    '{"n":"time-uncertainty","u":"s","v":4},{"n":"temperature","u":"Cel","v":23.10},'
    '{"n":"relative-humidity","u":"%%RH","v":56.20},{"n":"battery","u":"V","v":3.790},{"n":"lux","u":"lx","v":4400}]'
)
HEALTH = '{"v":1,"ring":"%08x","head":%d,"oldest":1,"run":1,"clock":{"state":"known"},"time":%d,"battery_mv":3790}'
BEGIN_S = 1_798_761_600


def reading(node: int, seq: int) -> bytes:
    return (READING % (0x02A1B2FFFE000000 + node, BEGIN_S + 600 * seq, seq, 0x10000000 + node)).encode()


def packet(first: int, body: bytes) -> bytes:
    length, size = b"", len(body)
    while True:
        length += bytes([size & 127 | (128 if size > 127 else 0)])
        size >>= 7
        if not size:
            return bytes([first]) + length + body


def text(words: str) -> bytes:
    return struct.pack(">H", len(words)) + words.encode()


def hello(name: str) -> bytes:
    return packet(0x10, b"\x00\x04MQTT\x04\x02\x00\x3c" + text(name))


def publish(topic: str, number: int, payload: bytes) -> bytes:
    return packet(0x32, text(topic) + struct.pack(">H", 1 + number % 65535) + payload)


def own_broker(folder: Path, window: int) -> OwnBroker:
    """window: of unacknowledged messages to one subscriber."""
    return OwnBroker(folder, "persistence false", "max_queued_messages 0", f"max_inflight_messages {window}")


class Postgres:
    """A PostgreSQL server of our own with its settings as they come, None where it is not installed."""

    def __init__(self, folder: Path):
        found = sorted(Path("/usr/lib/postgresql").glob("*/bin")) if Path("/usr/lib/postgresql").is_dir() else []
        self._bin = found[-1] if found else None
        self._data = folder / "postgres"
        self._user = ["runuser", "-u", "postgres", "--"] if os.geteuid() == 0 else []
        if self._bin is None:
            return
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
        self._data.mkdir()
        if self._user:
            folder.chmod(0o755)
            shutil.chown(self._data, "postgres")
        self._do("initdb", "-D", self._data, "-U", "desk", "-A", "trust")
        options = f"-p {port} -c unix_socket_directories= -c listen_addresses=127.0.0.1"
        self._do("pg_ctl", "-D", self._data, "-w", "-o", options, "-l", self._data / "log", "start")
        self.url = f"postgresql://desk@127.0.0.1:{port}/postgres"

    def __bool__(self) -> bool:
        return self._bin is not None

    def _do(self, program: str, *words) -> None:
        subprocess.run([*self._user, self._bin / program, *words], check=True, stdout=subprocess.DEVNULL)

    def processes(self) -> list[int]:
        return [int((self._data / "postmaster.pid").read_text().split()[0])]

    def end(self) -> None:
        if self:
            self._do("pg_ctl", "-D", self._data, "-m", "fast", "stop")


def fill(port: int, messages) -> None:
    """Publish all of them, at most a few thousand unacknowledged."""
    with socket.create_connection(("127.0.0.1", port)) as stream:
        stream.sendall(hello("bench-publisher"))
        stream.recv(4)
        out = answers = 0
        block = []
        for topic, payload in messages:
            block.append(publish(topic, out, payload))
            out += 1
            if len(block) == 200:
                stream.sendall(b"".join(block))
                block = []
                while out - answers // 4 > 4000:
                    answers += len(stream.recv(65536))
        stream.sendall(b"".join(block))
        while answers // 4 < out:
            answers += len(stream.recv(65536))
        stream.sendall(b"\xe0\x00")


def some(count: int, nodes: int = 100):
    """Readings of many nodes, in packs of 24 as nodes send them."""
    sent = 0
    seq = 1
    while True:
        for node in range(nodes):
            for one in range(seq, seq + 24):
                yield f"torpor/node-{node}/readings", reading(node, one)
                sent += 1
                if sent == count:
                    return
        seq += 24


def bare(port: int, wanted: int) -> subprocess.Popen:
    return subprocess.Popen([sys.executable, "-c", BARE, str(port), "bench-bare", str(wanted)])


def collector(port: int, store: str, idle_s: float) -> subprocess.Popen:
    words = (
        "collect",
        "--broker",
        f"127.0.0.1:{port}",
        "--store",
        store,
        "--id",
        "bench",
        "--until-idle",
        str(idle_s),
    )
    return subprocess.Popen([sys.executable, "-c", COMMAND, *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE)


def count_in(store: str) -> int:
    from sqlalchemy import text as sql

    from deploy.store import open_store, reads

    engine = open_store(store)
    with reads(engine) as connection:
        count = connection.execute(sql("SELECT SUM(stored) FROM rings")).scalar() or 0
    engine.dispose()
    return int(count)


def rate_bare(port: int, count: int) -> float:
    bare(port, 0).wait(60)
    empty = watched(bare(port, 0))
    fill(port, some(count))
    full = watched(bare(port, count))
    return told("bare paho-mqtt subscriber", count, full, empty, None)


def rate_store(port: int, store: str, name: str, count: int, beside: float) -> None:
    idle_s = 0.5
    collector(port, store, idle_s).wait(60)  # makes its session and the tables
    empty = watched(collector(port, store, idle_s))
    fill(port, some(count))
    full = watched(collector(port, store, idle_s))
    assert count_in(store) == count, (count_in(store), count)
    told(f"collect into {name}", count, full, empty, beside)


def told(name: str, count: int, full: tuple, empty: tuple, beside: float | None) -> float:
    """Print a rate; what a start without any message takes is no part of it."""
    cpu_s, wall_s = full[0] - empty[0], full[1] - empty[1]
    rate = count / wall_s
    share = f"   {rate / beside:.2f} of the bare subscriber" if beside else ""
    print(f"    {name:26} {rate:8,.0f} readings/s   {cpu_s / count * 1e6:5.0f} us of CPU each{share}", flush=True)
    return rate


def watched(process: subprocess.Popen) -> tuple[float, float]:
    """(CPU seconds, wall seconds) until a process ends; its start is in both."""
    began_s = time.perf_counter()
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode == 0, process.stderr and process.stderr.read()
    return usage.ru_utime + usage.ru_stime, time.perf_counter() - began_s


def rates(folder: Path, count: int, rounds: int) -> None:
    postgres = Postgres(folder)
    try:
        for window in WINDOWS:
            print(f"{count:,} waiting readings of 4 channels, broker's window {window}:")
            for turn in range(rounds):
                broker = own_broker(folder, window)
                beside = rate_bare(broker.port, count)
                rate_store(broker.port, str(folder / f"{window}-{turn}.db"), "SQLite", count, beside)
                if postgres:
                    clear(postgres.url)
                    rate_store(broker.port, postgres.url, "PostgreSQL", count, beside)
                broker.end()
        if not postgres:
            print("PostgreSQL is not installed: left out")
    finally:
        postgres.end()


def clear(url: str) -> None:
    import psycopg

    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute("DROP SCHEMA public CASCADE")
        connection.execute("CREATE SCHEMA public")


def family(pid: int) -> list[int]:
    """A process and its children, from /proc (man 5 proc)."""
    found = [pid]
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            if int(path.read_text().rsplit(")", 1)[1].split()[1]) == pid:
                found.append(int(path.parent.name))
        except OSError:
            continue  # it has ended
    return found


def memory_mib(pid: int) -> float:
    """Resident memory of a process and its children."""
    total = 0
    for one in family(pid):
        for line in Path(f"/proc/{one}/status").read_text().splitlines():
            if line.startswith("VmRSS"):
                total += int(line.split()[1])
    return total / 1024


def million(folder: Path, count: int) -> None:
    broker = own_broker(folder, 1000)
    store = str(folder / "million.db")
    process = collector(broker.port, store, 10.0)
    time.sleep(2)
    began_s = time.perf_counter()
    print(f"{count:,} readings of 100 nodes, published as fast as the collector takes them:")
    for done in range(count // 10, count + 1, count // 10):
        first = 1 + (done - count // 10) // 100
        last = done // 100
        fill(
            broker.port,
            ((f"torpor/node-{n}/readings", reading(n, q)) for q in range(first, last + 1) for n in range(100)),
        )
        while count_in(store) < done:
            time.sleep(0.1)
        taken_s = time.perf_counter() - began_s
        print(f"    {done:9,} stored after {taken_s:5.0f} s, collector {memory_mib(process.pid):6.1f} MiB")
    size = sum(path.stat().st_size for path in folder.glob("million.db*"))
    print(f"    the SQLite file: {size / 2**20:,.0f} MiB, {size / count:.0f} bytes a reading")
    process.terminate()
    process.wait(30)
    broker.end()


async def session(port: int, node: int, first: int, delays: list[float]) -> None:
    """One node's session: connect, 24 readings, health, leave."""
    began_s = time.perf_counter()
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    name = f"node-{node}"
    out = hello(f"bench{node}") + packet(0x82, b"\x00\x01" + text(f"torpor/{name}/have") + b"\x00")
    for seq in range(first, first + 24):
        out += publish(f"torpor/{name}/readings", seq, reading(node, seq))
    last = first + 23
    payload = (HEALTH % (0x10000000 + node, last, BEGIN_S + 600 * last)).encode()
    out += packet(0x33, text(f"torpor/{name}/health") + b"\xff\xff" + payload)
    writer.write(out)
    acknowledged = 0
    async with asyncio.timeout(60):
        while acknowledged < 25:
            kind = (await reader.readexactly(1))[0] >> 4
            size = shift = 0
            while True:
                byte = (await reader.readexactly(1))[0]
                size |= (byte & 127) << shift
                shift += 7
                if byte < 128:
                    break
            await reader.readexactly(size)
            acknowledged += kind == 4
    writer.write(b"\xe0\x00")
    await writer.drain()
    writer.close()
    delays.append(time.perf_counter() - began_s)


async def round_of(port: int, nodes: int, first: int, spread_s: float, delays: list[float]) -> None:
    async def later(node: int) -> None:
        await asyncio.sleep(spread_s * node / nodes)
        await session(port, node, first, delays)

    await asyncio.gather(*[later(node) for node in range(nodes)])


def cpu_s(pid: int) -> float:
    """CPU seconds of a process and its children."""
    total = 0.0
    for one in family(pid):
        fields = Path(f"/proc/{one}/stat").read_text().rsplit(")", 1)[1].split()
        total += (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    return total


def many(folder: Path, nodes: int, rounds: int, spread_s: float) -> None:
    postgres = Postgres(folder)
    stores = [("SQLite", str(folder / "many.db"))] + ([("PostgreSQL", postgres.url)] if postgres else [])
    try:
        for name, store in stores:
            broker = own_broker(folder, 1000)
            process = collector(broker.port, store, 600)
            time.sleep(2)
            pids = {"broker": broker.process.pid, "collector": process.pid}
            if name == "PostgreSQL":
                pids["database"] = postgres.processes()[0]
            before = {part: cpu_s(pid) for part, pid in pids.items()}
            delays: list[float] = []
            began_s = time.perf_counter()
            for turn in range(rounds):
                asyncio.run(round_of(broker.port, nodes, 1 + 24 * turn, spread_s, delays))
            wanted = nodes * rounds * 24
            sent_s = time.perf_counter() - began_s
            while count_in(store) < wanted and time.perf_counter() - began_s < 300:
                time.sleep(0.05)
            wall_s = time.perf_counter() - began_s
            print(f"{nodes:,} nodes, {rounds} sessions each of 24 readings and health, into {name}:")
            print(
                f"    {wanted:,} readings sent in {sent_s:.1f} s, stored in {wall_s:.1f} s: {wanted / wall_s:,.0f}/s"
            )
            print(f"    a session took {statistics.median(delays):.2f} s (median), {max(delays):.2f} s (longest)")
            for part, pid in pids.items():
                used_s = cpu_s(pid) - before[part]
                share, mib = used_s / wanted * 1e6, memory_mib(pid)
                print(f"    {part:9} {used_s:6.1f} s of CPU, {share:4.0f} us a reading, {mib:6.1f} MiB")
            process.terminate()
            process.wait(60)
            broker.end()
    finally:
        postgres.end()


def main() -> None:
    options = argparse.ArgumentParser()
    options.add_argument("--readings", type=int, default=100_000)
    options.add_argument("--rounds", type=int, default=1)
    options.add_argument("--million", action="store_true")
    options.add_argument("--nodes", type=int)
    options.add_argument("--spread", type=float, default=0.0, help="seconds over which a round's sessions begin")
    chosen = options.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if chosen.million:
            million(folder, 1_000_000)
        elif chosen.nodes:
            many(folder, chosen.nodes, chosen.rounds, chosen.spread)
        else:
            rates(folder, chosen.readings, chosen.rounds)


if __name__ == "__main__":
    main()
