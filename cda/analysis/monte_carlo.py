"""Monte Carlo propagation of the systematic inputs (JCGM 101), beside the linear one."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cda.estimation.day import SYSTEMATIC_INPUTS, shifted
from cda.estimation.fit import SLOW_WIND_TIME_S
from cda.estimation.model import build_system

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from cda.estimation import DayInputs, Fit

_SEED = 101


def monte_carlo_check(
    days: Sequence[DayInputs],
    positions: Sequence[str],
    fit: Fit,
    draws: int,
    progress: Callable[[int], None] | None = None,
) -> dict[str, object]:
    """Draw all systematic inputs together and solve anew; compare with the linear budget.

    Parameters
    ----------
    days, positions, fit
        As estimated.
    draws : int
    progress : callable or None
        Called with the number of draws done.

    Returns
    -------
    dict
        `draws`, and for each position the systematic standard uncertainty both ways. [m^2]
    """
    rng = np.random.default_rng(_SEED)
    gain = fit.posterior.gain()
    keys = sorted(fit.systematic_effect)
    n_pos = len(positions)
    answers = np.empty((draws, n_pos))
    for k in range(draws):
        moved = list(days)
        for name, owner in keys:
            z = float(rng.standard_normal())
            moved = [
                shifted(day, name, z * day.systematic_sd.get(name, 0.0))
                if day.instrument.get(name, day.key) == owner
                else day
                for day in moved
            ]
        beta = fit.beta.copy()
        for _ in range(3):  # Gauss-Newton from the solution: three steps settle to 1e-7 m^2
            system = build_system(
                moved,
                positions,
                beta,
                slow_time_s=SLOW_WIND_TIME_S,
                slow_variance=fit.slow_variance,
            )
            beta = beta + gain @ system.y
        answers[k] = beta[:n_pos]
        if progress is not None:
            progress(k + 1)
    linear = sum(
        fit.source_cov[label] for label in SYSTEMATIC_INPUTS.values() if label in fit.source_cov
    )
    spread = np.std(answers, axis=0, ddof=1)
    linear_sd = np.sqrt(np.diag(np.asarray(linear))[:n_pos])
    return {
        "draws": draws,
        "systematic_se_m2": {
            p: {"monte_carlo": float(a), "linear": float(b)}
            for p, a, b in zip(positions, spread, linear_sd, strict=True)
        },
    }
