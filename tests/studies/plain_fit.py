"""A plain version of the joint regression, to time `estimate_cda` against: run by hand.

    python -m tests.studies.plain_fit [--runs 6] [--rounds 3]

The same equations of the legs, beliefs and priors, the same restricted likelihood averaged over the
same posterior of the standard deviations. Plain: every covariance is a dense matrix factored anew
for every trial; every derivative (of residuals by fixed effects, of the likelihood by standard
deviations, of the answer by every systematic input) is a numerical difference; systematic inputs
are shifted and the whole estimate is made anew, both ways. Nothing is slowed on purpose: it is
numpy and scipy throughout.

It is not a check of the model, which is the same code of `build_system`, but of the numerics: CdA
has to agree to 1e-6 m². Asked for: `estimate_cda` at least 20 times faster at 48 legs.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import time
from dataclasses import replace
from itertools import product
from typing import TYPE_CHECKING

import numpy as np
from scipy import linalg, optimize

from cda.analysis import estimate_cda
from cda.analysis import line as analysis
from cda.estimation.day import SYSTEMATIC_INPUTS, shifted
from cda.estimation.fit import PRIORS, SLOW_WIND_TIMES_S
from cda.estimation.model import System, build_system, fixed_effect_names
from cda.simulate import PRESETS, simulate_session

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cda.estimation import DayInputs
    from cda.session import Session

    Array = np.ndarray
    Before = tuple[Array, Array, float]  # fixed effects, standard deviations, slow variance

NODES = (-2.4, -1.2, 0.0, 1.2, 2.4)


def covariance(system: System, theta: Array) -> Array:
    """Return the dense covariance of all rows."""
    total = np.zeros((len(system.y), len(system.y)))
    for block in system.fixed:
        total = total + block
    for sd, block in zip(theta, system.components, strict=True):
        total = total + sd**2 * block
    return total


def generalised(system: System, theta: Array) -> tuple[Array, float]:
    """Return the step of the fixed effects and the restricted log-likelihood."""
    factor = linalg.cho_factor(covariance(system, theta), lower=True)
    solved = linalg.cho_solve(factor, np.column_stack([system.x, system.y]))
    information = system.x.T @ solved[:, :-1]
    step = linalg.solve(information, system.x.T @ solved[:, -1], assume_a="pos")
    rest = system.y - system.x @ step
    log_v = 2.0 * np.log(np.diag(factor[0])).sum()
    log_i = np.linalg.slogdet(information)[1]
    return step, -0.5 * (log_v + log_i + float(rest @ linalg.cho_solve(factor, rest)))


class Plain:
    """One test day, estimated plainly."""

    def __init__(self, days: Sequence[DayInputs], positions: Sequence[str]) -> None:
        self.days, self.positions = list(days), list(positions)
        self.names = fixed_effect_names(self.days, self.positions)

    def system(self, beta: Array, slow_variance: float = 0.0) -> System:
        return build_system(
            self.days,
            self.positions,
            beta,
            slow_times_s=SLOW_WIND_TIMES_S,
            slow_variance=slow_variance,
        )

    def globally(self) -> Array:
        """Fit all fixed effects at typical scatter, derivatives by differences."""
        (day,) = self.days
        start = np.array(
            [0.28] * len(self.positions)
            + [day.height_difference_m or 0.0, day.headwind_m_s or 0.0, day.rolling_resistance]
        )
        first = self.system(start)
        typical = np.array([PRIORS[c].median for c in first.component_names])
        chol = np.linalg.cholesky(covariance(first, typical))
        return np.asarray(
            optimize.least_squares(
                lambda beta: linalg.solve_triangular(chol, self.system(beta).y, lower=True),
                start,
                jac="2-point",
                x_scale=np.maximum(np.abs(start), 0.01),
                ftol=1e-10,
                xtol=1e-10,
            ).x
        )

    def settled(self, beta: Array, theta: Array, slow_variance: float) -> Array:
        """Solve the estimating equations at given standard deviations, by differences."""

        def step(trial: Array) -> Array:
            return generalised(self.system(trial, slow_variance), theta)[0]

        answer = optimize.root(step, beta, method="hybr", options={"xtol": 1e-12, "eps": 1e-10})
        return np.asarray(answer.x)

    def averaged(self, system: System) -> tuple[Array, Array]:
        """Return the mean step and geometric mean of the standard deviations over the posterior."""
        priors = [PRIORS[c] for c in system.component_names]
        centre = np.log([p.median for p in priors])
        width = np.array([p.log_sd for p in priors])

        def penalised(log_theta: Array) -> float:
            penalty = 0.5 * float((((log_theta - centre) / width) ** 2).sum())
            return penalty - generalised(system, np.exp(log_theta))[1]

        mode = optimize.minimize(penalised, centre, method="BFGS", options={"gtol": 1e-4}).x
        p, h = len(mode), 0.08 * np.eye(len(mode))
        curve = np.empty((p, p))
        for i in range(p):
            for j in range(p):
                curve[i, j] = (
                    penalised(mode + (h[i] + h[j]) / 1.0)
                    - penalised(mode + h[i] - h[j])
                    - penalised(mode - h[i] + h[j])
                    + penalised(mode - h[i] - h[j])
                ) / (4 * 0.08**2)
            curve[i, i] = (
                penalised(mode + h[i]) - 2 * penalised(mode) + penalised(mode - h[i])
            ) / 0.08**2
        values, vectors = np.linalg.eigh(curve)
        inverse = np.linalg.inv((vectors * np.maximum(values, 0.05)) @ vectors.T)
        values, vectors = np.linalg.eigh(inverse)
        steps, thetas, logs = [], [], []
        for node in product(NODES, repeat=p):
            if sum(z * z for z in node) > 2 * 2.4**2 + 1e-9:
                continue
            log_theta = mode + (vectors * np.sqrt(values)) @ np.array(node)
            step, _ = generalised(system, np.exp(log_theta))
            steps.append(step)
            thetas.append(np.exp(log_theta))
            logs.append(-penalised(log_theta))
        weight = np.exp(np.array(logs) - max(logs))
        weight /= weight.sum()
        self.slow = float(
            weight @ np.array(thetas)[:, system.component_names.index("slow_wind")] ** 2
        )
        return weight @ np.array(steps), np.exp(weight @ np.log(np.array(thetas)))

    def estimate(self, before: Before | None = None) -> Before:
        """Return fixed effects and variances, from scratch or with those of an earlier fit."""
        if before is None:
            beta, slow = self.globally(), 0.0
            theta = np.array([PRIORS[c].median for c in self.system(beta).component_names])
        else:
            beta, theta, slow = before
        beta = self.settled(beta, theta, slow)
        mean, theta = self.averaged(self.system(beta, slow))
        return beta + mean, theta, min(self.slow, 1.0)


def prepared(session: Session) -> tuple[list[DayInputs], list[str]]:
    """Return what both versions begin from: legs cut, crosswind settled."""
    cut = analysis.cut_legs(session)
    positions, _ = analysis._positions([session], [cut])
    days = [analysis.day_inputs(session, cut, positions)]
    first = analysis.fit_days(days, positions, rounds=1)
    return list(analysis._with_crosswind(days, first)), positions


def quick_regression(days: list[DayInputs], positions: list[str]) -> None:
    """Do what `estimate_cda` does with the legs: a first fit, then the second with all effects."""
    first = analysis.fit_days(days, positions, rounds=1)
    analysis.fit_days(days, positions, before=first)


def plain_regression(days: list[DayInputs], positions: list[str]) -> dict[str, float]:
    """Return CdA of every position, with every systematic effect along the way, plainly."""
    plain = Plain(days, positions)
    settled = plain.estimate(plain.estimate())
    (day,) = days
    for name in sorted(SYSTEMATIC_INPUTS):
        sd = day.systematic_sd.get(name, 0.0)
        if sd > 0.0:
            ends = [
                Plain([shifted(day, name, s * sd)], positions).estimate(settled)[0] for s in (1, -1)
            ]
            assert np.isfinite(ends[0] - ends[1]).all()
    return dict(zip(positions, settled[0][: len(positions)].tolist(), strict=True))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=6)
    parser.add_argument("--rounds", type=int, default=3)
    args = parser.parse_args()
    scenario = replace(PRESETS["light"], runs_per_position=args.runs)
    session = simulate_session(scenario, 1).session
    estimate_cda(session)  # imports and caches
    days, positions = prepared(session)
    whole, quick, slow = [], [], []
    for _ in range(args.rounds):  # taken in turn
        start = time.process_time()
        estimate = estimate_cda(session)
        whole.append(time.process_time() - start)
        start = time.process_time()
        quick_regression(days, positions)
        quick.append(time.process_time() - start)
        start = time.process_time()
        plain = plain_regression(days, positions)
        slow.append(time.process_time() - start)
    apart = max(abs(plain[p.id] - p.cda_m2) for p in estimate.positions)
    legs = sum(p.legs for p in estimate.positions)
    print(
        f"{legs} legs: regression {min(quick):.2f} s, plain {min(slow):.1f} s: "
        f"{min(slow) / min(quick):.0f} times (at least 20); CdA apart by {apart:.1e} m² (at most "
        f"1e-6). All of estimate_cda, with cutting, checks and curves, takes {min(whole):.2f} s: "
        f"the plain regression alone is {min(slow) / min(whole):.0f} times that"
    )


if __name__ == "__main__":
    main()
