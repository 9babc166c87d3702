"""Distances on the ground against geodesics.

C. F. F. Karney, "Algorithms for geodesics", J. Geod. 87, 43-55, 2013; geographiclib 2.1 is the
author's library.
"""

from __future__ import annotations

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from cda.geodesy import ground_distance_m, project

# from, to, geodesic [m] (geographiclib 2.1 and pyproj 3.7.2, computed, agree to 1e-6 m)
GEODESICS = [
    ((50.0, 8.0), (50.0, 8.01), 716.957536),
    ((52.0, 5.0), (52.0009, 5.0), 100.140626),
    ((47.3769, 8.5417), (47.3950, 8.5600), 2441.056188),
    ((60.0, 10.0), (60.0, 10.1), 5579.999626),
]


@pytest.mark.parametrize(("start", "end", "length_m"), GEODESICS)
def test_distance_agrees_with_the_table(
    start: tuple[float, float], end: tuple[float, float], length_m: float
) -> None:
    # 1e-8: 0.06 mm over the longest; a sphere is wrong by 6e-4 to 4e-3.
    assert ground_distance_m(*start, *end) == pytest.approx(length_m, rel=1e-8)


@pytest.mark.parametrize("latitude", [-65.0, -33.0, -1.0, 0.0, 12.0, 38.0, 47.0, 60.0, 69.0])
@pytest.mark.parametrize("length_m", [1000.0, 2500.0, 5000.0])
def test_distance_agrees_with_geographiclib_in_all_directions(
    latitude: float, length_m: float
) -> None:
    azimuths = np.arange(0.0, 360.0, 15.0)
    ends = [Geodesic.WGS84.Direct(latitude, 8.0, float(azimuth), length_m) for azimuth in azimuths]
    to_latitude = np.array([end["lat2"] for end in ends])
    to_longitude = np.array([end["lon2"] for end in ends])
    # 2e-8 is 0.1 mm at 5 km: the mean radius in the arc term instead of the local one.
    np.testing.assert_allclose(
        ground_distance_m(latitude, 8.0, to_latitude, to_longitude), length_m, rtol=2e-8
    )
    # On the touching plane the length is short by (d/R)^2/6, 1.0e-7 at 5 km; directions hold.
    east, north = project(to_latitude, to_longitude, (latitude, 8.0))
    np.testing.assert_allclose(np.hypot(east, north), length_m, rtol=1.2e-7)
    turned = np.angle(np.exp(1j * (np.arctan2(east, north) - np.radians(azimuths))))
    # Azimuth of a geodesic and of its chord differ by about e^2 (d/R)^2/12 < 1e-8; 1e-7 rad
    # is half a millimetre at 5 km.
    np.testing.assert_allclose(turned, 0.0, atol=1e-7)


def test_distance_over_the_date_line() -> None:
    expected = Geodesic.WGS84.Inverse(-17.0, 179.99, -17.0, -179.99)["s12"]
    assert ground_distance_m(-17.0, 179.99, -17.0, -179.99) == pytest.approx(expected, rel=2e-8)
