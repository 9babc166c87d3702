"""Pressure with height by the standard atmosphere: from sea level to the road, and doubts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from cda.air.ranges import as_given, require_range
from cda.errors import UnitRangeError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

MMHG_HPA: Final = 1.333_22  # [hPa] millimetre of mercury
# Standard atmosphere, ISO 2533:1975, lowest layer.
STANDARD_PRESSURE_PA: Final = 101_325.0  # [Pa]
STANDARD_TEMPERATURE_K: Final = 288.15  # [K]
STANDARD_LAPSE_K_M: Final = 6.5e-3  # [K/m] of geopotential height
STANDARD_GRAVITY_M_S2: Final = 9.806_65  # [m/s^2]
_STANDARD_EARTH_RADIUS_M: Final = 6_356_766.0  # [m] nominal, makes height geopotential
_STANDARD_GAS_CONSTANT: Final = 287.052_87  # [J/(kg K)] of dry air
_STANDARD_EXPONENT: Final = STANDARD_GRAVITY_M_S2 / (STANDARD_LAPSE_K_M * _STANDARD_GAS_CONSTANT)


def standard_pressure_ratio(elevation_m: ArrayLike) -> NDArray[np.float64]:
    r"""Compute the ratio of pressure at a height to pressure at sea level, standard atmosphere.

    Parameters
    ----------
    elevation_m : array_like, shape (...)
        Geometric height above the sea, -500 to 6000. [m]

    Returns
    -------
    ratio : ndarray, shape (...)
        [-]

    Raises
    ------
    UnitRangeError
        If a height is outside the range.

    Notes
    -----
    .. math:: (1 - L H / T_0)^{g_0 / (L R)}, \quad H = r h / (r + h)

    References
    ----------
    ISO 2533:1975, Standard Atmosphere, lowest layer.
    """
    h = require_range(
        elevation_m,
        -500.0,
        6000.0,
        what="an elevation of {:g} m has no road",
        where="standard_pressure_ratio(elevation_m=...)",
        fix="give metres above the sea, -500 to 6000",
    )
    geopotential = _STANDARD_EARTH_RADIUS_M * h / (_STANDARD_EARTH_RADIUS_M + h)
    base = 1.0 - STANDARD_LAPSE_K_M * geopotential / STANDARD_TEMPERATURE_K
    return np.asarray(base**_STANDARD_EXPONENT, dtype=np.float64)


def station_pressure(
    sea_level_pressure_pa: ArrayLike, elevation_m: ArrayLike
) -> float | NDArray[np.float64]:
    """Compute the pressure at the road from a pressure reduced to sea level.

    Parameters
    ----------
    sea_level_pressure_pa : array_like, shape (...)
        As weather services publish it, 87 000 to 109 000. [Pa]
    elevation_m : array_like, shape (...)
        Height of the road above the sea. [m]

    Returns
    -------
    pressure : float, or ndarray of the broadcast shape
        [Pa]

    Raises
    ------
    UnitRangeError
        If an input is outside its range.

    Notes
    -----
    The standard atmosphere is undone, whatever the weather, as for an altimeter setting (QNH):
    sea-level pressure times `standard_pressure_ratio`.  A service that reduced with the air's
    own temperature differs by about 0.02 hPa per 100 m and kelvin off the standard one (the
    standard uncertainty of the pressure should cover it).
    """
    sea_level = require_range(
        sea_level_pressure_pa,
        87_000.0,
        109_000.0,
        what="a sea-level pressure of {:g} Pa has never been read",
        where="station_pressure(sea_level_pressure_pa=...)",
        fix="pass pascal: sea_level_pressure_hpa * 100",
    )
    return as_given(np.asarray(sea_level * standard_pressure_ratio(elevation_m)))


def check_station_pressure(pressure_hpa: float, elevation_m: float) -> None:
    """Refuse a pressure that no weather brings about at this height.

    Parameters
    ----------
    pressure_hpa : float
        Pressure said to be that at the road. [hPa]
    elevation_m : float
        Height of the road above the sea. [m]

    Raises
    ------
    UnitRangeError
        If it is more than 70 hPa from the standard atmosphere (extremes of weather reach -145
        in the eyes of typhoons and +70 in Siberian cold; riders stay at home in both); the
        text says whether it looks like mmHg or like a sea-level pressure.
    """
    expected = STANDARD_PRESSURE_PA / 100.0 * float(standard_pressure_ratio(elevation_m))
    if abs(pressure_hpa - expected) <= 70.0:
        return
    guess, fix = "", "read the pressure at the road, in hPa"
    if abs(pressure_hpa * MMHG_HPA - expected) <= 70.0:
        guess = "; it looks like mmHg"
        fix = f"give {pressure_hpa * MMHG_HPA:.1f} (hPa)"
    elif abs(pressure_hpa - STANDARD_PRESSURE_PA / 100.0) <= 50.0:
        guess = "; it looks like a pressure reduced to sea level"
        fix = f"give it as sea_level_pressure_hpa = {pressure_hpa:g} with elevation_m"
    raise UnitRangeError(
        f"{pressure_hpa:g} hPa at {elevation_m:g} m, where {expected:.0f} hPa is usual{guess}",
        where="air.pressure_hpa",
        fix=fix,
    )
