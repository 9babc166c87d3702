"""A rough energy balance of a leg, for comparing legs with each other.

Rough on purpose: what is common to all legs (air, Crr, masses) drops out of the comparison.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from cda.checks import thresholds as limit

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from cda.legs import Leg

# Ordinary values; common practice, no source.
MASS_KG: Final = 85.0
HALF_DENSITY_KG_M3: Final = 0.6
ROLLING_N: Final = 3.5
CDA_M2: Final = 0.27
EFFICIENCY: Final = 0.976


def energy_taken_j(leg: Leg) -> NDArray[np.float64]:
    """Return what slope, wind and brakes have taken since the start of the leg, shape (m,) [J].

    The work at the wheel less kinetic energy, rolling and still air.
    """
    v, step = leg.speed_m_s, np.diff(leg.time_s)
    middle = 0.5 * (v[1:] + v[:-1])
    resistance = ROLLING_N + HALF_DENSITY_KG_M3 * CDA_M2 * middle**2
    taken = (
        EFFICIENCY * leg.power_w[1:] * step
        - 0.5 * MASS_KG * np.diff(v * v)
        - resistance * np.abs(np.diff(leg.along_m))
    )
    return np.concatenate(([0.0], np.cumsum(taken)))


def beside_others(legs: Sequence[Leg]) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Compare the energy of each leg with the median of its direction.

    What the road takes one way and gives the other is taken out first: lifting weighs more on the
    CdA of a slow leg than of a fast one.

    Parameters
    ----------
    legs : sequence of Leg
        Over one road, of any positions.

    Returns
    -------
    drag_m2 : ndarray, shape (legs,)
        Rough CdA beyond the median of the direction. [m^2]
    share : ndarray, shape (legs,)
        The same as a share of the leg's work at the wheel.
        None (in place of both) where a direction has fewer than `thresholds.FEW_LEGS` legs.
    """
    way = np.array([leg.direction for leg in legs])
    if not len(legs) or any((way == d).sum() < limit.FEW_LEGS for d in set(way.tolist())):
        return None
    # Missing power must not stop the check; its leg's mean stands in.
    whole = [
        replace(g, power_w=np.where(np.isfinite(g.power_w), g.power_w, np.nanmean(g.power_w[1:])))
        for g in legs
    ]
    taken = np.array([energy_taken_j(leg)[-1] for leg in whole])
    lifting = 0.0
    if (way > 0).any() and (way < 0).any():
        lifting = 0.5 * float(np.median(taken[way > 0]) - np.median(taken[way < 0]))
    cubed = np.array(
        [
            float(np.sum((0.5 * (g.speed_m_s[1:] + g.speed_m_s[:-1])) ** 3 * np.diff(g.time_s)))
            for g in legs
        ]
    )
    work = np.array([float(np.sum(g.power_w[1:] * np.diff(g.time_s))) for g in whole])
    rough = CDA_M2 + (taken - way * lifting) / (HALF_DENSITY_KG_M3 * cubed)
    for direction in set(way.tolist()):
        rough[way == direction] -= np.median(rough[way == direction])
    share = rough * HALF_DENSITY_KG_M3 * cubed / np.maximum(EFFICIENCY * work, 1.0)
    return rough, share
