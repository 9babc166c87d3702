"""What choosing among noisy positions does to the answer, and what would decide a tie."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

# Weak prior: two positions of one rider differ by about this much (k = 1).  Published postures
# on aero bars lie within 0.02 m² of each other (reference: common practice, no source).
PRIOR_DIFFERENCE_SD_M2 = 0.010
MOST_RUNS_WORTH_NAMING = 60


def shrunk_differences(
    delta_m2: NDArray[np.float64], covariance: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Shrink differences against the reference towards none, by how well they are known.

    Parameters
    ----------
    delta_m2 : ndarray, shape (k,)
        CdA of each position minus that of the reference. [m^2]
    covariance : ndarray, shape (k, k)
        Of `delta_m2`. [m^4]

    Returns
    -------
    ndarray, shape (k,)
        Posterior mean, K (K + S)^-1 delta.

    Notes
    -----
    The prior treats all positions alike, the reference included: independent with standard
    deviation `PRIOR_DIFFERENCE_SD_M2` / sqrt(2), so that every pair differs by
    `PRIOR_DIFFERENCE_SD_M2` and differences against one reference are correlated by a half.
    Shrinking the whole vector lets a position learn from the others.
    """
    k = delta_m2.size
    prior = 0.5 * PRIOR_DIFFERENCE_SD_M2**2 * (np.eye(k) + np.ones((k, k)))
    return np.asarray(prior @ np.linalg.solve(prior + covariance, delta_m2), dtype=np.float64)


def runs_to_decide(
    difference_s: float,
    statistical_se_s: float,
    systematic_se_s: float,
    dof: float,
    *,
    runs: int,
    level: float,
) -> int | None:
    """Return how many runs of each position would separate a difference as large as it looks.

    Replication shrinks the statistical variance in proportion to the runs; the systematic part
    stays.  None if no sensible number of runs would do.
    """
    from scipy.special import stdtrit

    quantile = float(stdtrit(dof if np.isfinite(dof) else 1e6, 0.5 + level / 2.0))
    room = (difference_s / quantile) ** 2 - systematic_se_s**2
    if room <= 0.0 or runs < 1:
        return None
    needed = int(np.ceil(runs * statistical_se_s**2 / room))
    return max(needed, runs + 1) if needed <= MOST_RUNS_WORTH_NAMING else None
