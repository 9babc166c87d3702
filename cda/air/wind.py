"""Wind from the height of its reading down to the rider."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from cda.air.ranges import as_given, require_range
from cda.errors import UnitRangeError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

LOWEST_LOG_LAW_ROUGHNESS_LENGTHS: Final = 20.0  # [-] below, the log law is no longer valid


def wind_at_height(
    speed_m_s: ArrayLike,
    *,
    reading_height_m: float,
    target_height_m: float,
    roughness_m: float,
) -> float | NDArray[np.float64]:
    r"""Bring a wind speed from the height of its reading down to the rider (log law).

    Parameters
    ----------
    speed_m_s : array_like, shape (...)
        Wind speed where it was read. [m/s]
    reading_height_m, target_height_m : float
        Heights above the ground. [m]
    roughness_m : float
        Roughness length of the ground around. [m]  0.0002 open water, 0.005 bare soil,
        0.03 short grass, 0.1 low crops.

    Returns
    -------
    speed : float or ndarray, shape (...)
        Wind speed at the target height; a reading taken at or below it comes back as it is,
        for nothing says how much more wind there is above. [m/s]

    Raises
    ------
    UnitRangeError
        If the target lies below 20 roughness lengths, where the log law does not hold, or an
        input is outside its range.

    Notes
    -----
    .. math:: u(z) = u(z_r) \, \ln(z / z_0) / \ln(z_r / z_0)

    Neutral air, no displacement height.

    References
    ----------
    WMO-No. 8, Guide to Meteorological Instruments and Methods of Observation, part I chapter 5
    (roughness classes of Davenport; the limit of 20 roughness lengths).
    """
    speed = require_range(
        speed_m_s,
        0.0,
        60.0,
        what="a wind speed of {:g} m/s is impossible",
        where="wind_at_height(speed_m_s=...)",
        fix="give m/s, 0 or more; km/h divided by 3.6",
    )
    heights = (
        ("reading_height_m", reading_height_m, 200.0),
        ("target_height_m", target_height_m, 200.0),
    )
    for name, height, highest in (*heights, ("roughness_m", roughness_m, 5.0)):
        if not 0.0 < height <= highest:
            raise UnitRangeError(
                f"{height:g} m is impossible",
                where=f"wind_at_height({name}=...)",
                fix=f"give metres, above 0 and up to {highest:g}",
            )
    if reading_height_m <= target_height_m:
        return as_given(speed)
    # A hair of tolerance: 1.2 m over 0.06 m is 20 to the user, 19.999... to the machine.
    if target_height_m < LOWEST_LOG_LAW_ROUGHNESS_LENGTHS * roughness_m * (1 - 1e-12):
        lengths = target_height_m / roughness_m
        raise UnitRangeError(
            f"{target_height_m:g} m is {lengths:.3g} roughness lengths of {roughness_m:g} m, and "
            "the log law of wind with height does not hold below 20: among obstacles of that "
            "size the wind at the rider cannot be had from a reading higher up",
            where="wind.roughness_m",
            fix="read the wind at rider height and give that height_m, or leave [wind] out",
        )
    factor = np.log(target_height_m / roughness_m) / np.log(reading_height_m / roughness_m)
    return as_given(np.asarray(speed * factor))
