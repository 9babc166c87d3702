"""What more runs would buy, from a ride's own scatter."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from cda.errors import EstimationError
from cda.precision.before import resolved_with

if TYPE_CHECKING:
    from cda.results import Difference, Estimate

MOST_FURTHER: Final = 60  # runs of both together; common practice, no source: many mornings
POWERS: Final = (0.8, 0.9)


@dataclass(frozen=True, slots=True, kw_only=True)
class MoreRuns:
    """What a pair of positions shows now, and the further runs that a difference takes.

    Attributes
    ----------
    smallest_m2 : float
        Difference resolved now in 80 of 100 tests. [m^2]
    further : dict of float to (dict of str to int) or None
        Power of the test -> further runs of each position, the fewest in all; None where
        MOST_FURTHER are not enough, or no number of runs is.
    """

    position: str
    reference: str
    smallest_m2: float
    difference_m2: float
    further: dict[float, dict[str, int] | None]

    def to_dict(self) -> dict[str, object]:
        """Return the row as `cda fit --json` prints it."""
        return {
            "position": self.position,
            "reference": self.reference,
            "smallest_resolvable_m2": self.smallest_m2,
            "difference_m2": self.difference_m2,
        } | {
            f"further_runs_for_{100 * power:.0f}_percent_power": runs
            for power, runs in self.further.items()
        }


def what_more_runs_buy(estimate: Estimate, difference_m2: float) -> tuple[MoreRuns, ...]:
    """Return for every pair what it shows now, and what it takes to show a difference.

    Parameters
    ----------
    estimate : Estimate
    difference_m2 : float
        That is to be told from 0. [m^2]

    Raises
    ------
    EstimationError
        If the difference is not above 0.

    Notes
    -----
    A position's part of the statistical variance falls with its runs as 1/r, at the size that
    this ride's own runs and legs show; what systematic inputs leave in a difference stays. Degrees
    of freedom grow with the runs.
    """
    if not difference_m2 > 0.0:
        raise EstimationError(
            f"a difference of {difference_m2:g} m² cannot be resolved",
            where="--resolve",
            fix="give a difference above 0, such as 0.006",
        )
    runs = {p.id: p.runs for p in estimate.positions}
    return tuple(_of_pair(d, runs, difference_m2) for d in estimate.differences)


def _of_pair(d: Difference, runs: dict[str, int], difference_m2: float) -> MoreRuns:
    now = (runs[d.position], runs[d.reference])
    systematic = d.systematic_se_m2 or 0.0
    statistical = d.statistical_se_m2 or float(np.sqrt(max(d.se_m2**2 - systematic**2, 0.0)))
    return MoreRuns(
        position=d.position,
        reference=d.reference,
        smallest_m2=d.smallest_resolvable_m2,
        difference_m2=difference_m2,
        further={
            power: None
            if (extra := further_runs(difference_m2, statistical, systematic, d.dof, now, power))
            is None
            else dict(zip((d.position, d.reference), extra, strict=True))
            for power in POWERS
        },
    )


def further_runs(
    difference: float,
    statistical_se: float,
    systematic_se: float,
    dof: float,
    runs: tuple[int, int],
    power: float,
) -> tuple[int, int] | None:
    """Return the fewest further runs of two positions that resolve a difference.

    Parameters
    ----------
    difference, statistical_se, systematic_se : float
        In one unit.
    dof : float
        Of the difference now.
    runs : tuple of int
        Used runs of the two now.
    power : float
        Chance that a 95 % interval leaves out 0 if the difference is what it is said to be.
    """
    one, other = (max(r, 1) for r in runs)
    # Scatter of one run, so that one run each would have twice this variance.
    of_a_run = statistical_se**2 / (1.0 / one + 1.0 / other)
    for extra in range(MOST_FURTHER + 1):
        # The fewest runs in all are shared so that both have as near to the same as can be.
        mine = int(np.clip((other - one + extra + 1) // 2, 0, extra))
        left, right = one + mine, other + extra - mine
        variance = of_a_run * (1.0 / left + 1.0 / right) + systematic_se**2
        grown = dof * (left + right) / (one + other)
        if resolved_with(float(np.sqrt(variance)), grown, power) <= difference:
            return mine, extra - mine
    return None
