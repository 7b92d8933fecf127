"""How fast a node lives and how much memory that takes. Prints figures; asserts nothing.

python tests/bench/bench_rehearsal.py [DAYS]    (default 365)

Each run is a process of its own, so that its peak memory is its own; ratios are between runs of one call.
"""

import json
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path


def one(days: float) -> None:
    from hostsim import events, rehearse, world
    from hostsim.runtimes import fast

    scenario = rehearse.load(None, days=days)
    # one node, with a cell that lasts through the longest run
    plan = scenario.nodes[2]
    scenario = replace(scenario, nodes=[replace(plan, cell={**plan.cell, "capacity_mah": 50_000})])
    with tempfile.TemporaryDirectory() as folder, (Path(folder) / "events.jsonl").open("w") as stream:
        lived = world.World(scenario, events.Events(stream), "", fast.wake)
        cpu_s, wall_s = time.process_time(), time.perf_counter()
        lived.run()
        cpu_s, wall_s = time.process_time() - cpu_s, time.perf_counter() - wall_s
    node = lived.nodes[0]
    stored = lived.finish()[node.name]["stored"]
    print(
        json.dumps(
            {
                "days": days,
                "wakes": node.wakes,
                "cpu_s": cpu_s,
                "wall_s": wall_s,
                "peak_mib": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
                "sector_writes": node.card.writes,
                "sector_reads": node.card.reads,
                "stored": stored,
            }
        )
    )


def measured(days: float) -> dict:
    ran = subprocess.run([sys.executable, __file__, "--one", str(days)], capture_output=True, text=True, check=True)
    return json.loads(ran.stdout)


def main() -> None:
    if sys.argv[1:2] == ["--one"]:
        one(float(sys.argv[2]))
        return
    days = float(sys.argv[1]) if len(sys.argv) > 1 else 365.0
    rows = [measured(share * days) for share in (0.25, 0.5, 1.0, 2.0)]
    print("one node at 10 min, report excluded, one process each")
    heads = ("days", 7), ("wakes", 8), ("CPU s", 8), ("wall s", 8), ("us a wake", 10), ("peak MiB", 9)
    print(*(f"{text:>{width}}" for text, width in (*heads, ("writes a reading", 17))))
    for row in rows:
        print(
            f"{row['days']:7.1f} {row['wakes']:8d} {row['cpu_s']:8.2f} {row['wall_s']:8.2f} "
            f"{row['cpu_s'] / row['wakes'] * 1e6:10.1f} {row['peak_mib']:9.1f} "
            f"{(row['sector_writes'] - 2) / row['stored']:17.4f}"
        )
    whole, twice = rows[2], rows[3]
    print(f"twice the wakes: {twice['cpu_s'] / whole['cpu_s']:.2f} times the CPU time")
    print(f"twice the wakes: {twice['peak_mib'] - whole['peak_mib']:+.1f} MiB of peak memory")


if __name__ == "__main__":
    main()
