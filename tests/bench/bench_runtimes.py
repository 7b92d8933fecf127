"""How fast each runtime lives, and what a reading costs the card. Prints figures; asserts nothing.

python tests/bench/bench_runtimes.py [DAYS]    (default 0.5)

The bundled yard on every runtime: wakes a second, and sectors written a reading after the ring is made. On the
micropython runtime a sector is what the real FAT wrote to its block device.
"""

import sys
import time


def lived(days: float) -> list[tuple]:
    from hostsim import rehearse
    from hostsim.runtimes import RuntimeAbsent

    rows = []
    for runtime in rehearse.RUNTIMES:
        run = rehearse.Rehearsal(rehearse.load(None, days=days), None, runtime=runtime)
        started_s = time.perf_counter()
        try:
            results = run.run(None)
        except RuntimeAbsent as absent:
            print(f"{runtime:14} {absent}")
            continue
        took_s = time.perf_counter() - started_s
        wakes = sum(node["wakes"] for node in results["nodes"])
        stored = sum(node["readings"]["stored"] for node in results["nodes"])
        lost = sum(node["readings"]["lost"] for node in results["nodes"])
        written = sum(node["card"]["sector_writes"] for node in results["nodes"])
        rows.append((runtime, days, wakes, took_s, stored, lost, written))
    return rows


def main(days: float) -> None:
    print(f"three nodes; figures of the second half of {days:g} days, after the rings were made")
    first, second = lived(days / 2), lived(days)
    for half, whole in zip(first, second, strict=True):
        runtime, _, wakes, took_s, stored, lost, written = whole
        rate = (wakes - half[2]) / (took_s - half[3])
        sectors = (written - half[6]) / (stored - half[4])
        print(
            f"{runtime:14} {rate:8.1f} wakes/s   {sectors:.4f} sector writes a reading   {stored} stored, {lost} lost"
        )


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 0.5)
