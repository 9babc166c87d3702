"""A study's tasks on this machine's processors or on a dask.distributed cluster.

    for task, outcome in each(one, tasks, scheduler=args.scheduler): ...

`outcome` is what `one(task)` returned, or the exception that it ended with. `one` must be
importable by name; the workers of a cluster need this checkout on their path, with the same
version of the program. Run as a program, it does the Monte Carlo check of one test that way:

    python -m tests.studies.scheduler example_runs/short_morning --draws 2000 [--scheduler ADDRESS]
"""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING, TypeVar

from cda.archive import processors, run_locally, run_on_cluster

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

T = TypeVar("T")
R = TypeVar("R")
BLOCK = 20  # draws a task


def each(
    one: Callable[[T], R],
    tasks: Iterable[T],
    *,
    workers: int | None = None,
    scheduler: str | None = None,
) -> Iterator[tuple[T, R | BaseException]]:
    """Yield every task with its outcome, as they finish; the order hangs on the workers."""
    if scheduler is not None:
        return run_on_cluster(one, tasks, scheduler=scheduler)
    return run_locally(one, tasks, jobs=workers or processors())


def refitted(task: tuple[str, int, int]) -> list[list[float]]:
    """Draw all systematic inputs, a seed a draw, and fit the whole test anew each time.

    Returns CdA of every position, a row a draw. The command's own check takes Gauss-Newton steps
    from the solution instead; this is the long way round.
    """
    import numpy as np

    from cda.analysis.inputs import day_inputs
    from cda.estimation import fit_days
    from cda.estimation.day import SYSTEMATIC_INPUTS, shifted
    from cda.legs import cut_legs
    from cda.session import load_session

    folder, first, draws = task
    session = load_session(folder)
    cut = cut_legs(session)
    ridden = {leg.position for leg in cut.legs}
    positions = [p.id for p in session.settings.positions if p.id in ridden]
    day = day_inputs(session, cut, positions)
    start = fit_days([day], positions, rounds=1).beta
    answers = []
    for seed in range(first, first + draws):
        rng = np.random.default_rng([101, seed])  # the draw's own: whoever computes it
        moved = day
        for name in sorted(SYSTEMATIC_INPUTS):
            moved = shifted(
                moved, name, float(rng.standard_normal()) * day.systematic_sd.get(name, 0.0)
            )
        fit = fit_days([moved], positions, start=start)
        answers.append([float(v) for v in fit.beta[: len(positions)]])
    return answers


def main() -> None:
    import numpy as np

    from cda.analysis import estimate_cda
    from cda.session import load_session

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder")
    parser.add_argument("--draws", type=int, default=400)
    parser.add_argument("--workers", type=int)
    parser.add_argument("--scheduler")
    args = parser.parse_args()
    tasks = [
        (args.folder, first, min(BLOCK, args.draws - first))
        for first in range(0, args.draws, BLOCK)
    ]
    answers: dict[int, list[list[float]]] = {}
    for task, outcome in each(refitted, tasks, workers=args.workers, scheduler=args.scheduler):
        if isinstance(outcome, BaseException):
            raise outcome
        answers[task[1]] = outcome
        print(f"{len(answers)}/{len(tasks)} blocks", file=sys.stderr)
    drawn = np.array([row for first in sorted(answers) for row in answers[first]])
    estimate = estimate_cda(load_session(args.folder))
    for k, position in enumerate(estimate.positions):
        print(f"{position.id}: drawn and refitted {drawn[:, k].std(ddof=1):.5f} m² (k = 1)")


if __name__ == "__main__":
    main()
