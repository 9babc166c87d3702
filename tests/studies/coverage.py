"""Coverage and error of the estimate on invented rides, paired with the mark.

    python -m tests.studies.coverage --scenario calibration --sessions 1000 --store cover.jsonl
    python -m tests.studies.coverage --store cover.jsonl --table

`--scenario` takes the name of a scenario or of a group: calibration, unlike, bias, airspeed; it
can be repeated. Sessions that are done are kept in the store and not computed again, so a run can
be broken off and taken up. Seeds are 1000 * scenario number + session number, fixed before the
first run; what is drawn is said in scenarios.py, how it is scored in coverage_table.py, and what
could be known at best in oracle.py.

Checks, curves and ranking move none of the numbers and take a third of the time. They are made in
the first 20 sessions of every scenario, which are estimated without them as well and must give
the same numbers to the last digit kept, and in all sessions of scenarios whose findings count.

Besides the estimate as the user gets it, the same ride is estimated again where there is
something to compare: without its airspeed channel, and with the runs left out that the estimate
proposes to leave out.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor, as_completed
from contextlib import contextmanager, nullcontext
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any
from unittest.mock import patch

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from tests.studies.scenarios import GROUPS, NOT_POOLED, SCENARIOS, seed_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from cda.results import Estimate
    from cda.session import Session
    from cda.simulate import SimulatedSession

BOUNDS_IN = 20  # sessions of each scenario in which the bound of every second is worked out
ORACLE_IN = 200  # the oracle, the bound of leg totals, and what the airspeed channel brings
CHECKED_IN = 20  # sessions of each scenario in which the checks of the ride are made
WITHOUT_CHANNEL, WITHOUT_PROPOSED = "without the channel", "proposed runs left out"
ROOMS = "air analysis comparison.py elevation.py estimation legs passes sensors.py simulate"


def code_version() -> str:
    """Return a short checksum of the rooms whose code moves the numbers."""
    import cda

    sha = hashlib.sha256()
    for room in ROOMS.split():
        place = Path(cda.__file__).parent / room
        for file in sorted(place.rglob("*.py")) if place.is_dir() else [place]:
            sha.update(file.read_bytes())
    return sha.hexdigest()[:10]


def one(task: tuple[str, int]) -> dict[str, Any]:
    """Ride once and estimate in every way; a row for the store."""
    from cda.errors import CdaError
    from cda.simulate import simulate_session

    name, session = task
    row: dict[str, Any] = {"scenario": name, "session": session, "seed": seed_of(name, session)}
    simulated = simulate_session(SCENARIOS[name], row["seed"])
    row["reference"] = _reference(simulated, session)
    counted = SCENARIOS[name].order == "blocks" or name in NOT_POOLED
    checked = counted or session < CHECKED_IN
    started = time.process_time()
    try:
        with nullcontext() if checked else without_checks():
            estimate, row["estimate"] = _estimate(simulated.session, simulated.truth["cda_m2"])
    except CdaError as error:
        return row | {"error": str(error)}
    row["cpu_s"] = round(time.process_time() - started, 3)
    if checked:
        row["findings"] = sorted({f.code for f in estimate.findings})
    if session < CHECKED_IN:
        with without_checks():
            bare = _estimate(simulated.session, simulated.truth["cda_m2"])[1]
        if bare != row["estimate"]:
            raise RuntimeError(f"{name}, session {session}: the checks move the numbers")
    others = {
        WITHOUT_CHANNEL: without_channel(simulated.session) if session < ORACLE_IN else None,
        WITHOUT_PROPOSED: without_proposed(simulated.session, estimate),
    }
    for what, session_then in others.items():
        if session_then is None:
            continue
        try:
            with without_checks():
                row[what] = _estimate(session_then, simulated.truth["cda_m2"])[1]
        except CdaError as error:
            row[f"{what}: error"] = str(error)
    return row


def _estimate(session: Session, truth: dict[str, float]) -> tuple[Estimate, dict[str, Any]]:
    """Return the estimate, and error, se, dof and 95 % interval's half width of all numbers."""
    from cda.analysis import estimate_cda

    estimate = estimate_cda(session)
    positions = [
        (p.cda_m2 - truth[p.id], p.se_m2, p.dof, *(e - truth[p.id] for e in p.interval_m2))
        for p in estimate.positions
    ]
    differences = []
    for d in estimate.differences:
        true = truth[d.position] - truth[d.reference]
        ends = (e - true for e in d.interval_m2)
        differences.append((d.delta_cda_m2 - true, d.se_m2, d.dof, *ends))
    return estimate, {"positions": _short(positions), "differences": _short(differences)}


@contextmanager
def without_checks() -> Iterator[None]:
    """Leave out of `estimate_cda` what moves none of the numbers kept: checks, curves, ranking."""

    def nothing(*_: object) -> list[object]:
        return []

    with (
        patch.multiple(
            "cda.analysis.line",
            _checks=nothing,
            _spoiled=nothing,
            curves_and_profiles=lambda *_: ((), ()),
        ),
        patch.multiple(
            "cda.comparison",
            _smallest_p=lambda *_: np.ones(1),
            _probability_best=lambda against, *_: dict.fromkeys([name for name, _ in against], 0.0),
        ),
    ):
        yield


def _short(rows: list[tuple[float, ...]]) -> list[list[float]]:
    """Round to seven digits: a store of many thousand sessions stays small."""
    return [[float(f"{value:.7g}") for value in row] for row in rows]


def _reference(simulated: SimulatedSession, session: int) -> dict[str, Any]:
    """Return errors of the mark and of the oracle, and the variances that the bounds leave.

    What could be known at best moves little from ride to ride: the first sessions tell it.
    """
    from cda.comparison import pairs
    from tests.studies.mark import mark_estimate
    from tests.studies.oracle import bound_of_every_second, oracle_and_bound

    ids = list(simulated.scenario.ids)
    true = np.array([simulated.truth["cda_m2"][p] for p in ids])
    contrasts = np.zeros((len(ids) * (len(ids) - 1) // 2, len(ids)))
    for row, (later, earlier) in enumerate(pairs(ids, simulated.session.reference)):
        contrasts[row, ids.index(later)], contrasts[row, ids.index(earlier)] = 1.0, -1.0
    mark = mark_estimate(simulated).cda_m2
    estimates, covariances = {"mark": np.array([mark[p] for p in ids])}, {}
    if session < ORACLE_IN:
        estimates["oracle"], _, covariances["bound"] = oracle_and_bound(simulated)
    answer: dict[str, Any] = {}
    for key, estimate in estimates.items():
        error = estimate - true
        answer[key] = {"positions": error.tolist(), "differences": (contrasts @ error).tolist()}
    if session < BOUNDS_IN:
        covariances["bound of every second"] = bound_of_every_second(simulated)
    for key, covariance in covariances.items():
        spread = np.diag(contrasts @ covariance @ contrasts.T)
        answer[key] = {
            "positions": float(np.mean(np.diag(covariance))),
            "differences": float(np.mean(spread)),
        }
    return answer


def without_channel(session: Session) -> Session | None:
    """Return the session without its airspeed channel, None where it has none."""
    if session.recordings[0].airspeed_m_s is None:
        return None
    bare = tuple(replace(r, airspeed_m_s=None, yaw_deg=None) for r in session.recordings)
    return replace(session, recordings=bare)


def without_proposed(session: Session, estimate: Estimate) -> Session | None:
    """Return the session with `use` = no for the runs proposed to be left out, None if none."""
    proposed = {f.where for f in estimate.findings if f.code == "run-spoiled"}
    runs = tuple(
        replace(run, use=False) if f"run {run.run}" in proposed else run for run in session.runs
    )
    return replace(session, runs=runs) if runs != session.runs else None


class Progress:
    """One line on standard error: a bar on a terminal, a line a minute elsewhere."""

    def __init__(self, total: int) -> None:
        self.total, self.done, self.began, self.shown = total, 0, time.monotonic(), -1e9

    def step(self) -> None:
        """Count one session and say how far it is."""
        self.done += 1
        now, live = time.monotonic(), sys.stderr.isatty()
        if now - self.shown < (0.5 if live else 60.0) and self.done < self.total:
            return
        self.shown = now
        left = (now - self.began) / self.done * (self.total - self.done)
        share = self.done / self.total
        text = f"[{'#' * int(30 * share):30s}] {self.done}/{self.total} sessions, "
        text += f"{int(left // 60)} min {int(left % 60):02d} s left"
        print(f"\r{text}   " if live else text, end="" if live else "\n", file=sys.stderr)
        if live and self.done == self.total:
            print(file=sys.stderr)
        sys.stderr.flush()


def read_store(store: Path | None) -> list[dict[str, Any]]:
    """Return the rows of a store; the last line may have been cut by a break."""
    rows = []
    if store is not None and store.exists():
        for line in store.read_text().splitlines():
            try:
                rows.append(json.loads(line))
            except json.JSONDecodeError:
                print("one line of the store is cut off; it is done again", file=sys.stderr)
    return rows


def compute(names: list[str], sessions: int, store: Path | None, workers: int) -> None:
    """Do the sessions that the store lacks, all scenarios abreast."""
    rows = read_store(store)
    code = code_version()
    done = {(r["scenario"], r["session"]) for r in rows}
    tasks = [(n, k) for k in range(sessions) for n in names if (n, k) not in done]
    progress = Progress(len(tasks))
    collected: list[dict[str, Any]] = []
    broken = []
    with ProcessPoolExecutor(workers) as pool:
        futures = {pool.submit(one, task): task for task in tasks}
        try:
            for future in as_completed(futures):
                if (fault := future.exception()) is not None:  # a bug; the others go on
                    broken.append(f"{futures[future]}: {fault!r}")
                    print(f"not done: {broken[-1]}", file=sys.stderr, flush=True)
                    progress.step()
                    continue
                row = future.result() | {"code": code}
                collected.append(row)
                if store is not None:
                    with store.open("a") as out:
                        out.write(json.dumps(row) + "\n")
                progress.step()
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise
    if store is None:
        show(collected, names, sessions)
    if broken:
        raise SystemExit(f"{len(broken)} sessions broke off with a bug and are in no table")


def show(rows: list[dict[str, Any]], names: list[str], sessions: int, first: int = 0) -> None:
    """Print the tables of the chosen scenarios, of sessions numbered from `first` on."""
    from tests.studies.coverage_table import report

    kept = {
        (r["scenario"], r["session"]): r
        for r in rows
        if r["scenario"] in names and first <= r["session"] < sessions
    }
    print(report(list(kept.values())))


def chosen(given: list[str] | None) -> list[str]:
    """Return the scenarios that names of scenarios and groups stand for, in their order."""
    names = {n for g in given or ["calibration"] for n in GROUPS.get(g, (g,))}
    unknown = names - set(SCENARIOS)
    if unknown:
        known = ", ".join((*GROUPS, *SCENARIOS))
        raise SystemExit(f"no scenario or group {', '.join(sorted(unknown))}; there are: {known}")
    return [n for n in SCENARIOS if n in names]


def main() -> None:
    """Compute what is missing, then print the tables."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--scenario", action="append", metavar="NAME|GROUP")
    parser.add_argument("--sessions", type=int, default=40, help="of each scenario, up to 1000")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--store", type=Path, default=None)
    parser.add_argument("--table", action="store_true", help="only print what the store holds")
    parser.add_argument(
        "--first",
        type=int,
        default=0,
        help="with --table: leave out the sessions before this one, whose results were looked at "
        "while the estimator was changed",
    )
    args = parser.parse_args()
    names = chosen(args.scenario or (list(GROUPS) if args.table else None))
    sessions = min(args.sessions, 1000)
    if args.table:
        show(read_store(args.store), names, 1000, args.first)
        return
    compute(names, sessions, args.store, args.workers)
    if args.store is not None:
        show(read_store(args.store), names, sessions)


if __name__ == "__main__":
    main()
