"""What earlier days know already, and what another day adds to it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from cda.estimation.fit import PRIORS
from cda.precision.expected import POWER_OF_TEST

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from cda.precision.expected import Expectation

# What a position differs by from day to day, as days are pooled: nobody sets it up twice alike.
# [m^2]
DAY_SD_M2: Final = PRIORS["position_by_day"].median
_NOTHING_KNOWN_M2: Final = 10.0  # standard uncertainty of a position never ridden


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Before:
    """Positions as earlier days know them.

    Attributes
    ----------
    ids : tuple of str
    covariance_m4 : ndarray, shape (positions, positions)
        What is common to all cancels in contrasts. [m^4]
    dof : float
        Of a difference.
    """

    ids: tuple[str, ...]
    covariance_m4: NDArray[np.float64]
    dof: float

    def among(self, ids: Sequence[str]) -> Before:
        """Return the same for these positions in this order; a new one is not known at all."""
        covariance = np.diag(np.full(len(ids), _NOTHING_KNOWN_M2**2))
        known = [k for k, name in enumerate(ids) if name in self.ids]
        of = [self.ids.index(ids[k]) for k in known]
        covariance[np.ix_(known, known)] = self.covariance_m4[np.ix_(of, of)]
        return Before(ids=tuple(ids), covariance_m4=covariance, dof=self.dof)


def contrast_se(
    contrast: Sequence[float], expected: Expectation, before: Before | None = None
) -> tuple[float, float]:
    """Return standard uncertainty and degrees of freedom of a contrast of positions.

    Parameters
    ----------
    contrast : sequence of float, one a position
        Adds up to 0; its unit is that of the answer per m^2.
    expected : Expectation
        Of the day to come.
    before : Before, optional
        Of the same positions, in the same order. The two are weighted by their information after
        each is widened by what a position differs by from day to day.

    Notes
    -----
    Degrees of freedom: Satterthwaite 1946, Biometrics 2, 110-114, :doi:`10.2307/3002019`.
    """
    c = np.asarray(contrast, dtype=float)
    variance, dof = float(c @ expected.covariance_m4 @ c), expected.dof
    if before is None:
        return float(np.sqrt(variance)), dof
    by_day = DAY_SD_M2**2 * float(c @ c)
    parts = np.array([variance, float(c @ before.covariance_m4 @ c)]) + by_day
    weight = (1.0 / parts) / np.sum(1.0 / parts)
    share = weight**2 * parts
    together = float(share.sum())
    of_parts = together**2 / float(np.sum(share**2 / np.array([dof, before.dof])))
    return float(np.sqrt(together)), of_parts


def resolved_with(se: float, dof: float, power: float = POWER_OF_TEST) -> float:
    """Return the value that a 95 % interval keeps apart from 0 in that share of tests.

    In the unit of `se`.
    """
    from scipy.stats import t as student

    return se * float(student.ppf(0.975, dof) + student.ppf(power, dof))


def resolved_together(
    contrast: Sequence[float],
    expected: Expectation,
    before: Before | None,
    power: float = POWER_OF_TEST,
) -> float:
    """Return the value of a contrast that is resolved in that share of tests.

    By the day alone or by all days together, whichever shows more: days that are fitted together
    answer for a position as it is set up on any day, and may know less of it than one good day
    knows of its own.
    """
    alone = resolved_with(*contrast_se(contrast, expected), power)
    if before is None:
        return alone
    return min(alone, resolved_with(*contrast_se(contrast, expected, before), power))


def smallest_together_m2(expected: Expectation, before: Before | None) -> float | None:
    """Return the smallest difference resolved with 80 % power, earlier days counted in [m^2].

    Root mean square over all pairs, as `Expectation.smallest_resolvable_m2`, which it is without
    earlier days. None where there is one position.
    """
    if before is None or expected.smallest_resolvable_m2 is None:
        return expected.smallest_resolvable_m2
    n = len(expected.covariance_m4)
    squares = []
    for i in range(n):
        for j in range(i):
            contrast = np.zeros(n)
            contrast[i], contrast[j] = 1.0, -1.0
            squares.append(resolved_together(contrast.tolist(), expected, before) ** 2)
    return float(np.sqrt(np.mean(squares)))
