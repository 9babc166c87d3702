"""How much the inside of legs can tell: bounds in theory, and weighted ends on invented rides.

    python -m tests.studies.inside_of_legs --bounds
    python -m tests.studies.inside_of_legs --rides 60

**Bounds.** A morning in a linear model with true covariances: every leg is cut into eleven pieces;
gusts and slow wind are Ornstein-Uhlenbeck processes over the whole morning, turns included; run to
run 0.002 m², wobble 0.003 m² at 10 s, 0.08 m/s of noise a piece from power and speed; CdA of the
positions, mean wind and the height of every piece of road are free (altimeter difference 0.25 m).
Printed is the standard deviation of a difference by plain leg totals, and what is left of it with
the ends weighted, and with everything between the gates used at best (generalised least squares).

**Rides.** Seeds 900 000 + 1000 * scenario number + ride number, fixed before the first run. Every
ride is estimated with plain and with weighted sums, beside the mark.
"""

from __future__ import annotations

import argparse
import os
from concurrent.futures import ProcessPoolExecutor
from itertools import combinations

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from tests.studies.scenarios import SCENARIOS

PIECES, SPEED_M_S, LEG_M, CDA_M2 = 11, 11.0, 1200.0, 0.27
RUN_SD_M2, WOBBLE_SD_M2, PIECE_NOISE_M_S = 0.002, 0.003, 0.08
RIDES = ("breeze", "wind", "light", "breeze, gusts of 8 s", "breeze, gusts of 60 s", "late power")


def process(lag_s: np.ndarray, time_s: float, piece_s: float) -> np.ndarray:
    """Return the covariance of the means of a unit Ornstein-Uhlenbeck process over pieces."""
    half = piece_s / (2.0 * time_s)
    covariance = np.exp(-lag_s / time_s) * (np.sinh(half) / half) ** 2
    a = piece_s / time_s
    covariance[lag_s < 0.5 * piece_s] = 2.0 / a * (1.0 - (1.0 - np.exp(-a)) / a)
    return covariance


def bounds(
    positions: int, runs: int, gust: float, slow: float, gust_s: float, slow_s: float
) -> tuple[float, float, float]:
    """Return the s.d. of a difference: plain totals, weighted ends, everything [m^2]."""
    from cda.elevation import end_weights

    order = [
        p
        for r in range(runs)
        for p in (range(positions) if r % 2 == 0 else reversed(range(positions)))
    ]
    piece_s = LEG_M / SPEED_M_S / PIECES
    starts, clock = [], 0.0
    for _ in order:
        starts += [clock + 30.0, clock + 30.0 + LEG_M / SPEED_M_S + 75.0]
        clock = starts[-1] + LEG_M / SPEED_M_S + 75.0
    n = len(starts)
    time = (np.array(starts)[:, None] + piece_s * (np.arange(PIECES) + 0.5)).ravel()
    sign = np.repeat(np.tile([1.0, -1.0], len(order)), PIECES)
    position = np.repeat(np.repeat(order, 2), PIECES)
    run, leg = np.repeat(np.arange(len(order)), 2 * PIECES), np.repeat(np.arange(n), PIECES)
    index = np.tile(np.arange(PIECES), n)
    piece = np.where(sign > 0, index, PIECES - 1 - index)
    lag = np.abs(time[:, None] - time[None, :])
    per_area = SPEED_M_S / (2.0 * CDA_M2)  # [m/s] of wind that 1 m^2 looks like
    wind = gust**2 * process(lag, gust_s, piece_s) + slow**2 * process(lag, slow_s, piece_s)
    covariance = np.outer(sign, sign) * wind
    covariance += (per_area * RUN_SD_M2) ** 2 * (run[:, None] == run)
    covariance += (
        (per_area * WOBBLE_SD_M2) ** 2 * process(lag, 10.0, piece_s) * (leg[:, None] == leg)
    )
    covariance += PIECE_NOISE_M_S**2 * np.eye(n * PIECES)
    x = np.zeros((n * PIECES, positions + 1 + PIECES))
    x[np.arange(len(x)), position] = per_area
    x[:, positions] = sign
    per_metre = 84.0 * 9.81 / (1.2 * CDA_M2 * SPEED_M_S * LEG_M / PIECES)
    x[np.arange(len(x)), positions + 1 + piece] = per_metre * sign
    height = np.r_[np.zeros(positions + 1), np.ones(PIECES)]
    loose = np.diag(np.r_[np.full(positions + 1, 1e-9), np.full(PIECES, 1e-4)])

    def difference(x: np.ndarray, v: np.ndarray, belief: np.ndarray) -> float:
        spread = np.linalg.inv(x.T @ np.linalg.solve(v, x) + belief)
        pairs = combinations(range(positions), 2)
        return float(
            np.sqrt(np.mean([spread[a, a] + spread[b, b] - 2 * spread[a, b] for a, b in pairs]))
        )

    answers = []
    for weight in (np.ones(PIECES), end_weights((np.arange(PIECES) + 0.5) / PIECES)[0]):
        total = np.kron(np.eye(n), weight[None, :] / weight.sum())
        few = np.column_stack(
            [
                *(total @ x[:, : positions + 1]).T,
                total @ x[:, positions + 1 :].sum(axis=1) / PIECES,
            ]
        )
        belief = 1e-9 * np.eye(positions + 2)
        belief[-1, -1] += 1.0 / 0.25**2
        answers.append(difference(few, total @ covariance @ total.T, belief))
    everything = difference(x, covariance, np.outer(height, height) / 0.25**2 + loose)
    return answers[0], answers[1], everything


def ride(task: tuple[str, int]) -> list[list[float]]:
    """Return errors of all positions: mark, plain sums, weighted ends."""
    import cda.elevation
    from cda.analysis import estimate_cda
    from cda.simulate import simulate_session
    from tests.studies.mark import mark_estimate

    name, k = task
    simulated = simulate_session(
        SCENARIOS[name], 900_000 + 1000 * (1 + list(SCENARIOS).index(name)) + k
    )
    truth = simulated.truth["cda_m2"]
    mark = mark_estimate(simulated).cda_m2
    rows = [[mark[p] - truth[p] for p in truth]]
    kept = cda.elevation._END
    for end in (1.0, kept):
        cda.elevation._END = end
        cda.elevation.leg_mean_share.cache_clear()
        estimate = estimate_cda(simulated.session)
        rows.append([p.cda_m2 - truth[p.id] for p in estimate.positions])
    return rows


def print_bounds() -> None:
    print("| morning | gusts [s] | slow [s] | leg totals [m²] | ends weighted | everything |")
    print("|---|---|---|---|---|---|")
    mornings = {
        "calm": (4, 6, 0.2, 0.2),
        "breeze": (4, 6, 0.5, 0.5),
        "wind": (4, 6, 0.9, 0.7),
        "2x5": (2, 5, 0.3, 0.3),
    }
    for name, (positions, runs, gust, slow) in mornings.items():
        for gust_s in (8.0, 22.0, 60.0):
            for slow_s in (300.0, 900.0, 1800.0):
                plain, ends, best = bounds(positions, runs, gust, slow, gust_s, slow_s)
                print(
                    f"| {name} | {gust_s:.0f} | {slow_s:.0f} | {plain:.4f} | {ends / plain:.3f} "
                    f"| {best / plain:.3f} |"
                )


def print_rides(rides: int, names: list[str]) -> None:
    with ProcessPoolExecutor(2) as pool:
        rows = list(pool.map(ride, [(n, k) for n in names for k in range(rides)], chunksize=2))
    print(
        "| scenario | RMSE of differences: mark, plain, weighted [m²] | plain/mark | weighted/mark"
    )
    print("|---|---|---|---|")
    for i, name in enumerate(names):
        errors = np.array(rows[i * rides : (i + 1) * rides])
        between = errors[:, :, :, None] - errors[:, :, None, :]
        count = errors.shape[2] * (errors.shape[2] - 1)
        square = (between**2).sum((2, 3)) / count
        rmse = np.sqrt(square.mean(0))
        draws = np.random.default_rng(0).integers(0, rides, (1000, rides))
        again = np.sqrt(square[draws].mean(1))
        spread = (again / again[:, :1]).std(0)
        print(
            f"| {name} | {rmse[0]:.4f}, {rmse[1]:.4f}, {rmse[2]:.4f} "
            f"| {rmse[1] / rmse[0]:.3f} ± {spread[1]:.3f} | {rmse[2] / rmse[0]:.3f} "
            f"± {spread[2]:.3f} |"
        )


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--bounds", action="store_true")
    parser.add_argument("--rides", type=int, default=0)
    parser.add_argument("--scenario", action="append", choices=list(SCENARIOS))
    args = parser.parse_args()
    if args.bounds or not args.rides:
        print_bounds()
    if args.rides:
        print_rides(args.rides, args.scenario or list(RIDES))


if __name__ == "__main__":
    main()
