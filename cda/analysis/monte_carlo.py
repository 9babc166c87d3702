"""Monte Carlo propagation of all inputs (JCGM 101), beside the linear one.

Every systematic input is drawn and the legs are solved anew with it. What is left, the scatter of
legs and runs with the prior beliefs, is drawn from the posterior: first the variance components,
then the fixed effects that go with them. So neither the linear propagation nor the t distribution
of the stated intervals is assumed in what they are compared with.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from cda.budget import summary_of_draws
from cda.comparison import pairs
from cda.estimation.day import SYSTEMATIC_INPUTS, shifted
from cda.estimation.fit import SLOW_WIND_TIMES_S, total_of
from cda.estimation.model import build_system

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from numpy.typing import NDArray

    from cda.estimation import DayInputs, Fit

    Array = NDArray[np.float64]

_SEED: Final = 101
_SURE: Final = 3.0  # standard errors of the drawn figures within which they are alike


def monte_carlo_check(
    days: Sequence[DayInputs],
    positions: Sequence[str],
    fit: Fit,
    draws: int,
    progress: Callable[[int], None] | None = None,
    *,
    reference: str,
    level: float,
    stated: Mapping[str, tuple[float, float]],
) -> dict[str, object]:
    """Draw all inputs together and solve anew; compare with the linear budget.

    Parameters
    ----------
    days, positions, fit
        As estimated.
    draws : int
    progress : callable or None
        Called with the number of draws done.
    reference : str
        The reference position.
    level : float
        Of the stated intervals.
    stated : mapping
        Interval of each position and of each "later-earlier". [m^2]

    Returns
    -------
    dict
        `draws`; `systematic_se_m2`, for each position and difference the systematic standard
        uncertainty both ways; `interval_m2`, for each the interval drawn and stated, and whether
        their ends `agree`; `agrees`, for all of them. [m^2]

    Notes
    -----
    Ends agree where they differ by less than the numerical tolerance of JCGM 101:2008, 7.9.2 (half
    a unit of the second digit of the standard uncertainty), a twentieth of it, and what so many
    draws leave uncertain.
    """
    listed = pairs(positions, reference)
    names = [*positions, *(f"{later}-{earlier}" for later, earlier in listed)]
    contrasts = np.zeros((len(names), len(positions)))
    contrasts[: len(positions)] = np.eye(len(positions))
    for row, (later, earlier) in enumerate(listed, start=len(positions)):
        contrasts[row, positions.index(later)], contrasts[row, positions.index(earlier)] = 1.0, -1.0
    rng = np.random.default_rng(_SEED)
    moved = _with_drawn_inputs(days, positions, fit, draws, rng, progress)
    _, drawn_sd, _ = summary_of_draws((moved @ contrasts.T), level)
    linear = total_of(
        [
            fit.source_cov.get(label, np.zeros_like(fit.covariance))
            for label in SYSTEMATIC_INPUTS.values()
        ]
    )[: len(positions), : len(positions)]
    linear_sd = np.sqrt(np.maximum(np.diag(contrasts @ linear @ contrasts.T), 0.0))
    scatter = _scatter(fit, len(positions), draws, rng)
    whole = (fit.beta[: len(positions)] + moved + scatter) @ contrasts.T
    _, whole_sd, interval = summary_of_draws(whole, level)
    intervals = {}
    for i, name in enumerate(names):
        ends = (float(interval[0, i]), float(interval[1, i]))
        tolerance = _tolerance(float(whole_sd[i]), level, draws)
        agree = all(abs(a - b) <= tolerance for a, b in zip(ends, stated[name], strict=True))
        intervals[name] = {"monte_carlo": ends, "stated": stated[name], "agree": agree}
    return {
        "draws": draws,
        "systematic_se_m2": {
            name: {"monte_carlo": float(a), "linear": float(b)}
            for name, a, b in zip(names, drawn_sd, linear_sd, strict=True)
        },
        "interval_m2": intervals,
        "agrees": all(entry["agree"] for entry in intervals.values()),
    }


def _with_drawn_inputs(
    days: Sequence[DayInputs],
    positions: Sequence[str],
    fit: Fit,
    draws: int,
    rng: np.random.Generator,
    progress: Callable[[int], None] | None,
) -> Array:
    """Return how far the positions' CdA moves with each draw of the inputs, (draws, p) [m^2]."""
    gain = fit.posterior.gain()
    keys = sorted(fit.systematic_effect)
    answers = np.empty((draws, len(positions)))
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
                slow_times_s=SLOW_WIND_TIMES_S,
                slow_variance=fit.slow_variance,
            )
            beta = beta + gain @ system.y
        answers[k] = (beta - fit.beta)[: len(positions)]
        if progress is not None:
            progress(k + 1)
    return answers


def _scatter(fit: Fit, n_pos: int, draws: int, rng: np.random.Generator) -> Array:
    """Draw what the posterior leaves open of the positions' CdA, shape (draws, p) [m^2]."""
    posterior, fixed = fit.posterior, total_of(fit.system.fixed)
    centre = posterior.mean()[:n_pos]
    node = rng.choice(len(posterior.weight), size=draws, p=posterior.weight)
    z = rng.standard_normal((draws, n_pos))
    answers = np.empty((draws, n_pos))
    for k in np.unique(node):
        mine, solution = node == k, posterior.solutions[k]
        gain = solution.gain[:n_pos]
        covariance = gain @ fixed @ gain.T
        for sd, component in zip(posterior.theta[k], fit.system.components, strict=True):
            covariance += sd * sd * (gain @ component @ gain.T)
        values, vectors = np.linalg.eigh(covariance)
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        answers[mine] = solution.beta[:n_pos] - centre + z[mine] @ root.T
    return answers


def _tolerance(sd: float, level: float, draws: int) -> float:
    """Return by how much the ends of two intervals may differ and still be alike [m^2]."""
    from scipy.stats import norm

    outside = 0.5 * (1.0 - level)
    end = float(norm.ppf(outside))
    sampling = sd * float(np.sqrt(outside * (1.0 - outside) / draws) / norm.pdf(end))
    digit = 10.0 ** (np.floor(np.log10(sd)) - 1)
    return float(0.5 * digit + 0.05 * sd + _SURE * sampling)
