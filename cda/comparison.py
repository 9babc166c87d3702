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
    `simultaneous_interval_m2` and `adjusted_p` hold for all listed pairs together: the largest
    |t| of draws from the joint t distribution (single-step max-t; Hothorn, Bretz & Westfall
    2008, Biom. J. 50, 346-363, :doi:`10.1002/bimj.200810425`).
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
    largest = _largest_t(fit, contrasts, [r[1] for r in rows], min(r[2] for r in rows))
    best = _probability_best(fit, len(positions))
    answers = []
    for (later, earlier), (delta, se, dof, statistical, other) in zip(listed, rows, strict=True):
        half = float(student.ppf(0.5 + level / 2, dof)) * se
        wide = max(float(np.quantile(largest, level)) * se, half)
        p = float(2 * student.sf(abs(delta) / se, dof))
        adjusted = max(float(np.mean(largest >= abs(delta) / se)), p)
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
            probability_best=best[positions.index(later)],
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


def _largest_t(
    fit: Fit, contrasts: NDArray[np.float64], se: Sequence[float], dof: float
) -> NDArray[np.float64]:
    rng = np.random.default_rng(_SEED)
    covariance = contrasts @ fit.covariance @ contrasts.T
    values, vectors = np.linalg.eigh(covariance)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    normal = rng.standard_normal((_DRAWS, len(values))) @ root.T
    scale = np.sqrt(dof / rng.chisquare(dof, _DRAWS))
    spread = np.sqrt(np.maximum(np.diag(covariance), 1e-30))
    return np.asarray(np.abs(normal / spread * scale[:, None]).max(axis=1))


def _probability_best(fit: Fit, n_positions: int) -> list[float]:
    """Return for every position the probability of having the least drag of all."""
    rng = np.random.default_rng(_SEED + 1)
    covariance = fit.covariance[:n_positions, :n_positions]
    values, vectors = np.linalg.eigh(covariance)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    draws = fit.beta[:n_positions] + rng.standard_normal((_DRAWS, n_positions)) @ root.T
    return [float(v) for v in np.bincount(draws.argmin(axis=1), minlength=n_positions) / _DRAWS]
