"""What choosing among noisy positions does to the answer."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

# Weak prior: two positions of one rider differ by about this much (k = 1).  Published postures
# on aero bars lie within 0.02 m² of each other (reference: common practice, no source).
PRIOR_DIFFERENCE_SD_M2 = 0.010


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
