"""Normal gravity of the WGS84 ellipsoid."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from cda.air.ranges import as_given, require_range

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

# WGS84 ellipsoid and its normal gravity (NIMA TR8350.2).
_EQUATOR_GRAVITY_M_S2: Final = 9.780_325_335_9  # [m/s^2]
_SOMIGLIANA_K: Final = 1.931_852_652_41e-3  # [-]
_ECCENTRICITY_SQUARED: Final = 6.694_379_990_14e-3  # [-]
_EQUATOR_RADIUS_M: Final = 6_378_137.0  # [m]
_FLATTENING: Final = 1.0 / 298.257_223_563  # [-]
_ROTATION_RATIO: Final = 3.449_786_506_84e-3  # [-] omega^2 a^2 b / GM


def normal_gravity(
    latitude_deg: ArrayLike, height_m: ArrayLike = 0.0
) -> float | NDArray[np.float64]:
    """Compute normal gravity of the WGS84 ellipsoid at a latitude and height.

    Parameters
    ----------
    latitude_deg : array_like, shape (...)
        Geodetic latitude, -90 to 90. [deg]
    height_m : array_like, shape (...), default 0.0
        Height above the ellipsoid; height above the sea will do (50 m are 1.5e-5 of g). [m]

    Returns
    -------
    gravity : float, or ndarray of the broadcast shape
        [m/s^2]

    Raises
    ------
    UnitRangeError
        If a latitude or height is outside its range.

    References
    ----------
    Somigliana's closed formula and its second-order expansion in height: NIMA TR8350.2,
    Department of Defense World Geodetic System 1984, third edition, eqs. 4-1 and 4-3.
    """
    latitude = require_range(
        latitude_deg,
        -90.0,
        90.0,
        what="a latitude of {:g}° does not exist",
        where="normal_gravity(latitude_deg=...)",
        fix="give degrees, north positive",
    )
    h = require_range(
        height_m,
        -500.0,
        9000.0,
        what="a height of {:g} m has no road",
        where="normal_gravity(height_m=...)",
        fix="give metres above the sea",
    )
    s2 = np.sin(np.radians(latitude)) ** 2
    at_ellipsoid = (
        _EQUATOR_GRAVITY_M_S2 * (1 + _SOMIGLIANA_K * s2) / np.sqrt(1 - _ECCENTRICITY_SQUARED * s2)
    )
    relative = h / _EQUATOR_RADIUS_M
    linear = 2 * (1 + _FLATTENING + _ROTATION_RATIO - 2 * _FLATTENING * s2)
    return as_given(np.asarray(at_ellipsoid * (1 - linear * relative + 3 * relative**2)))
