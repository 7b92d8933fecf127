"""How small a heap the firmware gets by with on MicroPython. Prints figures; asserts nothing.

python tests/bench/bench_heap.py

The smallest -X heapsize, to a KiB, with which a wake of the bundled north-stack does its work: the reading is stored,
and in a whole cycle accepted by a real mosquitto, plain or over TLS with certificates made here (without mosquitto
those lines are left out). The VM has 64 bits: objects are about twice as large there as on a board of 32. Its heap
also holds the modules that stand in for the platform's, which are C on a board; what TLS needs lies outside of it.
"""

import datetime
import getpass
import shutil
import socket
import subprocess
import tempfile
import time
import tomllib
from dataclasses import replace
from pathlib import Path

import trustme

from hostsim import diary_format, rehearse
from hostsim.events import Events
from hostsim.runtimes import micropython
from hostsim.runtimes.micropython.chip import OPTIONS
from hostsim.runtimes.sockets import Desk
from hostsim.world import World

PLENTY = "2m"
LOW_KIB, HIGH_KIB = 24, 1024
HOST = "broker.yard.example"
RECOVERY_WAKES = 40
MODULES = """
import gc, sys
gc.collect()
print("heap platform=%d" % gc.mem_alloc())
for name in {names}:
    gc.collect()
    before = gc.mem_alloc()
    __import__(name)
    gc.collect()
    print("heap-%s bytes=%d" % (name.split(".")[-1].replace("_", "-").lower(), gc.mem_alloc() - before))
"""
PLATFORM = (
    "machine",
    "network",
    "esp32",
    "socket",
    "ssl",
    "os",
    "time",
    "vfs",
    "json",
    "binascii",
    "struct",
    "errno",
)
OWN = """
last_good retained boards.console boards.clock_chips boards.mp_clock boards.mp_memory boards.mp_pins boards.mp_power
boards.mp_signal boards.micropython errors schedule timekeeping record awake ring storing sleeping sensors.quantities
sensors.loader sensors.sampling cycle boards.mp_card networks boards.mp_radio boards.mp_network mqtt senml uplink
backlog messages health delivery connecting sntp timesync
"""


def scenario(transmit_s: int, tls: bool):
    """North-stack alone, with a session at most every transmit_s."""
    found = rehearse.load(None, days=300)
    plan = found.nodes[0]
    text = plan.settings_toml.decode().replace("transmit_every_s = 3600", f"transmit_every_s = {transmit_s}")
    text = text.replace("tls = true", f"tls = {str(tls).lower()}")
    plan = replace(plan, settings_toml=text.encode(), settings=tomllib.loads(text))
    for network in found.networks:
        network.kind_at = lambda node, now_s: None
    return replace(found, nodes=[plan])


class Bench:
    """One node whose wakes are lived one by one."""

    def __init__(self, transmit_s: int, tls: bool, compiled: bool, desk: Desk | None):
        OPTIONS.heap, OPTIONS.compiled = PLENTY, compiled
        self._sends = transmit_s < 3600
        self.world = World(scenario(transmit_s, tls), Events(None), "", micropython.wake, desk)
        if desk is not None:
            desk.open(self.world)
        self.node = self.world.nodes[0]
        self._wake(PLENTY)

    def _wake(self, heap: str) -> bool:
        """True when the wake did all of its work."""
        OPTIONS.heap = heap
        self.world.events.traces.clear()
        node = self.node
        before = diary_format.ring(node.retained)[1]
        self.world._one_wake(node)
        _, head, acked_to = diary_format.ring(node.retained)
        return not self.world.events.traces and head == before + 1 and (acked_to == head or not self._sends)

    def smallest_kib(self) -> int:
        low, high = LOW_KIB, HIGH_KIB
        while high - low > 1:
            middle = (low + high) // 2
            if self._wake(f"{middle}k"):
                high = middle
            else:
                low = middle
                # until it is back in step, with nothing waiting and no retry put off
                for _ in range(RECOVERY_WAKES):
                    if self._wake(PLENTY):
                        break
        return high


def mosquitto(folder: Path, *lines: str):
    """(port, process), None where it is not installed."""
    binary = shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin:/opt/homebrew/sbin")
    if binary is None:
        return None
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    config = folder / f"mosquitto-{port}.conf"
    common = (f"listener {port} 127.0.0.1", f"user {getpass.getuser()}", "allow_anonymous true", "persistence false")
    config.write_text("\n".join((*common, *lines)) + "\n")
    process = subprocess.Popen([binary, "-c", config], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    for _ in range(500):
        try:
            socket.create_connection(("127.0.0.1", port), 1).close()
            break
        except OSError:
            time.sleep(0.02)
    return port, process


def where_it_goes(compiled: bool) -> None:
    """Heap that each module leaves, in the order in which a wake imports them."""
    bench = Bench(604800, False, compiled, None)
    names = list(PLATFORM) + [f"torpor.{name}" for name in OWN.split()]
    main = micropython.chip_of(bench.node, None).flash / "main.py"
    main.unlink()
    main.write_text(MODULES.format(names=names))
    lines = []
    bench.world.events.write = lambda t_ms, node, name, fields: lines.append((name, fields)) or ""
    bench._wake(PLENTY)
    platform = sum(fields["bytes"] for name, fields in lines[1 : 1 + len(PLATFORM)]) + lines[0][1]["platform"]
    print(f"where it goes ({'.mpy' if compiled else '.py'}), bytes; what stands in for the platform: {platform:,}")
    total = 0
    for name, fields in lines[1 + len(PLATFORM) :]:
        total += fields["bytes"]
        print(f"  {name.removeprefix('heap-'):18} {fields['bytes']:7,}")
    print(f"  {'all of them':18} {total:7,}")


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        authority = trustme.CA()
        authority.cert_pem.write_to_path(folder / "ca.pem")
        made = authority.issue_cert(HOST, not_before=datetime.datetime(2020, 1, 1, tzinfo=datetime.UTC))
        made.cert_chain_pems[0].write_to_path(folder / "made.pem")
        made.private_key_pem.write_to_path(folder / "made.key")
        plain = mosquitto(folder)
        secure = mosquitto(folder, f"certfile {folder}/made.pem", f"keyfile {folder}/made.key")
        pem = (folder / "ca.pem").read_text()
        try:
            for what, transmit_s, broker, ca in (
                ("a wake that only samples", 604800, None, None),
                ("a whole cycle, plain", 600, plain, None),
                ("a whole cycle, TLS", 600, secure, pem),
            ):
                if transmit_s == 600 and broker is None:
                    continue
                for compiled in (True, False):
                    desk = Desk(("127.0.0.1", broker[0]), ca) if broker else None
                    bench = Bench(transmit_s, ca is not None, compiled, desk)
                    kib = bench.smallest_kib()
                    print(f"{what:26} {'.mpy' if compiled else '.py':5} {kib:5} KiB", flush=True)
                    if desk is not None:
                        desk.close()
        finally:
            for started in (plain, secure):
                if started is not None:
                    started[1].terminate()
                    started[1].wait(10)
    where_it_goes(True)
    where_it_goes(False)


if __name__ == "__main__":
    main()
