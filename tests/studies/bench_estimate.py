"""How the cost of `estimate_cda` grows, warm, with runs and with hours: run by hand.

    python -m tests.studies.bench_estimate [--rounds 3]

Processor seconds, the least of some rounds taken in turn. Asked for: four times the runs at most
4.5 times the cost, ten hours at most 10.5 times one hour.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import time
import tracemalloc
from dataclasses import replace
from typing import TYPE_CHECKING

from cda.analysis import estimate_cda
from cda.simulate import PRESETS, simulate_session

if TYPE_CHECKING:
    from cda.session import Session

LIGHT = PRESETS["light"]
CASES = {  # four positions unless said
    "6 runs each": replace(LIGHT, runs_per_position=6),
    "24 runs each": replace(LIGHT, runs_per_position=24),
    "about 1 h": replace(LIGHT, n_positions=2, runs_per_position=5),
    "about 10 h": replace(LIGHT, n_positions=2, runs_per_position=50),
}


def cost(session: Session) -> float:
    start = time.process_time()
    estimate_cda(session)
    return time.process_time() - start


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=3)
    args = parser.parse_args()
    sessions = {name: simulate_session(case, 1).session for name, case in CASES.items()}
    cost(sessions["about 1 h"])  # imports and caches
    times: dict[str, list[float]] = {name: [] for name in sessions}
    for _ in range(args.rounds):
        for name, session in sessions.items():
            times[name].append(cost(session))
    best = {name: min(values) for name, values in times.items()}
    for name, session in sessions.items():
        hours = session.recordings[0].time_s[-1] / 3600.0
        legs = 2 * len(session.runs)
        tracemalloc.start()
        estimate_cda(session)
        peak = tracemalloc.get_traced_memory()[1] / 1e6
        tracemalloc.stop()
        print(f"{name:<14} {hours:5.1f} h {legs:4d} legs {best[name]:6.2f} s, peak {peak:.0f} MB")
    runs = best["24 runs each"] / best["6 runs each"]
    hours = (
        sessions["about 10 h"].recordings[0].time_s[-1]
        / sessions["about 1 h"].recordings[0].time_s[-1]
    )
    long = best["about 10 h"] / best["about 1 h"]
    print(f"4 times the runs: {runs:.1f} times the cost (at most 4.5)")
    print(f"{hours:.1f} times the hours: {long:.1f} times the cost (at most {1.05 * hours:.1f})")


if __name__ == "__main__":
    main()
