"""What each source contributes to the uncertainty of every position and difference (GUM)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cda.results import BudgetLine

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from cda.estimation import Fit


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
    for source, covariance in fit.source_cov.items():
        contributions = {}
        for a, b in pairs:
            i, j = positions.index(a), positions.index(b)
            variance = covariance[i, i] + covariance[j, j] - 2.0 * covariance[i, j]
            contributions[f"{a}-{b}"] = float(np.sqrt(max(variance, 0.0)))
        lines.append(
            BudgetLine(
                source=source,
                positions={
                    p: float(np.sqrt(max(covariance[i, i], 0.0))) for i, p in enumerate(positions)
                },
                differences=contributions,
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
