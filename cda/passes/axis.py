"""The course axis: one smooth line along the road that every pass is placed on.

Satellite positions are metres off and their errors last for minutes, so one pass does not give
the road. The axis is fitted to all passes together, and lengths come from the wheel wherever
there is one. An axis never shows its coordinates when printed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from cda.errors import RecordingError
from cda.geodesy import ground_distance_m, project

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]

__all__ = ["CourseAxis", "fit_axis", "ground_distance_m", "project"]

NODE_SPACING_M: Final = 10.0  # [m] a bend of 50 m radius is off its chord by 0.25 m
SMOOTHING_LENGTH_M: Final = 25.0  # [m] about 2 s of riding: longer than jitter, shorter than bends
OUTLIER_SD: Final = 4.0  # scatter widths beyond which a position is not on the road
SMALLEST_SCATTER_M: Final = 1.0  # [m] so that passes without noise do not call each other wrong


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CourseAxis:
    """A line along the road, nodes about 10 m apart, straight between them and beyond the ends.

    Attributes
    ----------
    east_m, north_m : ndarray, shape (k,)
        Nodes on the plane touching the ellipsoid at `origin`, read-only. [m]
    origin : tuple of float
        Latitude and longitude of the touching point [deg]; kept out of every output.
    along_m : ndarray, shape (k,)
        Length of the line from its first node. [m]
    """

    east_m: Floats = field(repr=False)
    north_m: Floats = field(repr=False)
    origin: tuple[float, float] = field(repr=False)
    along_m: Floats = field(init=False, repr=False)

    def __post_init__(self) -> None:
        """Measure the line and make its arrays read-only."""
        steps = np.hypot(np.diff(self.east_m), np.diff(self.north_m))
        if len(self.east_m) < 2 or not np.all(steps > 0):
            raise RecordingError(
                "the course axis needs two or more different nodes",
                fix="give passes over the stretch, ridden, not standing",
            )
        object.__setattr__(self, "along_m", np.concatenate(([0.0], np.cumsum(steps))))
        for array in (self.east_m, self.north_m, self.along_m):
            array.flags.writeable = False

    @property
    def length_m(self) -> float:
        """Return the length of the line. [m]."""
        return float(self.along_m[-1])

    def locate(self, latitude_deg: ArrayLike, longitude_deg: ArrayLike) -> tuple[Floats, Floats]:
        """Place positions on the axis.

        Parameters
        ----------
        latitude_deg, longitude_deg : array_like, shape (n,)
            Positions; NaN passes through. [deg]

        Returns
        -------
        along_m : ndarray, shape (n,)
            Distance along the axis from its first node; below 0 and above `length_m` beyond
            its ends, where the axis goes on straight. [m]
        offset_m : ndarray, shape (n,)
            Distance to the left of the axis, looking along it; negative to the right. [m]
        """
        east, north = project(
            np.atleast_1d(latitude_deg), np.atleast_1d(longitude_deg), self.origin
        )
        return _locate(self.east_m, self.north_m, self.along_m, east, north)

    def bearing_deg(self, along_m: ArrayLike) -> Floats:
        """Return the direction of the axis at `along_m`, clockwise from true north [deg]."""
        bearing = np.unwrap(np.arctan2(np.diff(self.east_m), np.diff(self.north_m)))
        middle = 0.5 * (self.along_m[1:] + self.along_m[:-1])
        return np.degrees(np.interp(np.asarray(along_m, dtype=np.float64), middle, bearing)) % 360.0

    @property
    def straightness(self) -> float:
        """Return the straight distance between the ends over the length; 1 is straight."""
        ends = np.hypot(self.east_m[-1] - self.east_m[0], self.north_m[-1] - self.north_m[0])
        return float(ends / self.length_m)


def fit_axis(tracks: Sequence[tuple[ArrayLike, ArrayLike]]) -> CourseAxis:
    """Fit the course axis to passes ridden in either direction.

    Parameters
    ----------
    tracks : sequence of (latitude_deg, longitude_deg), each of shape (n,)
        One pass each, in riding order and without its turns; missing positions are NaN. They
        may begin and end at different places. [deg]

    Returns
    -------
    CourseAxis
        Runs in the direction of the first track and reaches as far as any track.

    Raises
    ------
    RecordingError
        If no track holds two different positions.

    Notes
    -----
    Starting from the track that most others stay close to, positions are placed on the axis
    and the axis is moved to them by a smoother that penalises second differences (E. T.
    Whittaker, "On a new method of graduation", Proc. Edinburgh Math. Soc. 41, 63-75, 1923,
    :doi:`10.1017/S0013091500077853`, cited from memory). A straight road stays exactly
    straight. Positions far off the axis lose their weight (biweight).
    """
    arrays = [(np.asarray(a, dtype=np.float64), np.asarray(b, dtype=np.float64)) for a, b in tracks]
    kept = [(a[ok], b[ok]) for a, b in arrays if (ok := np.isfinite(a) & np.isfinite(b)).sum() >= 2]
    if not kept:
        raise RecordingError(
            "no pass with two or more satellite positions",
            fix="use a recording with positions, or let the stretch be found from distance",
        )
    latitudes = np.concatenate([a for a, _ in kept])
    longitudes = np.concatenate([b for _, b in kept])
    origin = (float(np.median(latitudes)), float(np.median(longitudes)))
    plane = [project(a, b, origin) for a, b in kept]
    east, north = _resample(*_most_central(plane))
    if len(east) < 2:
        raise RecordingError(
            "the passes do not leave the spot", fix="give passes over the stretch, ridden"
        )
    if _runs_against(plane[0], (east, north)):
        east, north = east[::-1].copy(), north[::-1].copy()
    points = (np.concatenate([e for e, _ in plane]), np.concatenate([n for _, n in plane]))
    for _ in range(3):
        east, north = _move_to(east, north, *points)
    return CourseAxis(east_m=east, north_m=north, origin=origin)


def _locate(
    node_east: Floats, node_north: Floats, node_along: Floats, east: Floats, north: Floats
) -> tuple[Floats, Floats]:
    """Project points onto the polyline; the two segments at the nearest node are tried."""
    from scipy.spatial import cKDTree

    along = np.full(east.shape, np.nan)
    offset = np.full(east.shape, np.nan)
    good = np.isfinite(east) & np.isfinite(north)
    if not good.any():
        return along, offset
    points = np.column_stack((east[good], north[good]))
    _, nearest = cKDTree(np.column_stack((node_east, node_north))).query(points)
    last = len(node_east) - 2
    d_east, d_north = np.diff(node_east), np.diff(node_north)
    length = np.hypot(d_east, d_north)
    best = np.full(len(points), np.inf)
    best_along, best_offset = np.zeros(len(points)), np.zeros(len(points))
    for segment in (np.clip(nearest - 1, 0, last), np.clip(nearest, 0, last)):
        rel_east = points[:, 0] - node_east[segment]
        rel_north = points[:, 1] - node_north[segment]
        unit_east, unit_north = (
            d_east[segment] / length[segment],
            d_north[segment] / length[segment],
        )
        forward = rel_east * unit_east + rel_north * unit_north
        side = unit_east * rel_north - unit_north * rel_east
        lowest = np.where(segment == 0, -np.inf, 0.0)
        highest = np.where(segment == last, np.inf, length[segment])
        placed = np.clip(forward, lowest, highest)
        gap = np.hypot(forward - placed, side)
        closer = gap < best
        best = np.where(closer, gap, best)
        best_along = np.where(closer, node_along[segment] + placed, best_along)
        best_offset = np.where(closer, np.copysign(gap, side), best_offset)
    along[good], offset[good] = best_along, best_offset
    return along, offset


def _resample(east: Floats, north: Floats) -> tuple[Floats, Floats]:
    """Thin a track to nodes at least one spacing apart, each the mean of its surroundings."""
    keep = [0]
    x, y = east.tolist(), north.tolist()  # indexed one by one: lists are several times faster
    for i in range(1, len(x)):
        if math.hypot(x[i] - x[keep[-1]], y[i] - y[keep[-1]]) >= NODE_SPACING_M:
            keep.append(i)
    return east[keep], north[keep]


def _most_central(plane: list[tuple[Floats, Floats]]) -> tuple[Floats, Floats]:
    """Return the track that the largest share of all positions stays within 20 m of."""
    from scipy.spatial import cKDTree

    everything = np.concatenate([np.column_stack(track)[::5] for track in plane])
    counts = []
    for track in plane:
        nodes = np.column_stack(_resample(*track))
        distance, _ = cKDTree(nodes).query(everything, distance_upper_bound=20.0)
        counts.append(int(np.isfinite(distance).sum()))
        if counts[-1] == len(everything):
            break  # none can have more
    return plane[int(np.argmax(counts))]


def _runs_against(track: tuple[Floats, Floats], axis: tuple[Floats, Floats]) -> bool:
    """Say whether a track is ridden against the axis."""
    nodes_along = np.concatenate(([0.0], np.cumsum(np.hypot(np.diff(axis[0]), np.diff(axis[1])))))
    along, _ = _locate(axis[0], axis[1], nodes_along, *track)
    return bool(along[-1] < along[0])


def _move_to(east: Floats, north: Floats, x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Move the axis to the positions once, over the whole range that they cover."""
    from scipy.linalg import solveh_banded

    nodes_along = np.concatenate(([0.0], np.cumsum(np.hypot(np.diff(east), np.diff(north)))))
    along, offset = _locate(east, north, nodes_along, x, y)
    centre = np.median(offset)
    scatter = max(1.4826 * float(np.median(np.abs(offset - centre))), SMALLEST_SCATTER_M)
    weight = np.clip(1.0 - ((offset - centre) / (OUTLIER_SD * scatter)) ** 2, 0.0, None) ** 2
    used = weight > 0
    along, x, y, weight = along[used], x[used], y[used], weight[used]
    low, high = float(along.min()), float(along.max())
    count = max(round((high - low) / NODE_SPACING_M), 1) + 1
    spacing = (high - low) / (count - 1)
    if spacing <= 0:
        raise RecordingError("the passes do not leave the spot", fix="give passes, ridden")
    # Each position speaks for the two nodes around it in linear interpolation.
    place = (along - low) / spacing
    left = np.clip(place.astype(np.int64), 0, count - 2)
    share = place - left
    diagonal = np.bincount(left, weight * (1 - share) ** 2, count)
    diagonal += np.bincount(left + 1, weight * share**2, count)
    beside = np.bincount(left, weight * (1 - share) * share, count)
    strength = weight.sum() / count * (SMOOTHING_LENGTH_M / spacing) ** 4
    bands = np.zeros((3, count))
    bands[2] += diagonal
    bands[1, 1:] += beside[:-1]
    if count >= 3:
        difference = np.array([1.0, -2.0, 1.0])
        for i in range(3):
            for j in range(i, 3):
                bands[2 - (j - i), j : count - 2 + j] += strength * difference[i] * difference[j]
    moved = []
    for value in (x, y):
        right = np.bincount(left, weight * (1 - share) * value, count)
        right += np.bincount(left + 1, weight * share * value, count)
        moved.append(np.asarray(solveh_banded(bands, right), dtype=np.float64))
    return moved[0], moved[1]
