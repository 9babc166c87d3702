"""What the memory that the model gives the wind does to the stated uncertainty, in theory.

    python -m tests.studies.wind_memory

A morning of legs with weighted ends in a linear model whose covariance is known: gusts and slow
wind are Ornstein-Uhlenbeck processes of given correlation times, run to run 0.002 m², wobble of
0.003 m² at 10 s. The analysis knows neither times nor sizes: its standard deviations are those that
maximise the expected restricted likelihood, with their priors. Printed is the standard error of a
difference that it states over the one that it has, for three models of memory:

- plain: gusts are each leg's own, slow wind fades from leg to leg with 900 s;
- averaged: slow wind fades with the average over 404, 735 and 1334 s;
- leg means: as the tool has it, covariances of the legs' weighted means for both.

Nothing is drawn: there are no seeds.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from itertools import combinations

import numpy as np
from scipy.optimize import minimize

from cda.elevation import end_weights, leg_end_share, leg_mean_share
from cda.estimation.fit import PRIORS, SLOW_WIND_TIMES_S
from cda.estimation.model import GUST_TIMES_S

LEG_S, TURN_S, REST_S, SPEED_M_S, CDA_M2 = 115.0, 50.0, 60.0, 10.4, 0.27
PER_AREA = SPEED_M_S / (2.0 * CDA_M2)  # [m/s] of wind that 1 m^2 looks like
RUN_SD_M2, WOBBLE_SD_M2, WOBBLE_S, REST_M_S = 0.002, 0.003, 10.0, 0.02
HEIGHT_M_S = 0.06  # what the altimeter leaves of the height between the gates, as a wind
MORNINGS = {
    "calm": (4, 6, 0.2, 0.2),
    "light": (4, 6, 0.3, 0.3),
    "breeze": (4, 6, 0.5, 0.5),
    "wind": (4, 6, 0.9, 0.7),
    "2x5": (2, 5, 0.3, 0.3),
    "3 runs": (4, 3, 0.3, 0.3),
}
MODELS = ("plain", "averaged", "leg means")


def leg_means(starts: np.ndarray, time_s: float) -> np.ndarray:
    """Return the covariance of a unit process's weighted means over legs, by brute force."""
    at = (np.arange(60) + 0.5) / 60
    weight = np.kron(np.eye(len(starts)), end_weights(at)[0] / 60)
    clock = (starts[:, None] + LEG_S * at).ravel()
    return np.asarray(weight @ np.exp(-np.abs(clock[:, None] - clock) / time_s) @ weight.T)


def memory(model: str, starts: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return what the model takes gusts and slow wind of the legs to have in common."""
    lag = np.abs(starts[:, None] - starts)
    if model == "plain":
        return np.eye(len(lag)), np.exp(-lag / 900.0)
    if model == "averaged":
        return np.eye(len(lag)), np.mean([np.exp(-lag / t) for t in SLOW_WIND_TIMES_S], axis=0)
    pause = np.maximum(lag - LEG_S, 0.0)
    both = []
    for times in (np.geomspace(*GUST_TIMES_S, 5)[1::2], SLOW_WIND_TIMES_S):
        block = np.mean([leg_end_share(LEG_S, t) ** 2 * np.exp(-pause / t) for t in times], axis=0)
        np.fill_diagonal(block, np.mean([leg_mean_share(LEG_S, t) for t in times]))
        both.append(np.asarray(block))
    return both[0] / both[0][0, 0], both[1]


def stated_over_true(
    morning: tuple[int, int, float, float], gust_s: float, slow_s: float, model: str
) -> tuple[float, float]:
    """Return the stated over the true standard error, and the best possible over the true one."""
    positions, runs, gust, slow = morning
    order = [p for r in range(runs) for p in list(range(positions))[:: 1 if r % 2 == 0 else -1]]
    n = 2 * len(order)
    run_s = 2 * LEG_S + TURN_S + REST_S
    starts = (run_s * np.arange(len(order))[:, None] + [0.0, LEG_S + TURN_S]).ravel()
    sign, position = np.tile([1.0, -1.0], len(order)), np.repeat(order, 2)
    run = np.repeat(np.arange(len(order)), 2)
    turned, same_run = np.outer(sign, sign), PER_AREA**2 * (run[:, None] == run)

    def with_height(legs: np.ndarray) -> np.ndarray:
        whole = np.zeros((n + 1, n + 1))
        whole[:n, :n] = legs
        return whole

    x = np.zeros((n + 1, positions + 2))
    x[np.arange(n), position] = PER_AREA
    x[:n, positions], x[:n, positions + 1], x[n, positions + 1] = sign, sign, 1.0
    height = np.zeros((n + 1, n + 1))
    height[n, n] = HEIGHT_M_S**2
    wobble = (PER_AREA * WOBBLE_SD_M2) ** 2 * leg_means(starts, WOBBLE_S)[0, 0]
    wind = gust**2 * leg_means(starts, gust_s) + slow**2 * leg_means(starts, slow_s)
    own = (wobble + REST_M_S**2) * np.eye(n)
    true = height + with_height(turned * wind + RUN_SD_M2**2 * same_run + own)
    gusts, slowly = memory(model, starts)
    components = [with_height(c) for c in (turned * gusts, same_run, turned * slowly)]
    priors = [PRIORS[name] for name in ("leg_wind", "run", "slow_wind")]
    median = np.log([p.median for p in priors])
    width = np.array([p.log_sd for p in priors])

    def believed(log_sd: np.ndarray) -> np.ndarray:
        return height + sum(np.exp(2 * a) * c for a, c in zip(log_sd, components, strict=True))

    def against(log_sd: np.ndarray) -> float:
        inverse = np.linalg.inv(believed(log_sd))
        information = x.T @ inverse @ x
        kept = inverse - inverse @ x @ np.linalg.solve(information, x.T @ inverse)
        logs = np.linalg.slogdet(information)[1] - np.linalg.slogdet(inverse)[1]
        penalty = (((log_sd - median) / width) ** 2).sum()
        return float(0.5 * (logs + np.sum(kept * true) + penalty))

    found = minimize(against, median, method="Nelder-Mead", options={"xatol": 1e-3, "fatol": 1e-6})
    covariance = believed(found.x)
    weighed = np.linalg.solve(covariance, x)
    gain = np.linalg.solve(x.T @ weighed, weighed.T)
    best = np.linalg.inv(x.T @ np.linalg.solve(true, x))

    def difference(spread: np.ndarray) -> float:
        pairs = combinations(range(positions), 2)
        return float(
            np.sqrt(np.mean([spread[a, a] + spread[b, b] - 2 * spread[a, b] for a, b in pairs]))
        )

    has = difference(gain @ true @ gain.T)
    return difference(gain @ covariance @ gain.T) / has, difference(best) / has


def main() -> None:
    """Print a row a morning and a slow correlation time, averaged over gusts of 10, 22 and 45 s."""
    print(f"| morning | slow wind [s] | {' | '.join(MODELS)} | best over the last |")
    print(f"|---|---|{'---|' * (len(MODELS) + 1)}")
    every = []
    for name, morning in MORNINGS.items():
        for slow_s in (300.0, 735.0, 1800.0):
            cells = [
                np.mean([stated_over_true(morning, g, slow_s, m) for g in (10.0, 22.0, 45.0)], 0)
                for m in MODELS
            ]
            every.append([c[0] for c in cells])
            values = " | ".join(f"{c[0]:.3f}" for c in cells)
            print(f"| {name} | {slow_s:.0f} | {values} | {cells[-1][1]:.3f} |", flush=True)
    print("| all | | " + " | ".join(f"{m:.3f}" for m in np.mean(every, axis=0)) + " | |")


if __name__ == "__main__":
    main()
