"""The course axis against geodesics of an independent library and roads of known shape."""

from __future__ import annotations

import math

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from cda.errors import RecordingError
from cda.geodesy import ground_distance_m, project
from cda.passes import fit_axis

EARTH = Geodesic.WGS84

# WGS84 geodesics computed with geographiclib 2.1 (C. F. F. Karney, "Algorithms for geodesics",
# J. Geodesy 87, 43-55, 2013), distances to 1e-6 m.
GEODESICS = [
    (50.0, 8.0, 50.0, 8.01, 716.957536),
    (52.0, 5.0, 52.0009, 5.0, 100.140626),
    (47.3769, 8.5417, 47.3950, 8.5600, 2441.056188),
    (60.0, 10.0, 60.0, 10.1, 5579.999626),
]


@pytest.mark.parametrize(("lat", "lon", "lat1", "lon1", "metres"), GEODESICS)
def test_ground_distance_matches_geodesics(
    lat: float, lon: float, lat1: float, lon1: float, metres: float
) -> None:
    # 1e-6 is the documented limit; the spherical distance is off by 7e-4 to 4e-3 here.
    assert ground_distance_m(lat, lon, lat1, lon1) == pytest.approx(metres, rel=1e-6)


@pytest.mark.parametrize("latitude", [-60.0, 0.0, 35.0, 60.0])
@pytest.mark.parametrize("azimuth", [0.0, 37.0, 90.0, 200.0])
def test_plane_keeps_lengths_and_directions_over_5_km(latitude: float, azimuth: float) -> None:
    end = EARTH.Direct(latitude, 7.0, azimuth, 5000.0)
    east, north = project(end["lat2"], end["lon2"], (latitude, 7.0))
    assert math.hypot(east, north) == pytest.approx(5000.0, rel=1e-6)
    turned = (math.degrees(math.atan2(east, north)) - azimuth + 180.0) % 360.0 - 180.0
    assert abs(turned) < 1e-4


def ride(
    azimuth: float,
    along: np.ndarray,
    left: np.ndarray,
    *,
    origin: tuple[float, float] = (45.0, 9.0),
) -> tuple[np.ndarray, np.ndarray]:
    """Return latitude and longitude of points along and left of a straight line."""
    lat, lon = np.empty(len(along)), np.empty(len(along))
    for i, (s, d) in enumerate(zip(along, left, strict=True)):
        point = EARTH.Direct(*origin, azimuth, s)
        if d:
            point = EARTH.Direct(point["lat2"], point["lon2"], point["azi2"] - 90.0, d)
        lat[i], lon[i] = point["lat2"], point["lon2"]
    return lat, lon


def test_straight_road_is_exact() -> None:
    along = np.arange(0.0, 1501.0, 9.0)
    out = ride(30.0, along, 0 * along)
    back = (out[0][::-1], out[1][::-1])
    axis = fit_axis([out, back])
    assert axis.length_m == pytest.approx(along[-1], abs=2e-3)
    assert axis.straightness == pytest.approx(1.0, abs=1e-9)
    place, offset = axis.locate(*out)
    np.testing.assert_allclose(place, along, atol=2e-3)
    np.testing.assert_allclose(offset, 0.0, atol=1e-2)  # a geodesic bends off the plane by mm
    assert float(axis.bearing_deg(750.0)) == pytest.approx(30.0, abs=0.01)


def test_places_beyond_the_ends_offsets_and_missing_positions() -> None:
    along = np.arange(0.0, 1001.0, 10.0)
    axis = fit_axis([ride(120.0, along, 0 * along)])
    lat, lon = ride(120.0, np.array([-80.0, 300.0, 300.0, 1100.0]), np.array([0.0, 5.0, -5.0, 0.0]))
    place, offset = axis.locate(np.append(lat, np.nan), np.append(lon, 9.0))
    np.testing.assert_allclose(place[:4], [-80.0, 300.0, 300.0, 1100.0], atol=0.01)
    np.testing.assert_allclose(offset[:4], [0.0, 5.0, -5.0, 0.0], atol=0.01)
    assert np.isnan(place[4])
    assert np.isnan(offset[4])


def test_noisy_passes_of_different_length_give_the_road() -> None:
    rng = np.random.default_rng(5)
    tracks = []
    for i in range(8):
        along = np.arange(rng.uniform(0, 80), 1300 - rng.uniform(0, 80), 10.0)
        noise = np.zeros((2, len(along)))
        for k in range(1, len(along)):  # errors that last half a minute, 2 m in size
            noise[:, k] = 0.97 * noise[:, k - 1] + rng.normal(0, 2 * math.sqrt(1 - 0.97**2), 2)
        lat, lon = ride(75.0, along + noise[0], noise[1] + rng.normal(0, 0.5, len(along)))
        tracks.append((lat, lon) if i % 2 == 0 else (lat[::-1], lon[::-1]))
    axis = fit_axis(tracks)
    a, b = ride(75.0, np.array([200.0, 1100.0]), np.zeros(2))
    place, offset = axis.locate(a, b)
    # Eight passes: 2 m / sqrt(8) = 0.7 m across; the length between two places on the axis
    # is stretched by wiggles only.
    assert np.all(np.abs(offset) < 2.0)
    assert place[1] - place[0] == pytest.approx(900.0, abs=1.0)


def test_a_bend_keeps_its_length() -> None:
    # A quarter circle of 150 m radius between two straights of 300 m.
    angle = np.arange(0.0, math.pi / 2, 0.05)
    east = np.concatenate((np.arange(-300.0, 0.0, 8.0), 150 * np.sin(angle), np.full(38, 150.0)))
    north = np.concatenate((np.zeros(38), 150 * (1 - np.cos(angle)), 150 + np.arange(38) * 8.0))
    lat, lon = np.empty(len(east)), np.empty(len(east))
    for i, (e, n) in enumerate(zip(east, north, strict=True)):
        p = EARTH.Direct(48.0, 2.0, math.degrees(math.atan2(e, n)), math.hypot(e, n))
        lat[i], lon[i] = p["lat2"], p["lon2"]
    axis = fit_axis([(lat, lon)])
    true_length = np.hypot(np.diff(east), np.diff(north)).sum()
    place, offset = axis.locate(lat, lon)
    assert place[-1] - place[0] == pytest.approx(true_length, rel=2e-3)
    assert np.max(np.abs(offset)) < 1.5
    assert axis.straightness < 0.95


def test_a_pass_on_another_road_does_not_pull() -> None:
    along = np.arange(0.0, 1001.0, 10.0)
    tracks = [ride(10.0, along, 0 * along) for _ in range(3)]
    tracks.append(ride(10.0, along, 60.0 + 0 * along))
    _, offset = fit_axis(tracks).locate(*tracks[0])
    np.testing.assert_allclose(offset, 0.0, atol=0.01)


def test_axis_shows_no_coordinates_and_refuses_a_spot() -> None:
    along = np.arange(0.0, 101.0, 10.0)
    text = repr(fit_axis([ride(10.0, along, 0 * along)]))
    assert "45" not in text
    with pytest.raises(RecordingError, match="do not leave the spot"):
        fit_axis([([45.0, 45.0], [9.0, 9.0])])
    with pytest.raises(RecordingError, match="no pass with two or more"):
        fit_axis([([np.nan, 45.0], [9.0, 9.0])])
