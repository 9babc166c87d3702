"""What choosing among noisy positions does to the answer.

The position that looks best of several looks better than it is.  Taken as a posterior mean, a
difference promises what it will bring whichever position is picked, for picking looks at nothing
but the data the mean is conditioned on.  That needs a belief about how much positions differ
before any is tested; how much they do is itself learnt from the differences at hand.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

# Weak prior: two positions of one rider differ by about this much (k = 1), give or take a factor
# of two (log-normal).  Published postures on aero bars lie within 0.02 m² of each other; common
# practice, no source.
PRIOR_DIFFERENCE_SD_M2 = 0.010
PRIOR_LOG_SD = 0.7
_SPREADS = 41  # of the prior, evenly over three and a half of its standard deviations either way
_SCALES = 24  # equally likely values of the true over the estimated standard error


def shrunk_differences(delta_m2: Array, statistical: Array, systematic: Array, dof: float) -> Array:
    """Shrink differences against the reference towards none, by how well they are known.

    Parameters
    ----------
    delta_m2 : ndarray, shape (k,)
        CdA of each position minus that of the reference. [m^2]
    statistical, systematic : ndarray, shape (k, k)
        Covariances of `delta_m2`; the first is estimated with `dof` degrees of freedom. [m^4]
    dof : float
        May be infinite.

    Returns
    -------
    ndarray, shape (k,)
        Posterior mean.

    Notes
    -----
    The prior treats all positions alike, the reference included: independent with standard
    deviation tau / sqrt(2) about a level of their own, so that every pair differs by tau and
    differences against one reference are correlated by a half.  For given tau and given scale s
    of the statistical covariance the posterior mean is K (K + s S + T)^-1 delta; it is averaged
    over the posterior of both, tau log-normal about `PRIOR_DIFFERENCE_SD_M2` and s = nu / chi2
    with nu degrees of freedom, by how well each pair explains the differences.  A position learns
    from the others; one large difference among well measured ones is hardly shrunk.

    References
    ----------
    .. [1] A. Gelman et al., "Bayesian Data Analysis", 3rd ed., ch. 5 (normal hierarchical model).
    .. [2] C. N. Morris, "Parametric empirical Bayes inference", J. Am. Stat. Assoc. 78, 47-55,
       1983. :doi:`10.1080/01621459.1983.10477920`
    """
    k = delta_m2.size
    z = np.linspace(-3.5, 3.5, _SPREADS)
    spreads = PRIOR_DIFFERENCE_SD_M2 * np.exp(PRIOR_LOG_SD * z)
    scales = _scales(dof)
    alike = 0.5 * (np.eye(k) + np.ones((k, k)))
    prior = spreads[:, None, None, None] ** 2 * alike
    total = prior + scales[None, :, None, None] * statistical + systematic
    solved = np.linalg.solve(total, np.broadcast_to(delta_m2[:, None], (*total.shape[:2], k, 1)))
    mean = (prior @ solved)[..., 0]
    _, log_det = np.linalg.slogdet(total)
    log_weight = -0.5 * (log_det + (delta_m2 * solved[..., 0]).sum(axis=-1)) - 0.5 * z[:, None] ** 2
    weight = np.exp(log_weight - log_weight.max())
    return np.asarray(np.tensordot(weight / weight.sum(), mean, axes=2), dtype=np.float64)


def _scales(dof: float) -> Array:
    """Return equally likely values of nu / chi2: a variance over its estimate."""
    from scipy.special import gammaincinv

    if not np.isfinite(dof):
        return np.ones(1)
    middles = (np.arange(_SCALES) + 0.5) / _SCALES
    return np.asarray(0.5 * dof / gammaincinv(0.5 * dof, middles), dtype=np.float64)
