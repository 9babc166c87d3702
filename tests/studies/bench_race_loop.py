"""`time_savings` on a course against a loop that integrates it one draw at a time: by hand.

    python -m tests.studies.bench_race_loop [--race FILE] [--looped 60]

The loop integrates the same course with the same code, for every draw and position by itself; some
of its draws are timed and the rest counted in proportion. Processor seconds. Asked for: at least
50 times faster.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import time
from pathlib import Path

import numpy as np

from cda.analysis import estimate_cda
from cda.priority import time_savings
from cda.race import joint_draws, load_race
from cda.race.road import lapped, race_road
from cda.session import load_session

EXAMPLES = Path(__file__).parents[2] / "example_runs"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--race", type=Path, default=EXAMPLES / "hilly_half.toml")
    parser.add_argument("--looped", type=int, default=60)
    args = parser.parse_args()
    estimate = estimate_cda(load_session(EXAMPLES / "short_morning"))
    race = load_race(args.race)
    time_savings(estimate, race)  # imports and caches
    start = time.process_time()
    time_savings(estimate, race)
    whole_s = time.process_time() - start
    positions = [p.id for p in estimate.positions]
    draws = joint_draws(estimate.joint, race, positions=positions, power_costs={})
    n = draws.cda_m2.shape[1] - 1
    road = race_road(race, draws.rides(draws.cda_m2[0, :1], only_mean=True)).road
    rides = draws.rides(draws.cda_m2[0], draws.power_cost_w[0]).flat()
    rng = np.random.default_rng(1)
    chosen = rng.choice(n, args.looped, replace=False)
    start = time.process_time()
    for k in chosen:
        lapped(race, road, rides.take(np.array([k])))
    each_s = (time.process_time() - start) / args.looped
    loop_s = each_s * n * len(positions)
    print(
        f"savings of {len(positions)} positions with {n} draws {whole_s:.2f} s; loop "
        f"{1000 * each_s:.1f} ms a draw, {loop_s:.0f} s in all: {loop_s / whole_s:.0f} times "
        f"(against 4000 draws: {4000 * len(positions) * each_s / whole_s:.0f}; at least 50)"
    )


if __name__ == "__main__":
    main()
