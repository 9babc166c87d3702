"""What the fit says of single runs and legs: their own CdA, the wind they met, what is left."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from cda.estimation.fit import total_of
from cda.estimation.reml import solve_gls, total_covariance

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from cda.estimation.day import DayInputs
    from cda.estimation.fit import Fit

    Array = NDArray[np.float64]


def run_estimates(
    days: Sequence[DayInputs], positions: Sequence[str], fit: Fit
) -> dict[tuple[str, int], tuple[float, float]]:
    """Return each run's own CdA, not shrunk, with its statistical se in m^2.

    The run's legs are compared with the fitted road and wind; slow wind is known only as far as
    all legs tell, so what is uncertain in it is in the se.
    """
    theta2 = fit.posterior.weight @ fit.posterior.theta**2
    names = fit.system.component_names
    noise = total_of(
        [
            v * c
            for v, c, name in zip(theta2, fit.system.components, names, strict=True)
            if name not in ("run", "position_by_day", "day")
        ]
    )
    fixed = total_of(fit.system.fixed)
    covariance = noise + fixed
    n_pos = len(positions)
    run_of = [(day.key, int(run)) for day in days for run in day.run]
    distinct = list(dict.fromkeys(run_of))
    column = np.concatenate([q.cda for q in fit.system.equations])
    position_of = np.concatenate([day.position for day in days])
    x = np.zeros((len(fit.system.y), len(distinct) + fit.system.x.shape[1] - n_pos))
    for row, key in enumerate(run_of):
        x[row, distinct.index(key)] = column[row]
    x[:, len(distinct) :] = fit.system.x[:, n_pos:]
    solution = solve_gls(fit.system.y, x, covariance)
    spread = solution.gain @ noise @ solution.gain.T
    answer = {}
    for i, key in enumerate(distinct):
        first = run_of.index(key)
        base = float(fit.beta[position_of[first]])
        answer[key] = (base + float(solution.beta[i]), float(np.sqrt(spread[i, i])))
    return answer


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LegAnswer:
    """Wind against each leg and what is left of it; arrays of shape (n,) over all days' legs."""

    headwind_m_s: Array
    headwind_se_m_s: Array
    slow_headwind_m_s: Array
    residual_m2: Array


def leg_answers(days: Sequence[DayInputs], positions: Sequence[str], fit: Fit) -> LegAnswer:
    """Predict the wind along the road that each leg met, and what is left of it as CdA.

    The wind is the mean, the slow part and, with an airspeed channel, the leg's own gusts.
    """
    theta2 = fit.posterior.weight @ fit.posterior.theta**2
    n, n_pos = fit.system.n_legs, len(positions)
    system = fit.system
    covariance = total_covariance(np.sqrt(theta2), system.components, total_of(system.fixed))
    solution_gain = fit.posterior.gain()
    delta = solution_gain @ system.y
    residual = system.y - system.x @ delta
    inverse = np.linalg.inv(covariance)
    names = system.component_names
    has_airspeed = "leg_drag" in names
    slow_block = theta2[names.index("slow_wind")] * system.components[names.index("slow_wind")][:n]
    slow = slow_block @ inverse @ residual
    block = slow_block
    if has_airspeed:
        block = (
            block + theta2[names.index("leg_wind")] * system.components[names.index("leg_wind")][:n]
        )
    random = block @ inverse @ residual
    sign = np.concatenate([q.leg_wind for q in system.equations])
    wind, wind_se, leg_residual = np.empty(n), np.empty(n), np.empty(n)
    total = fit.covariance
    explained = np.einsum("ij,jk,ik->i", block, inverse, block)
    prior = np.einsum("ii->i", block[:, :n])
    at = 0
    for i, day in enumerate(days):
        rows = slice(at, at + len(day.run))
        column = n_pos + 3 * i + 1
        read = 0.0 if day.leg_wind_change_m_s is None else day.leg_wind_change_m_s
        wind[rows] = sign[rows] * (fit.beta[column] + read) + random[rows]
        remaining = np.maximum(prior[rows] - explained[rows], 0.0)
        wind_se[rows] = np.sqrt(total[column, column] + remaining)
        at += len(day.run)
    cda_column = np.concatenate([q.cda for q in system.equations])
    leg_residual = (residual[:n] - random) / cda_column
    return LegAnswer(
        headwind_m_s=wind,
        headwind_se_m_s=wind_se,
        slow_headwind_m_s=slow,
        residual_m2=leg_residual,
    )
