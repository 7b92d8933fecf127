"""Who lives through storms: processes of this computer, or a Dask cluster that is there already.

Law: no scheduler of our own; both are executors of concurrent.futures.
"""

import multiprocessing
import os
import signal
from collections.abc import Callable
from concurrent.futures import Executor, ProcessPoolExecutor

CONNECT_S = 10


class NoCluster(Exception):
    """There is no cluster to use; str() is one line."""


def cpus() -> int:
    """How many this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def processes(jobs: int) -> Callable[[], Executor]:
    """Makes pools of `jobs` processes, which leave an interruption to this one."""
    # a new interpreter each: what a thread of this process holds cannot be held for ever in a copy of it
    context = multiprocessing.get_context("spawn")

    def make() -> Executor:
        return ProcessPoolExecutor(jobs, mp_context=context, initializer=_deaf)

    return make


def _deaf() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def end_workers() -> None:
    """End the processes that `processes` has started, whatever they are at."""
    for child in multiprocessing.active_children():
        child.terminate()


def cluster(address: str) -> tuple[Callable[[], Executor], int]:
    """(what makes executors, number of workers' threads) of a Dask cluster. Raises NoCluster."""
    try:
        from distributed import Client
    except ImportError:
        raise NoCluster('needs Dask: pip install "torpor[dask]"') from None
    try:
        client = Client(address, timeout=CONNECT_S, set_as_default=False)
        threads = sum(client.nthreads().values())
    except (OSError, ValueError, TypeError) as error:
        raise NoCluster(f"no cluster answers there: {str(error).splitlines()[0]}") from None
    # a pure task of the same arguments would not be done again
    return lambda: client.get_executor(pure=False), max(1, threads)
