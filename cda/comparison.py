"""Differences between positions: intervals, families of comparisons, what more runs would buy."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from cda.results import Difference
from cda.results.words import difference_words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from cda.estimation import Fit

MOST_RUNS_WORTH_NAMING = 60  # of each; common practice, no source: many mornings of riding
_DRAWS = 20_000
_SEED = 20_260_101  # of the family-wise draws: the same input gives the same digits


def welch_satterthwaite(parts: Sequence[tuple[float, float | None]]) -> float:
    """Return the effective degrees of freedom of a combined standard uncertainty.

    Parameters
    ----------
    parts : sequence of (u, dof)
        Standard uncertainties and their degrees of freedom; None is a Type B input taken as
        exactly known.

    Notes
    -----
    JCGM 100:2008 (GUM) equation G.2b. Capped at 100 000, beyond which t is the normal.
    """
    total = sum(u * u for u, _ in parts)
    below = sum(u**4 / dof for u, dof in parts if dof is not None)
    return 1e5 if below <= 0.0 else float(min(total**2 / below, 1e5))


def pairs(positions: Sequence[str], reference: str) -> list[tuple[str, str]]:
    """Return each position against the reference, then every other pair, later minus earlier."""
    against = [(p, reference) for p in positions if p != reference]
    others = [
        (later, earlier)
        for i, earlier in enumerate(positions)
        for later in positions[i + 1 :]
        if reference not in (later, earlier)
    ]
    return against + others


def compare(
    fit: Fit, positions: Sequence[str], reference: str, level: float, runs: Sequence[int]
) -> tuple[Difference, ...]:
    """Return every difference with what is common cancelled.

    Parameters
    ----------
    fit : Fit
    positions, reference : sequence of str, str
    level : float
        Of the intervals, 0 to 1.
    runs : sequence of int
        Used runs of each position.

    Notes
    -----
    `simultaneous_interval_m2` and `adjusted_p` hold for all listed pairs together, by the
    single-step max-t method (Hothorn, Bretz & Westfall 2008, Biom. J. 50, 346-363,
    :doi:`10.1002/bimj.200810425`) over `_DRAWS` draws of the joint t distribution. Every
    difference keeps its own degrees of freedom: the largest |t| is that of the smallest p
    (Westfall & Young 1993, "Resampling-based multiple testing", single-step minP).
    """
    from scipy.stats import t as student

    listed = pairs(positions, reference)
    if not listed:
        return ()  # a single position: an estimate, but nothing to compare it with
    n_names = len(fit.names)
    contrasts = np.zeros((len(listed), n_names))
    for row, (later, earlier) in enumerate(listed):
        contrasts[row, positions.index(later)] = 1.0
        contrasts[row, positions.index(earlier)] = -1.0
    rows = []
    systematic = fit.systematic_cov
    for contrast in contrasts:
        statistical, statistical_dof = fit.replication(contrast)
        other = float(np.sqrt(max(float(contrast @ systematic @ contrast), 0.0)))
        se = float(np.hypot(statistical, other))
        dof = welch_satterthwaite([(statistical, statistical_dof), (other, None)])
        rows.append((float(contrast @ fit.beta), se, dof, statistical, other))
    statistical_cov = _matched(fit.replication_cov, contrasts, [r[3] for r in rows])
    dofs = np.array([r[2] for r in rows])
    smallest = _smallest_p(statistical_cov + contrasts @ systematic @ contrasts.T, dofs)
    family = min(1.0 - level, float(np.quantile(smallest, 1.0 - level)))
    best = _probability_best(
        [
            (later, row[0])
            for (later, earlier), row in zip(listed, rows, strict=True)
            if earlier == reference
        ],
        statistical_cov,
        contrasts @ systematic @ contrasts.T,
        [fit.replication(c)[1] for c in contrasts],
    )
    answers = []
    for (later, earlier), (delta, se, dof, statistical, other) in zip(listed, rows, strict=True):
        half = float(student.ppf(0.5 + level / 2, dof)) * se
        wide = float(student.ppf(1.0 - 0.5 * family, dof)) * se
        p = float(2 * student.sf(abs(delta) / se, dof))
        adjusted = max(float(np.mean(smallest <= p)), p)
        reach = float(student.ppf(0.975, dof) + student.ppf(0.80, dof)) * se
        resolved = abs(delta) > half
        difference = Difference(
            position=later,
            reference=earlier,
            delta_cda_m2=delta,
            se_m2=se,
            dof=dof,
            interval_m2=(delta - half, delta + half),
            simultaneous_interval_m2=(delta - wide, delta + wide),
            adjusted_p=min(adjusted, 1.0),
            probability_lower_drag=float(student.cdf(-delta / se, dof)),
            resolved=resolved,
            smallest_resolvable_m2=reach,
            statistical_se_m2=statistical,
            systematic_se_m2=other,
            probability_best=best[later],
            adjustment=f"single-step max-t, {len(listed)} comparisons",
            more_runs=more_runs(
                delta,
                statistical,
                other,
                (runs[positions.index(later)], runs[positions.index(earlier)]),
                level=level,
            ),
        )
        answers.append(replace(difference, verdict=difference_words(difference)))
    return tuple(answers)


def more_runs(
    difference: float,
    statistical_se: float,
    systematic_se: float,
    runs: tuple[int, int],
    *,
    level: float,
) -> dict[str, object]:
    """Return how many runs of each would resolve this difference if it is what it seems.

    Parameters
    ----------
    difference, statistical_se, systematic_se : float
        In one unit, whichever: drag area or time at the race.
    runs : tuple of int
        Used runs of the two so far.
    level : float
        Of the interval that has to leave out zero.

    Returns
    -------
    dict
        Runs of each in all (those ridden counted) at which the interval leaves out zero with a
        probability of 80 and of 90 %; None where no sensible number would do.

    Notes
    -----
    The statistical part falls with the number of runs as this ride's own scatter does; the
    systematic part stays.
    """
    from scipy.stats import norm

    have = float(2.0 / (1.0 / max(runs[0], 1) + 1.0 / max(runs[1], 1)))
    answer: dict[str, object] = {}
    for power in (0.8, 0.9):
        need = abs(difference) / float(norm.ppf(0.5 + level / 2.0) + norm.ppf(power))
        room = need**2 - systematic_se**2
        runs_needed = None
        if room > 0.0:
            # the 1.15 pays for t instead of normal quantiles at small numbers
            wanted = 1.15 * have * statistical_se**2 / room
            if wanted < MOST_RUNS_WORTH_NAMING:
                runs_needed = int(np.ceil(max(wanted, 2.0)))
        answer[f"runs_each_for_{power:.0%}".replace("%", "_percent_power")] = runs_needed
    return answer


def _matched(
    covariance: NDArray[np.float64], contrasts: NDArray[np.float64], se: Sequence[float]
) -> NDArray[np.float64]:
    """Return the covariance of the contrasts, brought to their stated standard errors."""
    block = contrasts @ covariance @ contrasts.T
    spread = np.sqrt(np.maximum(np.diag(block), 1e-30))
    scale = np.asarray(se) / spread
    return np.asarray(block * np.outer(scale, scale), dtype=np.float64)


def _normals(covariance: NDArray[np.float64], rng: np.random.Generator) -> NDArray[np.float64]:
    """Return normal draws with this covariance, which may be singular; shape (draws, n)."""
    values, vectors = np.linalg.eigh(covariance)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    return np.asarray(rng.standard_normal((_DRAWS, len(values))) @ root.T, dtype=np.float64)


def _widening(dof: Sequence[float], rng: np.random.Generator) -> NDArray[np.float64]:
    """Return sqrt(nu / chi2) for each of the degrees of freedom, shape (draws, n).

    One uniform a draw sets all chi2: the differences' variances come from the same legs, and
    where one is underestimated, so are the others.
    """
    from scipy.special import gammaincinv

    uniform = (np.arange(_DRAWS) + 0.5) / _DRAWS
    table = np.concatenate([[0.0], np.geomspace(1e-6, 0.5, 200)])
    table = np.concatenate([table[1:], 1.0 - table[1:-1][::-1]])
    columns = {
        nu: np.interp(uniform, table, np.sqrt(0.5 * nu / gammaincinv(0.5 * nu, table)))
        for nu in set(dof)
    }
    mixed = rng.permutation(_DRAWS)
    return np.stack([columns[nu][mixed] for nu in dof], axis=1)


def _smallest_p(covariance: NDArray[np.float64], dof: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return draws of the smallest two-sided p of all contrasts, where no difference is real."""
    from scipy.stats import t as student

    rng = np.random.default_rng(_SEED)
    spread = np.sqrt(np.maximum(np.diag(covariance), 1e-30))
    rounded = [float(f"{nu:.3g}") for nu in dof]
    t = np.abs(_normals(covariance, rng) / spread) * _widening(rounded, rng)
    grid = np.sinh(np.linspace(0.0, 8.0, 600))
    least = np.zeros(_DRAWS)
    for column, nu in zip(t.T, rounded, strict=True):
        log_p = np.log(2.0) + student.logsf(grid, nu)
        np.minimum(least, np.interp(column, grid, log_p), out=least)
    return np.asarray(np.exp(least))


def _probability_best(
    against: Sequence[tuple[str, float]],
    statistical: NDArray[np.float64],
    systematic: NDArray[np.float64],
    dof: Sequence[float],
) -> dict[str, float]:
    """Return for every position but the reference the probability of the least drag of all.

    Parameters
    ----------
    against : sequence of (str, float)
        Positions and their difference against the reference, the first of the contrasts. [m^2]
    statistical, systematic : ndarray, shape (n, n)
        Covariances of the contrasts: the one is multivariate t, the other normal. [m^4]
    dof : sequence of float
        Degrees of freedom of the statistical part of each contrast.
    """
    rng = np.random.default_rng(_SEED + 1)
    k = len(against)
    draws = (
        np.array([delta for _, delta in against])
        + _normals(statistical[:k, :k], rng)
        * _widening([float(f"{nu:.3g}") for nu in dof[:k]], rng)
        + _normals(systematic[:k, :k], rng)
    )
    least = np.column_stack([np.zeros(_DRAWS), draws]).argmin(axis=1)
    share = np.bincount(least, minlength=k + 1) / _DRAWS
    return {name: float(value) for (name, _), value in zip(against, share[1:], strict=True)}
