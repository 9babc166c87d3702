"""Tasks in parallel processes of this machine, one thread of linear algebra each.

A process that dies takes no other task with it: whatever was at work is tried once more, each
alone, and only the task that kills a process again ends with an error. Workers end when their
parent does, however it ends.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager
from typing import Any, TypeVar

T = TypeVar("T")
R = TypeVar("R")
Outcomes = Iterator[tuple[T, R | BaseException]]

_THREADS = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "BLIS_NUM_THREADS",
    "VECLIB_MAXIMUM_THREADS",
    "NUMEXPR_NUM_THREADS",
)
_AHEAD = 2  # tasks handed out for each process: none waits for work, none piles up


def processors() -> int:
    """Return how many processors this process may use."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # not every system tells
        return os.cpu_count() or 1


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """Let processes started meanwhile use one thread for linear algebra.

    Two threads a process would fight for the processors, and their number would change digits.
    """
    before = {name: os.environ.get(name) for name in _THREADS}
    os.environ.update(dict.fromkeys(_THREADS, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def _begin_worker() -> None:
    """Leave Ctrl-C to the parent, and end with it: a killed parent must not leave orphans."""
    import multiprocessing
    import signal
    import threading

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()

    def watch() -> None:
        assert parent is not None
        parent.join()
        os._exit(1)

    if parent is not None:
        threading.Thread(target=watch, daemon=True).start()


def run_locally(
    function: Callable[[T], R],
    tasks: Iterable[T],
    *,
    jobs: int,
    stopping: Callable[[], bool] = lambda: False,
) -> Outcomes[T, R]:
    """Yield every task with its result, or the exception it ended with, as they finish.

    Parameters
    ----------
    function : callable
        Importable by name; takes one task.
    tasks : iterable
        Drawn from only as processes come free.
    jobs : int
        Number of processes.
    stopping : callable
        True: no more tasks are begun, those at work are finished.
    """
    from concurrent.futures.process import BrokenProcessPool

    waiting = iter(tasks)
    suspects: list[T] = []
    while not stopping():
        if suspects:
            # One at a time: if a process dies again, it is known whose task it was.
            handed = 0
            for task, outcome in _one_pool(function, iter(suspects), 1, 1, stopping):
                handed += 1
                yield task, outcome
            suspects = suspects[handed:]
            continue
        for task, outcome in _one_pool(function, waiting, jobs, jobs * _AHEAD, stopping):
            if isinstance(outcome, BrokenProcessPool):
                suspects.append(task)
            else:
                yield task, outcome
        if not suspects:
            return


def _one_pool(
    function: Callable[[T], R],
    source: Iterator[T],
    jobs: int,
    most: int,
    stopping: Callable[[], bool],
) -> Outcomes[T, R]:
    """Run tasks, at most `most` handed out at once, until there are none or the pool is broken."""
    import multiprocessing
    from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
    from concurrent.futures.process import BrokenProcessPool

    pool: Any = None
    at_work: dict[Future[R], T] = {}
    broken = False
    with _one_thread_each(), ExitStack() as stack:
        while True:
            while not broken and not stopping() and len(at_work) < most:
                task = next(source, None)
                if task is None:
                    break
                if pool is None:  # started only if there is something to do
                    pool = ProcessPoolExecutor(
                        jobs,
                        mp_context=multiprocessing.get_context("spawn"),
                        initializer=_begin_worker,
                    )
                    stack.callback(pool.shutdown, wait=True, cancel_futures=True)
                try:
                    at_work[pool.submit(function, task)] = task
                except BrokenProcessPool as error:
                    broken = True
                    yield task, error
            if not at_work:
                return
            if stopping():
                for future in list(at_work):
                    if future.cancel():
                        del at_work[future]
            done, _ = wait(at_work, timeout=0.5, return_when=FIRST_COMPLETED)
            for future in done:
                task = at_work.pop(future)
                failure = future.exception()
                broken = broken or isinstance(failure, BrokenProcessPool)
                yield task, failure if failure is not None else future.result()
