"""How fast each runtime lives, and what a reading costs the card. Prints figures; asserts nothing.

python tests/bench/bench_runtimes.py [DAYS]    (default 0.5)

The bundled yard on every runtime: wakes a second, and sectors written a reading after the ring is made. On the
micropython runtime a sector is what the real FAT wrote to its block device.
"""

import sys
import time


def main(days: float) -> None:
    from hostsim import rehearse
    from hostsim.runtimes import RuntimeAbsent

    print(f"{days:g} days, three nodes")
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
        # two layout sectors when a ring is made; they are no reading's
        making = 2 * len(results["nodes"])
        print(
            f"{runtime:14} {wakes / took_s:8.1f} wakes/s   {(written - making) / stored:.4f} sectors written a reading"
            f"   {stored} stored, {lost} lost"
        )


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 0.5)
