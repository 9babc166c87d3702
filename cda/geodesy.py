"""Degrees on the WGS84 ellipsoid as metres on the ground.

A test road is a few kilometres long, so everything is done on the plane that touches the
ellipsoid at one point of it. Height above the ellipsoid is left out: at 500 m it lengthens a
distance by 8e-5.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]

# NGA.STND.0036, "Department of Defense World Geodetic System 1984", 2014, table 3.1.
WGS84_SEMI_MAJOR_AXIS_M: Final = 6_378_137.0  # [m]
WGS84_FLATTENING: Final = 1.0 / 298.257_223_563  # [-]
_ECCENTRICITY_SQUARED: Final = WGS84_FLATTENING * (2.0 - WGS84_FLATTENING)
_MEAN_RADIUS_M: Final = 6_371_008.8  # [m] (2a + b)/3; only in a term of relative size 1e-7


def project(
    latitude_deg: ArrayLike, longitude_deg: ArrayLike, origin: tuple[float, float]
) -> tuple[Floats, Floats]:
    """Project onto the plane that touches the ellipsoid at `origin`.

    Parameters
    ----------
    latitude_deg, longitude_deg : array_like, shape (...)
        Geodetic latitude and longitude; NaN passes through. [deg]
    origin : tuple of float
        Latitude and longitude of the touching point. [deg]

    Returns
    -------
    east_m, north_m : ndarray, shape (...)
        Towards true east and north at the origin. [m]

    Notes
    -----
    Points on the ellipsoid in earth-centred coordinates, turned into east and north at the
    origin. Lengths come out short by (d/R)²/6: 1e-7 at 5 km.
    """
    x, y, z = _earth_centred(latitude_deg, longitude_deg)
    x0, y0, z0 = _earth_centred(*origin)
    phi, lam = np.radians(origin[0]), np.radians(origin[1])
    dx, dy, dz = x - x0, y - y0, z - z0
    east = -np.sin(lam) * dx + np.cos(lam) * dy
    north = np.cos(phi) * dz - np.sin(phi) * (np.cos(lam) * dx + np.sin(lam) * dy)
    return np.asarray(east, dtype=np.float64), np.asarray(north, dtype=np.float64)


def ground_distance_m(
    latitude_deg: ArrayLike,
    longitude_deg: ArrayLike,
    to_latitude_deg: ArrayLike,
    to_longitude_deg: ArrayLike,
) -> Floats:
    """Compute the distance along the ellipsoid between pairs of points up to 100 km apart.

    Parameters
    ----------
    latitude_deg, longitude_deg, to_latitude_deg, to_longitude_deg : array_like, shape (...)
        Geodetic positions, broadcast; NaN passes through. [deg]

    Returns
    -------
    ndarray, shape (...)
        Distance. [m]

    Notes
    -----
    The chord through the earth, lengthened to an arc by the first term of its series,
    (d/R)²/24.
    """
    x, y, z = _earth_centred(latitude_deg, longitude_deg)
    x1, y1, z1 = _earth_centred(to_latitude_deg, to_longitude_deg)
    chord = np.sqrt((x1 - x) ** 2 + (y1 - y) ** 2 + (z1 - z) ** 2)
    return np.asarray(chord * (1.0 + (chord / _MEAN_RADIUS_M) ** 2 / 24.0), dtype=np.float64)


def _earth_centred(
    latitude_deg: ArrayLike, longitude_deg: ArrayLike
) -> tuple[Floats, Floats, Floats]:
    """Return earth-centred Cartesian coordinates of points on the ellipsoid [m]."""
    phi, lam = np.radians(latitude_deg), np.radians(longitude_deg)
    curvature = WGS84_SEMI_MAJOR_AXIS_M / np.sqrt(1.0 - _ECCENTRICITY_SQUARED * np.sin(phi) ** 2)
    return (
        np.asarray(curvature * np.cos(phi) * np.cos(lam)),
        np.asarray(curvature * np.cos(phi) * np.sin(lam)),
        np.asarray(curvature * (1.0 - _ECCENTRICITY_SQUARED) * np.sin(phi)),
    )
