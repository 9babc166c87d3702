"""The same tasks on a dask.distributed cluster (the extra `cluster`).

A worker that dies takes no task with it: the scheduler gives its tasks to others. A task that
kills one worker after the other ends with an error of its own.
"""

from __future__ import annotations

from contextlib import contextmanager
from importlib import import_module
from typing import TYPE_CHECKING, Any, TypeVar

from cda.errors import CdaError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

T = TypeVar("T")
R = TypeVar("R")

ANSWER_S = 20.0  # for the scheduler, and for the first worker
_AHEAD = 2  # tasks handed out for each thread of the cluster
_TRIES = 3  # a task whose result was lost on the way is given out again


def run_on_cluster(
    function: Callable[[T], R],
    tasks: Iterable[T],
    *,
    scheduler: str,
    stopping: Callable[[], bool] = lambda: False,
) -> Iterator[tuple[T, R | BaseException]]:
    """Yield every task with its result, or the exception it ended with, as they finish.

    Parameters
    ----------
    function : callable
        Importable by name on the workers; takes one task.
    tasks : iterable
        Drawn from only as the cluster comes free.
    scheduler : str
        Address of the scheduler, as in "tcp://host:8786".
    stopping : callable
        True: no more tasks are begun, those at work are finished.

    Raises
    ------
    CdaError
        If the extra is not installed, nobody answers at the address, or the connection is lost.
    """
    waiting = iter(tasks)
    first = next(waiting, None)
    if first is None:
        return  # nothing to do needs no cluster
    with _client(scheduler) as (distributed, client):
        at_work: dict[Any, tuple[T, int]] = {}
        task: T | None = first
        while True:
            while task is not None and not stopping() and len(at_work) < _room(client):
                at_work[client.submit(function, task, pure=False)] = (task, 1)
                task = next(waiting, None)
            if not at_work:
                return
            try:
                with client.as_current():
                    done = distributed.wait(
                        list(at_work), timeout=1.0, return_when="FIRST_COMPLETED"
                    ).done
            except TimeoutError:
                done = set()
            except distributed.CancelledError:  # the connection was lost, or results with it
                done = {future for future in at_work if future.cancelled()}
            if client.status != "running":
                raise _lost(scheduler)
            for future in done:
                mine, tries = at_work.pop(future)
                if future.status == "finished":
                    yield mine, future.result()
                elif future.status == "error":
                    yield mine, future.exception()
                elif tries < _TRIES:
                    at_work[client.submit(function, mine, pure=False)] = (mine, tries + 1)
                else:
                    yield mine, CdaError("its result was lost on the way, several times")


def _room(client: Any) -> int:
    workers = client.scheduler_info(n_workers=-1)["workers"].values()
    return max(_AHEAD, _AHEAD * sum(int(worker["nthreads"]) for worker in workers))


@contextmanager
def _client(scheduler: str) -> Iterator[tuple[Any, Any]]:
    """Connect; whatever cannot work is said before the first task."""
    try:
        distributed: Any = import_module("distributed")  # its types are half there
    except ImportError as error:
        raise CdaError(
            "--scheduler needs the package distributed, which is not installed",
            where=scheduler,
            fix="install the extra: python -m pip install -e '.[cluster]' in the checkout",
        ) from error
    try:
        client = distributed.Client(scheduler, timeout=ANSWER_S, set_as_default=False)
    except (OSError, TimeoutError, ValueError) as error:
        raise CdaError(
            f"no scheduler answers ({str(error).splitlines()[0] if str(error) else 'no answer'})",
            where=scheduler,
            fix="start one with `dask scheduler`, or check the address",
        ) from error
    try:
        try:
            client.wait_for_workers(1, timeout=ANSWER_S)
        except TimeoutError as error:
            raise CdaError(
                "the scheduler has no worker",
                where=scheduler,
                fix=f"start some with `dask worker {scheduler}`",
            ) from error
        yield distributed, client
    finally:
        client.close(timeout=5)


def _lost(scheduler: str) -> CdaError:
    return CdaError(
        "the connection to the scheduler is lost",
        where=scheduler,
        fix="start it again and type the same command: what is finished is kept",
    )
