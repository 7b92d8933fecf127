"""The table at the end of docs/faults.md. Law: it says what was counted, whatever that is, and of which tree.

python tests/bench/bench_faults.py [--jobs N] --json faults.json --write    (about two hours on two processors)

Power cuts, storms and fuzzing, each in processes of its own. --json keeps each piece as soon as it is made; an
interruption loses the piece at work alone, and --go-on makes what is not there yet. docs/faults.md tells more.

Exit status: 0; 1, something was lost, broken or found; 2, bad use, or a piece that could not be made.
"""

import argparse
import os
import re
import signal
import sys
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parent)]

import faults_kept  # noqa: E402 - the folders of tests are no packages
import faults_parts  # noqa: E402
import faults_table  # noqa: E402
import marked_page  # noqa: E402

PAGE = Path(__file__).parents[2] / "docs" / "faults.md"
DAYS = (0.1, 365.0)
# a storm comes to 0.6 node-months
USUAL = {"seeds": "1:3401", "days": 14.0, "fuzz_seconds": 120}
QUICK = {"seeds": "1:61", "days": 14.0, "fuzz_seconds": 10}
BROKEN, BAD_INPUT, INTERRUPTED = 1, 2, 130


def main(words: list[str] | None = None, page: Path = PAGE, made=faults_parts.made) -> int:
    """words: as typed. page: the one with the markers. made(piece) -> its figures, or NotMade."""
    asked = _asked(words)
    try:
        if asked.write:
            marked_page.placed(page, "figures", "")  # what is wrong with the page must not show after an hour
        if asked.from_ is not None:
            kept, whole = faults_kept.load(asked.from_), True
        else:
            kept, whole = _make(asked, made)
        text = faults_table.table(kept)
        print(text, flush=True)
        if asked.write:
            marked_page.write(page, "figures", text)
    except marked_page.Unusable as error:
        return _say(str(error), BAD_INPUT)
    except KeyboardInterrupt:
        return _say("interrupted; what was made before is kept with --json", INTERRUPTED)
    return BROKEN if faults_table.broken(kept) else BAD_INPUT if not whole else 0


def _make(asked, made) -> tuple[list[dict], bool]:
    """(all pieces that are kept now, whether all were made that were asked for), in the order of the parts."""
    parts = asked.only or faults_parts.PARTS
    plan = faults_parts.planned(parts, asked.seeds, asked.days, asked.jobs, asked.fuzz_seconds, asked.quick)
    kept = faults_kept.load(asked.json) if asked.json and asked.json.exists() else []
    there = {}
    if asked.go_on:
        there = {piece["key"]: piece for piece in kept if piece["sources"] == faults_parts.tree(piece["part"])[2]}
    # what is made anew replaces the whole part: pieces of two ways to ask are never summed
    kept = [piece for piece in kept if piece["part"] not in parts]
    kept += [there[piece.key] for piece in plan if piece.key in there]
    whole = True
    _keep(asked.json, kept)
    for piece in plan:
        if piece.key in there:
            continue
        print(f"-- {piece.command}", file=sys.stderr, flush=True)
        try:
            kept.append(made(piece))
        except faults_parts.NotMade as error:
            whole = False
            _say(str(error))
        _keep(asked.json, kept)
    return kept, whole


def _keep(file: Path | None, kept: list[dict]) -> None:
    if file is not None:
        faults_kept.save(file, kept)


def _asked(words: list[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", metavar="A:B", help=f"of the storms, from A to before B; {USUAL['seeds']}")
    parser.add_argument("--days", type=float, help=f"of each storm; {USUAL['days']:g}")
    parser.add_argument("--jobs", type=int, help="processes that cut and storm; one for each processor")
    parser.add_argument("--fuzz-seconds", type=int, metavar="N", help=f"for each target; {USUAL['fuzz_seconds']}")
    parser.add_argument("--quick", action="store_true", help="little of everything: some minutes")
    parser.add_argument("--only", action="append", choices=faults_parts.PARTS, help="this part; may come again")
    parser.add_argument("--json", type=Path, metavar="FILE", help="keep all figures; other parts in it stay")
    parser.add_argument("--go-on", action="store_true", help="leave out what FILE has of the same sources")
    parser.add_argument("--from", type=Path, metavar="FILE", dest="from_", help="run nothing, take kept figures")
    parser.add_argument("--write", action="store_true", help="put the table into docs/faults.md")
    asked = parser.parse_args(words)
    making = ("seeds", "days", "jobs", "fuzz_seconds", "quick", "only", "json", "go_on")
    if asked.from_ is not None and any(getattr(asked, name) not in (None, False) for name in making):
        parser.error("--from: runs nothing, and goes with --write alone")
    if asked.go_on and asked.json is None:
        parser.error("--go-on: needs --json")
    for name, usual in (QUICK if asked.quick else USUAL).items():
        if getattr(asked, name) is None:
            setattr(asked, name, usual)
    asked.jobs = (os.cpu_count() or 1) if asked.jobs is None else asked.jobs
    found = re.fullmatch(r"([0-9]{1,10}):([0-9]{1,10})", asked.seeds)
    if found is None or int(found[1]) >= int(found[2]):
        parser.error("--seeds: must be A:B, from A to before B, such as 1:101")
    asked.seeds = (int(found[1]), int(found[2]))
    if not DAYS[0] <= asked.days <= DAYS[1]:
        parser.error(f"--days: must be a number from {DAYS[0]:g} to {DAYS[1]:g}")
    if asked.jobs < 1 or asked.fuzz_seconds < 1:
        parser.error("--jobs, --fuzz-seconds: must be a whole number from 1")
    return asked


def _say(line: str, status: int = 0) -> int:
    print(f"bench_faults: {line}", file=sys.stderr, flush=True)
    return status


if __name__ == "__main__":
    # so that its children end with it
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(128 + signal.SIGTERM))
    sys.exit(main())
