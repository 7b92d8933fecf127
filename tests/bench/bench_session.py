"""What a session costs on the wire. Prints figures; asserts nothing.

python tests/bench/bench_session.py [--umqtt FOLDER]    (FOLDER holds umqtt/simple.py, MicroPython's stock client)

24 readings go to mosquitto through a proxy that holds every byte back for 50 ms each way, and a new connection for
one round trip before its first byte. Ours are sent by the firmware itself; the same payloads then go out through the
two platforms' stock clients: CircuitPython's (PyPI: adafruit-circuitpython-minimqtt) here in CPython, MicroPython's
(PyPI: micropython-umqtt.simple) in the MicroPython VM. A round trip is an answer that the sender waited for.
"""

import argparse
import asyncio
import json
import shutil
import socket
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

ONE_WAY_S = 0.05
READINGS = 24


class Proxy:
    """Forwards one port to another, late. `sessions`: [(time_s, "up" or "down", bytes)] of each connection."""

    def __init__(self, target: int):
        self._target = target
        self.sessions: list[list[tuple[float, str, bytes]]] = []
        self._loop = asyncio.new_event_loop()
        threading.Thread(target=self._loop.run_forever, daemon=True).start()
        server = asyncio.run_coroutine_threadsafe(asyncio.start_server(self._serve, "127.0.0.1", 0), self._loop)
        self.port = server.result(5).sockets[0].getsockname()[1]

    async def _serve(self, reader, writer) -> None:
        log = [(time.monotonic(), "open", b"")]
        self.sessions.append(log)
        # the connection was accepted at once: its round trip is made up for here
        opened_s = time.monotonic() + 2 * ONE_WAY_S
        far_reader, far_writer = await asyncio.open_connection("127.0.0.1", self._target)
        await asyncio.gather(
            self._pass_on(reader, far_writer, log, "up", opened_s),
            self._pass_on(far_reader, writer, log, "down", 0.0),
        )

    async def _pass_on(self, reader, writer, log, way: str, not_before_s: float) -> None:
        queue: asyncio.Queue = asyncio.Queue()

        async def late() -> None:
            while (entry := await queue.get()) is not None:
                due_s, data = entry
                await asyncio.sleep(max(0.0, due_s - time.monotonic()))
                writer.write(data)
            writer.close()

        sender = asyncio.create_task(late())
        try:
            while data := await reader.read(65536):
                now_s = time.monotonic()
                log.append((now_s, way, data))
                queue.put_nowait((max(now_s, not_before_s) + ONE_WAY_S, data))
        except ConnectionError:
            pass
        queue.put_nowait(None)
        await sender


def figures(log) -> tuple[int, float]:
    """(round trips, s from the connection to the last answer's arrival) of one session."""
    trips, last = 1, "down"
    done_s = log[0][0]
    for at_s, way, _ in log[1:]:
        if way == "down" and last == "up":
            trips += 1
        if way == "down":
            done_s = at_s + ONE_WAY_S
        last = way
    return trips, done_s - log[0][0]


def ours(proxy: Proxy) -> list[bytes]:
    """Four hours of readings in one session of the firmware; the payloads that it sent."""
    from hostsim import rehearse
    from hostsim.scenario import DEFAULT

    with tempfile.TemporaryDirectory() as folder:
        yard = Path(folder) / "yard"
        shutil.copytree(DEFAULT.parent, yard)
        for path in yard.glob("*-*.toml"):
            path.write_text(path.read_text().replace("transmit_every_s = 3600", "transmit_every_s = 14400"))
        run = rehearse.Rehearsal(rehearse.load(yard, days=0.4), yard, broker=("127.0.0.1", proxy.port))
        run.run(None)
    packed = [packets(log) for log in proxy.sessions]
    chosen = next(index for index, found in enumerate(packed) if len(found) == READINGS)
    proxy.sessions = [proxy.sessions[chosen]]
    return packed[chosen]


def packets(log) -> list[bytes]:
    """The payloads of the readings in what a session sent."""
    from hostsim.wire import PUBLISH, Reader

    reader = Reader()
    sent = [packet for _, way, data in log if way == "up" for packet in reader.packets(data)]
    return [packet[2] for packet in sent if packet[0] == PUBLISH and packet[1].endswith("/readings")]


def circuitpythons(port: int, payloads: list[bytes]) -> None:
    import adafruit_minimqtt.adafruit_minimqtt as stock

    client = stock.MQTT(broker="127.0.0.1", port=port, client_id="stock-one", socket_pool=socket, is_ssl=False)
    client.connect()
    for payload in payloads:
        client.publish("torpor/stock/readings", payload, qos=1)
    client.disconnect()


IN_THE_VM = """
import sys
sys.path.insert(0, sys.argv[1])
from umqtt.simple import MQTTClient
import json
client = MQTTClient("stock-two", "127.0.0.1", int(sys.argv[2]))
client.connect()
for payload in json.load(open(sys.argv[3])):
    client.publish(b"torpor/stock/readings", payload.encode(), False, 1)
client.disconnect()
"""


def micropythons(port: int, payloads: list[bytes], umqtt: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        script, data = Path(folder) / "send.py", Path(folder) / "payloads.json"
        script.write_text(IN_THE_VM)
        data.write_text(json.dumps([payload.decode() for payload in payloads]))
        subprocess.run([Path(sys.executable).with_name("micropython"), script, umqtt, str(port), data], check=True)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--umqtt")
    asked = parser.parse_args()
    sys.path.insert(0, str(Path(__file__).parents[1]))
    from conftest import mosquitto

    with tempfile.TemporaryDirectory() as folder:
        port, process = mosquitto(Path(folder))
        try:
            proxy = Proxy(port)
            payloads = ours(proxy)
            rows = [("the firmware", *figures(proxy.sessions[0]))]
            for name, send in (
                ("CircuitPython's stock client", lambda port: circuitpythons(port, payloads)),
                ("MicroPython's stock client", lambda port: micropythons(port, payloads, asked.umqtt)),
            ):
                if name.startswith("Micro") and not asked.umqtt:
                    continue
                proxy = Proxy(port)
                send(proxy.port)
                time.sleep(4 * ONE_WAY_S)
                rows.append((name, *figures(proxy.sessions[0])))
        finally:
            process.terminate()
            process.wait(5)
    print(f"{READINGS} readings of {len(payloads[0])} bytes, {ONE_WAY_S * 1000:g} ms each way")
    for name, trips, took_s in rows:
        print(f"{name:30} {trips:3} round trips {took_s:7.3f} s {took_s / rows[0][2]:6.1f} times")


if __name__ == "__main__":
    main()
