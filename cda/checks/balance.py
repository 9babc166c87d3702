"""A rough energy balance of a leg, for comparing legs with each other.

Rough on purpose: what is common to all legs (air, Crr, masses) drops out of the comparison.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
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
