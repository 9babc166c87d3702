"""What the mean over a leg keeps of a process that wavers: gusts, slow wind, a rider's position."""

from __future__ import annotations

import numpy as np


def mean_share(duration_s: float, time_s: float) -> float:
    """Return the share of an exponentially correlated process' variance that its mean keeps."""
    r = duration_s / time_s
    return float(2.0 / r * (1.0 - (1.0 - np.exp(-r)) / r))


def round_share(duration_s: float, time_s: float) -> float:
    """Return the same for the part along the way of wind on a circle ridden once.

    Notes
    -----
    Both components of the wind are alike and independent; the heading turns by a full circle in
    `duration_s`, so that var(mean)/var = 2/D² ∫ (D - s) exp(-s/τ) cos(2πs/D) ds over 0..D, which
    is Re[2/D² (D/z - (1 - exp(-zD))/z²)] with z = 1/τ - 2πi/D.
    """
    z = 1.0 / time_s - 2.0j * np.pi / duration_s
    full = duration_s / z - (1.0 - np.exp(-z * duration_s)) / z**2
    return float(2.0 / duration_s**2 * full.real)
