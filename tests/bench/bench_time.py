"""Stated against actual times under each fault of time. Law: it says what was stated and what was true, of all cases.

python tests/bench/bench_time.py [--days N] [--seed N] [--only TEXT] [--json FILE] [--write]    (about a minute)

--write puts the tables into section "Time" of docs/faults.md, which says how to read them.

Exit status: 0; 1, a time was off by more than it stated, an uncertainty was larger than invariant 5 allows, or the
judge found a promise broken; 2, bad use.
"""

import argparse
import json
import sys
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parent)]

import marked_page  # noqa: E402 - the folders of tests are no packages
import times_cases  # noqa: E402
import times_table  # noqa: E402
from times_figures import failed, row  # noqa: E402

PAGE = Path(__file__).parents[2] / "docs" / "faults.md"
DAYS = (2.0, 365.0)
BROKEN, BAD_INPUT = 1, 2


def main(words: list[str] | None = None, page: Path = PAGE) -> int:
    asked = _asked(words)
    rows = []
    try:
        if asked.write:
            marked_page.placed(page, "times", "")  # what is wrong with the page must not show after a minute
        for case in asked.cases:
            rows.append(row(case, asked.days, asked.seed))
            print(f"-- {case.fault}, {case.clock}", file=sys.stderr, flush=True)
        text = times_table.tables(rows)
        print(text, flush=True)
        if asked.json is not None:
            asked.json.write_text(json.dumps({"schema": 1, "rows": rows}, indent=1) + "\n", encoding="utf-8")
        if asked.write:
            marked_page.write(page, "times", text)
    except (marked_page.Unusable, OSError) as error:
        return _say(str(error), BAD_INPUT)
    for found in filter(failed, rows):
        _say(_failure(found))
    return BROKEN if any(map(failed, rows)) else 0


def _failure(found: dict) -> str:
    facts = [f"{found['outside']} outside", f"{found['above_bound']} above the bound"]
    facts.append(f"{found['collector']['outside']} outside at the collector")
    facts += [f"invariant {number}: {evidence}" for number, evidence in found["broken"].items()]
    return f"{found['fault']}, {found['clock']}: {'; '.join(facts)}"


def _asked(words: list[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--days", type=float, default=30.0, help="that each case lasts; 30")
    parser.add_argument("--seed", type=int, default=1, help="where chance begins; 1")
    parser.add_argument("--only", metavar="TEXT", help="cases in whose fault or clock this stands")
    parser.add_argument("--json", type=Path, metavar="FILE", help="all figures")
    parser.add_argument("--write", action="store_true", help="put the tables into docs/faults.md")
    asked = parser.parse_args(words)
    if not DAYS[0] <= asked.days <= DAYS[1]:
        parser.error(f"--days: must be a number from {DAYS[0]:g} to {DAYS[1]:g}")
    if not 0 <= asked.seed < 2**32:
        parser.error("--seed: must be a whole number from 0 to 4294967295")
    if asked.only is not None and asked.write:
        parser.error("--only: --write writes all rows")
    asked.cases = [
        case for case in times_cases.cases() if asked.only is None or asked.only in f"{case.fault}, {case.clock}"
    ]
    if not asked.cases:
        parser.error(f"--only: no case has {asked.only!r} in it")
    return asked


def _say(line: str, status: int = 0) -> int:
    print(f"bench_time: {line}", file=sys.stderr, flush=True)
    return status


if __name__ == "__main__":
    sys.exit(main())
