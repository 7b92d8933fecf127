"""Power cuts at every write, in every way: what is lost. Law: status 1 when anything is, or a number has two uses.

python tests/bench/bench_cuts.py [--quick] [--vm] [--jobs N] [--json FILE]

Plain devices first. With --vm also the real FAT on an image in the real MicroPython VM. What each way leaves behind
stands in docs/cuts.md.
"""

import argparse
import json
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from pathlib import Path

TESTS = Path(__file__).parents[1]
sys.path[:0] = [str(TESTS / folder) for folder in ("bench", "unit", "runtime", "")]

import cuts_node  # noqa: E402 - the folders of tests are no packages
import cuts_nvm  # noqa: E402
import cuts_places  # noqa: E402
import cuts_plain  # noqa: E402
from ring_device import CUTS  # noqa: E402

FIGURES = ("cuts", "stored", "lost", "bound", "two_contents", "stuck", "beside", "person")
HEADS = ("cuts", "stored", "lost", "may be", "twice", "stuck", "beside", "person")
SEEDS = 5000
SEEDS_A_TASK = 250
# {size of the ring in MiB: (where its head is, in the first lap and in later ones; at how many places in a unit)}
UNITS = {
    1: ((700, 2500, 3100), 8),
    5: ((3000, 12000, 24001, 37000), 16),
    8: ((9001, 13001, 24000, 30192), 32),
    16: ((20000, 32570, 41001, 66000), 4),
}


def tasks(quick: bool) -> list[tuple]:
    """(function, arguments) of each piece of work on plain devices, the long ones first."""
    modes = CUTS
    readings = 300 if quick else cuts_plain.READINGS
    units = {1: UNITS[1]} if quick else UNITS
    work = [(cuts_places.unit_gone, mib, *where) for mib, where in reversed(units.items())]
    work += [(cuts_plain.every_write, mode, readings) for mode in modes]
    work += [(cuts_plain.torn_at, end, readings, 30 if quick else 1) for end in range(16, 512, 16)]
    work += [(cuts_plain.repairs, mode, readings, 100 if quick else 29) for mode in modes]
    work += [(cuts_places.layouts, mode, 32 if quick else 5) for mode in modes]
    count = SEEDS_A_TASK if quick else SEEDS
    for begin in range(0, count, SEEDS_A_TASK):
        work += [(cuts_plain.in_a_row, range(begin, begin + SEEDS_A_TASK), hard) for hard in (False, True)]
    work += [(cuts_nvm.every_write, mode, 64 if quick else 1) for mode in cuts_nvm.MODES]
    work += [(cuts_nvm.both_slots, mode) for mode in ("0xFF", "zeroed")]
    work += [(cuts_nvm.blobs, mode) for mode in ("between entries", "entry gone")]
    work += [(cuts_node.card_writes, mode) for mode in modes]
    work += [(cuts_node.clock, mode) for mode in cuts_node.CLOCK_MODES]
    work += [(cuts_node.memory, mode, 7 if quick else 1) for mode in cuts_node.MEMORY_MODES]
    return work


def merged(rows: list) -> list:
    """Rows of the same kind as one."""
    whole: dict[tuple[str, str], cuts_plain.Row] = {}
    for row in rows:
        into = whole.setdefault((row.what, row.mode), cuts_plain.Row(row.what, row.mode))
        for name in FIGURES:
            setattr(into, name, getattr(into, name) + getattr(row, name))
    return list(whole.values())


def run(work: list[tuple], jobs: int) -> list:
    if jobs == 1:
        found = [function(*arguments) for function, *arguments in work]
    else:
        with ProcessPoolExecutor(jobs) as pool:
            found = [future.result() for future in [pool.submit(*task) for task in work]]
    return merged([row for rows in found for row in (rows if isinstance(rows, list) else [rows])])


def shown(rows: list) -> None:
    for row in [None, *rows]:
        figures = HEADS if row is None else [f"{getattr(row, name):,}" for name in FIGURES]
        what, how = ("what", "how") if row is None else (row.what, row.mode)
        line = f"{what:<27} {how:<18}" + "".join(f"{figure:>11}" for figure in figures)
        print(line + ("   FAILED" if row is not None and row.failed() else ""), flush=True)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="less of everything: about a minute")
    parser.add_argument("--vm", action="store_true", help="the real FAT in the real MicroPython VM as well")
    parser.add_argument("--only-vm", action="store_true", help="that alone")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--json", type=Path, metavar="FILE")
    asked = parser.parse_args()
    begun_s = time.monotonic()
    work = [] if asked.only_vm else tasks(asked.quick)
    if asked.vm or asked.only_vm:
        import cuts_vm

        work += cuts_vm.tasks(asked.quick)
    rows = run(work, asked.jobs)
    wall_s = round(time.monotonic() - begun_s, 1)
    shown(rows)
    print(f"{sum(row.cuts for row in rows):,} cuts in {wall_s:.0f} s")
    if asked.json:
        found = {
            "schema": 1,
            "readings": 300 if asked.quick else cuts_plain.READINGS,
            "rows": [asdict(row) for row in rows],
            "wall_s": wall_s,
        }
        asked.json.write_text(json.dumps(found, indent=1) + "\n")
    return int(any(row.failed() for row in rows))


if __name__ == "__main__":
    sys.exit(main())
