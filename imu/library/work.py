"""The same work on many things: here, on all cores, or on a Dask cluster.

`spread` hands out tasks a few ahead and gives each result as it comes, once. A process that dies
takes nothing with it: what it had is done again by another.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, ProcessPoolExecutor, wait
from contextlib import contextmanager
from multiprocessing import get_context
from typing import Any, TypeVar

from imu.errors import CupbowError, UsageError

Task = TypeVar("Task")
Result = TypeVar("Result")

CONNECT_S = 10
RETRIES = 3
"""So many workers of a cluster may be lost over one task before it is taken for the culprit."""


def cores() -> int:
    """How many cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def spread(
    work: Callable[[Task], Result], tasks: Iterable[Task], *, jobs: int, executor: Executor | None = None
) -> Iterator[tuple[Task, Result | str]]:
    """Each task with its result, in the order in which they finish; a line of text says why there is none.

    `jobs` processes here, or an executor for so many at once. Twice as many tasks are under way,
    so that memory stays the same however many there are.
    """
    if jobs <= 1 and executor is None:
        for one in tasks:
            yield one, _guarded(work, one)
        return
    waiting, end = iter(tasks), object()
    pool = executor or _processes(jobs)
    running: dict[Future[Result | str], Task] = {}
    try:
        while True:
            broken: list[Task] = []
            while len(running) < 2 * max(jobs, 1) and not broken:
                task: Any = next(waiting, end)
                if task is end:
                    break
                try:
                    running[pool.submit(_guarded, work, task)] = task
                except BrokenExecutor:  # a process died since
                    broken.append(task)
            if not running and not broken:
                return
            ready = wait(running, return_when=FIRST_COMPLETED).done if not broken else set()
            for future in ready:
                task = running.pop(future)
                try:
                    yield task, future.result()
                except BrokenExecutor:
                    broken.append(task)
                except Exception as error:
                    yield task, f"its process stopped ({type(error).__name__})"
            if broken:  # a process of the pool died, and all that was under way with it: whose fault it was shows alone
                suspects = [*broken, *running.values()]
                running.clear()
                if executor is None:
                    pool.shutdown(wait=True, cancel_futures=True)
                    pool = _processes(jobs)
                for task in suspects:
                    yield task, _alone(work, task)
    finally:
        if executor is None:
            pool.shutdown(wait=True, cancel_futures=True)
        else:
            for future in running:
                future.cancel()


def _processes(jobs: int) -> Executor:
    # Fresh processes rather than forks: the parent has threads and an open database.
    return ProcessPoolExecutor(jobs, mp_context=get_context("spawn"))


def _alone(work: Callable[[Task], Result], task: Task) -> Result | str:
    """In a process of its own, so that a task that takes its process down takes no other along."""
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        try:
            return pool.submit(_guarded, work, task).result()
        except BrokenExecutor:
            return "its process was stopped twice (too little memory?); try again with --jobs 1"


def _guarded(work: Callable[[Task], Result], task: Task) -> Result | str:
    try:
        return work(task)
    except CupbowError as error:
        return str(error)
    except Exception as error:
        return f"a fault of the program, {type(error).__name__}: {error}"


# -- a cluster -------------------------------------------------------------------------------------


_SCHEDULER = re.compile(r"inproc://.+|([a-z]+://)?\S+:\d+/?")


@contextmanager
def cluster(address: str) -> Iterator[tuple[Executor, int]]:
    """A Dask cluster by its scheduler's address, as an executor, and how many tasks it does at once.

    Raises UsageError where there is none, and where a worker measures with other code than this
    one: its values would be filed under a wrong name.
    """
    try:
        from distributed import Client
    except ModuleNotFoundError:
        raise UsageError('--cluster needs Dask: pip install "cupbow[cluster]", here and on every worker') from None
    from imu.fingerprint import measuring_code

    if not _SCHEDULER.fullmatch(address):  # a word alone is tried again and again, and leaves a trace of it
        raise UsageError(
            f"--cluster {address}: no scheduler answers there (an address is as tcp://10.0.0.5:8786); "
            "start one with `dask scheduler`"
        )
    try:
        client: Any = Client(address, timeout=CONNECT_S, set_as_default=False)
    except (OSError, TimeoutError, ValueError) as error:
        raise UsageError(
            f"--cluster {address}: no scheduler answers there ({str(error).splitlines()[0][:120]}); "
            "start one with `dask scheduler`"
        ) from None
    with client:
        threads = dict(client.nthreads())
        if not threads:
            raise UsageError(f"--cluster {address}: has no workers; start some with `dask worker {address}`")
        try:
            codes = client.run(measuring_code)
        except Exception as error:
            raise UsageError(
                f"--cluster {address}: a worker cannot run cupbow ({type(error).__name__}: "
                f"{str(error).splitlines()[0][:120]}); install this version of cupbow on every worker"
            ) from None
        for worker, code in codes.items():
            if code != measuring_code():
                raise UsageError(
                    f"--cluster {address}: worker {worker} has other code ({code}, here {measuring_code()}); "
                    "install the same cupbow everywhere"
                )
        yield client.get_executor(pure=False, retries=RETRIES), sum(threads.values())
