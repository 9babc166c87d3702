"""Bring the archive up to date with the tests found.

Each test is looked up once more right before it is handed out, and every process takes the tests
in an order of its own: two processes on one archive share the work instead of doing it twice. The
results hang on neither the order nor the number of workers.
"""

from __future__ import annotations

import random
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from cda.archive.cluster import run_on_cluster
from cda.archive.discovery import Found, TestFolder, input_files, software_version
from cda.archive.record import Record, Task, examine, failed
from cda.archive.workers import run_locally
from cda.errors import CdaError

if TYPE_CHECKING:
    from cda.archive.store import Archive
    from cda.results import Finding

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Update:
    """What one pass did.

    Attributes
    ----------
    tests : tuple of str
        Names of all tests found.
    computed, unchanged : int
        How many were computed now (the bad ones too), and how many were there already.
    findings : tuple of Finding
        What was passed over.
    """

    tests: tuple[str, ...]
    computed: int
    unchanged: int
    findings: tuple[Finding, ...]


def update_archive(
    archive: Archive,
    found: Found,
    *,
    jobs: int = 1,
    scheduler: str | None = None,
    again: bool = False,
    progress: Progress = lambda done, total: None,
) -> Update:
    """Compute every test found that is new or changed, and keep it in the archive.

    Parameters
    ----------
    archive : Archive
    found : Found
        What `find_tests` returned.
    jobs : int
        Processes on this machine; not used with a scheduler.
    scheduler : str or None
        Address of a dask.distributed scheduler that does the work instead.
    again : bool
        Compute unchanged tests too.
    progress : callable
        Called with the number of tests done and the number to do.

    Raises
    ------
    OutputError
        If the archive cannot be written; what was kept before stays.
    KeyboardInterrupt
        After Ctrl-C, when the tests at work are finished and kept.
    """
    tests = found.tests
    version = software_version()
    todo = [t for t in tests if again or not archive.has(t.name, t.fingerprint, version)]
    random.SystemRandom().shuffle(todo)
    if todo:
        archive.try_to_write()
    progress(0, len(todo))
    done = 0
    by_others = 0

    def tasks() -> Iterator[Task]:
        nonlocal by_others
        for test in todo:
            if not again and archive.has(test.name, test.fingerprint, version):
                by_others += 1
                progress(done + by_others, len(todo))
            else:
                yield _task(test, version, with_files=scheduler is not None)

    with _finish_on_interrupt() as stopping:
        if scheduler is None:
            outcomes = run_locally(examine, tasks(), jobs=jobs, stopping=stopping)
        else:
            outcomes = run_on_cluster(examine, tasks(), scheduler=scheduler, stopping=stopping)
        for task, outcome in outcomes:
            archive.keep(outcome if isinstance(outcome, Record) else _fault(task, outcome))
            done += 1
            progress(done + by_others, len(todo))
        stopped = stopping()
    if stopped and done + by_others < len(todo):
        raise KeyboardInterrupt
    return Update(
        tests=tuple(t.name for t in tests),
        computed=done,
        unchanged=len(tests) - done,
        findings=found.findings,
    )


def _task(test: TestFolder, version: str, *, with_files: bool) -> Task:
    """Return the task; for a cluster with the contents, for its workers need not see the folder."""
    if not with_files:
        return Task(
            path=str(test.path), name=test.name, fingerprint=test.fingerprint, version=version
        )
    files: dict[str, bytes] = {}
    try:
        paths, pictures = input_files(test.path)
        files = {p.relative_to(test.path).as_posix(): p.read_bytes() for p in paths}
        files |= {name: b"" for name in pictures if (test.path / name).is_file()}
    except OSError:
        files = {}  # the worker says what is missing, and the next pass tries again
    return Task(
        path=test.path.name,
        name=test.name,
        fingerprint=test.fingerprint if files else None,
        version=version,
        files=files,
    )


def _fault(task: Task, outcome: object) -> Record:
    what = f"the worker ended on this test ({type(outcome).__name__})"
    if isinstance(outcome, CdaError):
        what = outcome.problem
    fix = "look at memory and files; the next pass tries again"
    return failed(task, "fault", what, task.name, fix)


@contextmanager
def _finish_on_interrupt() -> Iterator[Callable[[], bool]]:
    """Make the first Ctrl-C (or a request to end) finish what is at work; a second ends at once."""
    asked: list[int] = []
    signals: Sequence[int] = (signal.SIGINT, signal.SIGTERM)
    if threading.current_thread() is not threading.main_thread():
        yield lambda: False
        return

    def note(number: int, _frame: object) -> None:
        asked.append(number)
        signal.signal(number, before[number])

    before = {number: signal.signal(number, note) for number in signals}
    try:
        yield lambda: bool(asked)
    finally:
        for number in signals:
            signal.signal(number, before[number])
