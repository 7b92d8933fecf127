"""Storms by the thousand over any executor of concurrent.futures. Law: what a seed yields depends on the seed alone.

Neither on who lives through it, nor in which order. A worker that dies names its seed, and the others go on.
"""

import time
import traceback
from collections.abc import Callable, Iterator
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, wait
from contextlib import contextmanager

from hostsim import storm
from hostsim.storm_life import lived
from hostsim.storm_shrink import Failure, failure_of, shrink
from hostsim.storm_words import in_words

# so many wait for a worker: enough that none is idle, few enough that an interruption has little to call off
AHEAD = 3


def one(seed: int, days: float) -> dict:
    """Live through the storm of a seed: what storm_life.lived returns, cpu_s, and what it died of (`crashed`)."""
    began = time.process_time()
    try:
        result = lived(storm.scenario(seed, days))
    except Exception as error:
        result = dead(seed, days, "".join(traceback.format_exception(error)))
    else:
        result["crashed"] = None
    result["cpu_s"] = round(time.process_time() - began, 3)
    return result


def dead(seed: int, days: float, why: str) -> dict:
    """What a storm yields in which the rehearsal itself came to an end."""
    return {
        "seed": seed,
        "days": days,
        "nodes": [],
        "outages": {},
        "broken": [],
        "traces": [],
        "crashed": why,
        "cpu_s": 0.0,
    }


def not_small(seed: int, _days: float, why: str) -> dict:
    """What `small` yields when it came to an end itself."""
    return {"seed": seed, "pieces": [0, 0], "evidence": why, "lives": 0, "in_time": False, "left": [], "storm": None}


def small(seed: int, days: float, failure: Failure, limit_s: float) -> dict:
    """The storm of a seed made small: pieces (before, after), evidence, lives, in_time, what is left in words,
    and the storm itself."""
    whole = storm.storm(seed, days)
    found = shrink(whole, failure, limit_s)
    if not found.evidence:
        return not_small(seed, days, "lived through again, it did not fail in this way")
    return {
        "seed": seed,
        "pieces": [len(whole.pieces), len(found.storm.pieces)],
        "evidence": found.evidence,
        "lives": found.lives,
        "in_time": found.in_time,
        "left": [in_words(piece) for piece in found.storm.pieces],
        "storm": found.storm,
    }


def failed(result: dict) -> Failure | None:
    """How a storm failed; None: nothing broke."""
    if result["crashed"] is not None:
        return Failure(None, None, result["crashed"].strip().splitlines()[-1].partition(":")[0].rpartition(".")[2])
    return failure_of(result)


def all_of(tasks: list[tuple], make: Callable[[], Executor], jobs: int, work=one, lost=dead) -> Iterator[dict]:
    """What work(*task) returns for each task, as they come.

    make() -> an executor, anew each time that one has broken. A task whose worker dies twice, the second time alone,
    yields lost(*task[:2], why) instead.
    """
    waiting = list(reversed(tasks))
    while waiting:
        hurt: list[tuple] = []
        with _let_go(make()) as executor:
            flying: dict[Future, tuple] = {}
            while (waiting and not hurt) or flying:
                while waiting and not hurt and len(flying) < jobs * AHEAD:
                    task = waiting.pop()
                    try:
                        flying[executor.submit(work, *task)] = task
                    except BrokenExecutor:
                        hurt.append(task)
                done, _ = wait(flying, return_when=FIRST_COMPLETED)
                for future in done:
                    task = flying.pop(future)
                    try:
                        yield future.result()
                    except BrokenExecutor:
                        hurt.append(task)
                    except Exception as error:
                        yield lost(*task[:2], f"{type(error).__name__}: {error}")
        for task in hurt:
            yield _alone(task, make, work, lost)


@contextmanager
def _let_go(executor: Executor) -> Iterator[Executor]:
    """An interruption waits for nobody: what has not begun is called off."""
    try:
        yield executor
    except BaseException:
        executor.shutdown(wait=False, cancel_futures=True)
        raise
    executor.shutdown()


def _alone(task: tuple, make: Callable[[], Executor], work, lost) -> dict:
    with _let_go(make()) as executor:
        try:
            return executor.submit(work, *task).result()
        except BrokenExecutor as error:
            return lost(*task[:2], f"{type(error).__name__}: its worker died")
        except Exception as error:
            return lost(*task[:2], f"{type(error).__name__}: {error}")
