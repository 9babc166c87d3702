"""What each source contributes to the uncertainty of every position and difference (GUM)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cda.results import BudgetLine

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from cda.estimation import Fit

    Array = NDArray[np.float64]


def propagated_covariance(jacobian: Array, covariance: Array) -> Array:
    """Return the covariance of linear functions of correlated quantities.

    Parameters
    ----------
    jacobian : ndarray, shape (k, n)
        Sensitivity of each of k results to each of n inputs.
    covariance : ndarray, shape (n, n)

    Returns
    -------
    ndarray, shape (k, k)

    Notes
    -----
    JCGM 100:2008 (GUM), equations 13 and H.9; first order.
    """
    return np.asarray(jacobian @ covariance @ jacobian.T, dtype=np.float64)


def summary_of_draws(draws: Array, level: float) -> tuple[Array, Array, Array]:
    """Return estimate, standard uncertainty and coverage interval of Monte Carlo draws.

    Parameters
    ----------
    draws : ndarray, shape (m, k)
        m draws of k results.
    level : float
        Of the interval, 0 to 1.

    Returns
    -------
    mean, sd : ndarray, shape (k,)
    interval : ndarray, shape (2, k)
        Probabilistically symmetric: as many draws below it as above.

    Notes
    -----
    JCGM 101:2008, 7.6 (equations 16 and 17) and 7.7.
    """
    outside = 0.5 * (1.0 - level)
    interval = np.quantile(draws, [outside, 1.0 - outside], axis=0)
    return draws.mean(axis=0), draws.std(axis=0, ddof=1), np.asarray(interval)


def budget_lines(
    fit: Fit,
    positions: Sequence[str],
    pairs: Sequence[tuple[str, str]],
    statistical_se: Mapping[str, float],
) -> tuple[BudgetLine, ...]:
    """Return the uncertainty budget, largest contribution to a difference first.

    Parameters
    ----------
    fit : Fit
    positions : sequence of str
    pairs : sequence of (later, earlier)
    statistical_se : mapping
        Statistical standard uncertainty of every position and of every "later-earlier". [m^2]

    Notes
    -----
    The squares of a column add up to the square of the stated uncertainty (JCGM 100:2008,
    5.1.2): contributions of correlated inputs are kept together in one line.
    """
    lines = [
        BudgetLine(
            source="scatter of legs and runs (gusts, slow wind, taking the position anew)",
            positions={p: statistical_se[p] for p in positions},
            differences={f"{a}-{b}": statistical_se[f"{a}-{b}"] for a, b in pairs},
            kind="statistical",
        )
    ]
    contrast = np.zeros((len(pairs), len(fit.names)))
    for row, (later, earlier) in enumerate(pairs):
        contrast[row, positions.index(later)], contrast[row, positions.index(earlier)] = 1.0, -1.0
    for source, covariance in fit.source_cov.items():
        variance = np.diag(propagated_covariance(contrast, covariance))
        lines.append(
            BudgetLine(
                source=source,
                positions={
                    p: float(np.sqrt(max(covariance[i, i], 0.0))) for i, p in enumerate(positions)
                },
                differences={
                    f"{a}-{b}": float(np.sqrt(max(v, 0.0)))
                    for (a, b), v in zip(pairs, variance, strict=True)
                },
                kind="systematic",
            )
        )
    return tuple(
        sorted(
            lines,
            key=lambda line: (
                -max([*line.positions.values(), *line.differences.values()], default=0)
            ),
        )
    )
