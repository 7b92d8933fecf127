"""Storms on the desk: `torpor rehearse --storm`. Law: what failed can be done again with one command that is shown.

docs/storms.md tells how to run them and how to read what they print.
"""

import json
import re
import shlex
from pathlib import Path
from typing import NoReturn

import typer

from deploy import printing
from deploy.storm_executor import NoCluster, cluster, cpus, end_workers, processes
from deploy.storm_show import lines, table

BROKEN, BAD_INPUT, INTERRUPTED = 1, 2, 130
DAYS = (0.1, 365)
JOBS_MAX = 1024
SHRINK_S = 60.0
SHRINK_S_MAX = 3600
# so many failing seeds are made small, those that fail in ways of their own first
SHRUNK_MAX = 8
SEEDS_HELP = "With --storm: from A to before B, such as 1:101."


def rehearse_storms(
    seeds: str | None,
    days: float | None,
    jobs: int | None,
    dask: str | None,
    shrink_s: float | None,
    out: Path,
    json_file: Path | None,
) -> NoReturn:
    """Live through the storms of some seeds; exit with 0, 1 (something is broken) or 2 (bad use)."""
    from hostsim.storm import DAYS as DAYS_USUAL
    from hostsim.storm_sum import Sum

    days = DAYS_USUAL if days is None else days
    shrink_s = SHRINK_S if shrink_s is None else shrink_s
    first, end = _seeds(seeds)
    if not DAYS[0] <= days <= DAYS[1]:
        complain(f"--days: must be a number from {DAYS[0]:g} to {DAYS[1]} with --storm")
    if jobs is not None and not 1 <= jobs <= JOBS_MAX:
        complain(f"--jobs: must be a whole number from 1 to {JOBS_MAX}")
    if not 0 <= shrink_s <= SHRINK_S_MAX:
        complain(f"--shrink-s: must be a number of seconds from 0 to {SHRINK_S_MAX}")
    if jobs is not None and dask is not None:
        complain("--jobs: is for processes of this computer; a cluster has the workers that it has")
    try:
        make, workers = cluster(dask) if dask is not None else (processes(jobs or cpus()), jobs or cpus())
    except NoCluster as error:
        complain(f"--dask: {error}")
    try:
        total = Sum()
        _all(total, range(first, end), days, make, workers)
        made_small = _made_small(total, days, shrink_s, make, workers)
    except KeyboardInterrupt:
        end_workers()
        printing.say("interrupted; nothing was written")
        raise typer.Exit(INTERRUPTED) from None
    figures = {"seeds": [first, end], "days": days, **total.figures(), "shrunk": made_small}
    _write(figures, out, json_file)
    try:
        printing.show([table(figures)], lines(figures, lambda seed: replay(seed, days)))
    except printing.Unprinted as error:
        complain(str(error))
    raise typer.Exit(BROKEN if figures["failed"] else 0)


def replay(seed: int, days: float) -> str:
    """The command that lives through one storm again."""
    return shlex.join(["torpor", "rehearse", "--storm", "--seeds", f"{seed}:{seed + 1}", "--days", f"{days:.15g}"])


def _seeds(text: str | None) -> tuple[int, int]:
    from hostsim.scenario import SEED_MAX

    found = re.fullmatch(r"([0-9]{1,10}):([0-9]{1,10})", text or "")
    if found is None or not int(found[1]) < int(found[2]) <= SEED_MAX + 1:
        complain(f"--seeds: must be A:B, from A to before B, such as 1:101, up to {SEED_MAX + 1}")
    return int(found[1]), int(found[2])


def _all(total, seeds: range, days: float, make, workers: int) -> None:
    from hostsim.storm_run import all_of

    with printing.bar() as bar:
        task = bar.add_task(f"{len(seeds)} storms of {days:g} days", total=len(seeds))
        for result in all_of([(seed, days) for seed in seeds], make, workers):
            total.take(result)
            bar.update(task, advance=1)


def _made_small(total, days: float, shrink_s: float, make, workers: int) -> list[dict]:
    """The failing storms with everything left out that they do not need to fail; in the order of their seeds."""
    from hostsim.storm_run import all_of, failed, not_small, small

    found = {seed: failed(result) for seed, result in sorted(total.failed.items())}
    first = {(failure.invariant, failure.what): seed for seed, failure in reversed(found.items())}
    chosen = [*first.values(), *(seed for seed in found if seed not in first.values())][:SHRUNK_MAX]
    if not chosen or not shrink_s:
        return []
    tasks = [(seed, days, found[seed], shrink_s) for seed in sorted(chosen)]
    with printing.bar() as bar:
        task = bar.add_task("making small what failed", total=len(tasks))
        results = []
        for result in all_of(tasks, make, workers, small, not_small):
            results.append(result)
            bar.update(task, advance=1)
    return sorted(results, key=lambda result: result["seed"])


def _write(figures: dict, out: Path, json_file: Path | None) -> None:
    """The small storms as scenarios into `out`, and the figures; `storm` of each becomes its `folder`."""
    from hostsim.storm_pieces import built
    from hostsim.storm_text import write

    try:
        for entry in figures["shrunk"]:
            storm = entry.pop("storm")
            entry["folder"] = None
            if storm is not None:
                folder = out / f"seed-{entry['seed']}"
                write(built(storm), folder)
                entry["folder"] = str(folder)
        if json_file is not None:
            json_file.write_text(json.dumps(figures, indent=1) + "\n", encoding="utf-8")
    except OSError as error:
        complain(f"{error.filename or out}: {error.strerror or error}")


def complain(line: str) -> NoReturn:
    printing.say(line)
    raise typer.Exit(BAD_INPUT)
