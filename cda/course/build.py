"""Points of a file into a course to ride: one lap, on a grid that is fine where it must be."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from cda.course.heights import (
    ascent_m,
    chosen_window_m,
    gradient_change,
    noise_m,
    smoothed,
    without_spikes,
)
from cda.course.limits import bend_limits, file_limits
from cda.errors import CourseError
from cda.geodesy import project
from cda.results import Finding

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cda.course.read import CoursePoints

    Array = NDArray[np.float64]

GRID_M = 10.0
MERGED = 3  # stretches of the grid in one of the course, away from limits of speed
NEAR_LIMIT_M = 100.0  # where braking takes place, at any speed and rate a bicycle knows
STEEPEST = 0.35  # paved public roads stay below this; common practice, no source
SHORTEST_M = 200.0
LONGEST_M = 2_000_000.0
LONGEST_GAP_M = 1000.0
MOST_HEIGHTS_MISSING = 0.2
SHEER_M = 5.0  # two heights of one place: within this of their mean
ELEVATIONS_M = (-450.0, 5900.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Course:
    """One lap between n + 1 nodes.

    Attributes
    ----------
    distance_m, elevation_m : ndarray, shape (n + 1,)
        Along the lap, and the cleaned height. [m]
    gradient_change : ndarray, shape (n,)
        Gradient at the end of a stretch less that at its start: with it every stretch has the
        mean height it had on the fine grid. [-]
    bearing_deg : ndarray, shape (n,), or None
        Direction of travel, clockwise from true north; None without positions. [deg]
    limit_m_s : ndarray, shape (n + 1,)
        Limit of speed from the file or from bends; inf where there is none. [m/s]
    ascent_before_m, ascent_m : float
        Sum of all rises of a lap, as in the file and as ridden. [m]
    smoothing_m : float
        Whole length of the triangular window; 0 for none. [m]
    """

    name: str
    distance_m: Array
    elevation_m: Array
    gradient_change: Array
    bearing_deg: Array | None
    limit_m_s: Array
    ascent_before_m: float
    ascent_m: float
    smoothing_m: float
    findings: tuple[Finding, ...] = ()

    @property
    def lap_m(self) -> float:
        """Return the length of a lap [m]."""
        return float(self.distance_m[-1])

    @property
    def length_m(self) -> Array:
        """Return the length of each stretch, shape (n,) [m]."""
        return np.diff(self.distance_m)

    @property
    def gradient(self) -> Array:
        """Return rise over run of each stretch, shape (n,)."""
        return np.asarray(np.diff(self.elevation_m) / self.length_m, dtype=np.float64)


def build_course(
    points: CoursePoints,
    *,
    from_m: float | None = None,
    to_m: float | None = None,
    length_m: float | None = None,
    smoothing_m: float | None = None,
    lateral_limit_m_s2: float | None = None,
) -> Course:
    """Make a course of a file's points.

    Parameters
    ----------
    points : CoursePoints
    from_m, to_m : float, optional
        Cut, along the file. [m]
    length_m : float, optional
        Stretch or shrink the lap to this; heights stay. [m]
    smoothing_m : float, optional
        Window of the heights; by default none for a table, and by the noise for GPX. [m]
    lateral_limit_m_s2 : float, optional
        Sideways acceleration that the rider accepts; limits the speed in bends. [m/s^2]

    Raises
    ------
    CourseError
        If the points are no road: jumps, no heights, walls, no length.
    """
    findings = list(points.findings)
    _refuse_length(float(points.distance_m[-1]), points.name)
    distance, columns = _cut(points, from_m, to_m)
    _refuse_length(float(distance[-1]), points.name)
    _refuse_jumps(distance, points.name)
    known = np.isfinite(columns["elevation_m"])
    missing = 1.0 - float(np.mean(known))
    if missing > MOST_HEIGHTS_MISSING:
        raise CourseError(
            "the course has no heights"
            if missing == 1.0
            else f"{100 * missing:.0f} % of the points have no height",
            where=points.name,
            fix="export the course with elevation, or give distance_km for a flat road",
        )
    if missing:
        findings.append(
            Finding(
                severity="warning",
                code="course-heights-missing",
                where=points.name,
                message=f"{int(np.sum(~known))} points have no height; straight lines are taken",
                fix="export the course again",
            )
        )
    along, heights = _one_height_each(distance[known], columns["elevation_m"][known], points.name)
    low, high = float(heights.min()), float(heights.max())
    if low < ELEVATIONS_M[0] or high > ELEVATIONS_M[1]:
        raise CourseError(
            f"heights from {low:.0f} to {high:.0f} m are no road's",
            where=points.name,
            fix="check that the heights are in metres",
        )
    before = ascent_m(heights)
    heights, spikes = without_spikes(along, heights)
    if spikes:
        findings.append(
            Finding(
                severity="note",
                code="course-spikes",
                where=points.name,
                message=f"{spikes} lone points jump up or down by more than 8 m and were bridged",
            )
        )

    spacing = distance[-1] / max(10, round(distance[-1] / GRID_M))
    grid = np.arange(round(distance[-1] / spacing) + 1) * spacing
    raw = np.interp(grid, along, heights)
    # Noise is judged on the file's own points: a grid finer than they would look smooth.
    own = max(spacing, distance[-1] / max(1, along.size - 1))
    own_heights = np.interp(np.arange(0.0, grid[-1], own), along, heights)
    if smoothing_m is not None:
        window = smoothing_m
    elif points.format == "csv":
        window = 0.0
    else:
        window = chosen_window_m(own_heights, own)
    # A course shorter than ten windows is smoothed by less, never away.
    window = min(window, 0.1 * float(grid[-1]))
    cleaned = smoothed(raw, window, spacing)
    scale = 1.0 if length_m is None else length_m / float(grid[-1])
    if not 0.8 <= scale <= 1.25:
        raise CourseError(
            f"the lap is {grid[-1] / 1000:.2f} km long and would be stretched to "
            f"{grid[-1] * scale / 1000:.2f} km",
            where=points.name,
            fix="check laps, distance_km and the cut",
        )

    limit = file_limits(grid, distance, columns["speed_limit_m_s"])
    place = _places(grid, distance, columns, points.name, findings)
    if lateral_limit_m_s2 is not None:
        if place is None:
            findings.append(
                Finding(
                    severity="warning",
                    code="course-bends-unknown",
                    where=points.name,
                    message="the course has no positions: bends cannot limit the speed",
                    fix="give speed_limit_m_s in the table, or a GPX file",
                )
            )
        else:
            limit = np.minimum(limit, bend_limits(*place, grid, lateral_limit_m_s2))
    keep = _nodes(limit, spacing)
    nodes = grid[keep]
    gradient = np.diff(cleaned[keep]) / (np.diff(nodes) * scale)
    steepest = int(np.argmax(np.abs(gradient)))
    if abs(gradient[steepest]) > STEEPEST:
        raise CourseError(
            f"a wall of {100 * gradient[steepest]:.0f} % {nodes[steepest] / 1000:.2f} km into the "
            "course",
            where=points.name,
            fix="mend the heights there, or smooth over more with road.smoothing_m",
        )
    # What is left on a merged grid is what is ridden, and so what is reported.
    after = ascent_m(cleaned[keep])
    findings.append(
        Finding(
            severity="note",
            code="course-heights",
            where=points.name,
            message=(
                f"{after:.0f} m of ascent a lap; {before:.0f} m as in the file, "
                + (
                    f"heights smoothed over {window:.0f} m (triangular window; noise of "
                    f"{noise_m(own_heights):.1f} m)"
                    if window
                    else "heights as given"
                )
            ),
            fix="road.smoothing_m sets the length" if window else "",
        )
    )
    if scale != 1.0:
        findings.append(
            Finding(
                severity="note",
                code="course-scaled",
                where=points.name,
                message=f"the lap was {'stretched' if scale > 1 else 'shrunk'} from "
                f"{grid[-1] / 1000:.2f} to {grid[-1] * scale / 1000:.2f} km; heights kept",
            )
        )
    bearing = None
    if place is not None:
        east, north = place[0][keep], place[1][keep]
        bearing = np.degrees(np.arctan2(np.diff(east), np.diff(north))) % 360.0
    return Course(
        name=points.name,
        distance_m=nodes * scale,
        elevation_m=cleaned[keep],
        gradient_change=gradient_change(cleaned, keep, spacing) / scale,
        bearing_deg=bearing,
        limit_m_s=_worst_nearby(limit, keep),
        ascent_before_m=before,
        ascent_m=after,
        smoothing_m=window,
        findings=tuple(findings),
    )


def _cut(
    points: CoursePoints, from_m: float | None, to_m: float | None
) -> tuple[Array, dict[str, Array]]:
    start = 0.0 if from_m is None else from_m
    end = float(points.distance_m[-1]) if to_m is None else to_m
    if not start < end or start >= points.distance_m[-1]:
        raise CourseError(
            f"the cut from {start / 1000:g} to {end / 1000:g} km leaves nothing of "
            f"{points.distance_m[-1] / 1000:.2f} km",
            where=points.name,
            fix="check road.from_km and road.to_km",
        )
    inside = (points.distance_m >= start) & (points.distance_m <= end)
    names = ("elevation_m", "latitude_deg", "longitude_deg", "speed_limit_m_s")
    columns = {name: getattr(points, name)[inside] for name in names}
    if np.sum(inside) < 2:
        raise CourseError(
            "the cut leaves fewer than two points",
            where=points.name,
            fix="check road.from_km and road.to_km",
        )
    distance = points.distance_m[inside]
    return distance - distance[0], columns


def _refuse_length(length_m: float, name: str) -> None:
    if length_m < SHORTEST_M:
        raise CourseError(
            f"the course is {length_m:.0f} m long",
            where=name,
            fix="give the whole lap; a course has at least 200 m, in metres",
        )
    if length_m > LONGEST_M:
        raise CourseError(
            f"the course is {length_m / 1000:.0f} km long",
            where=name,
            fix="check that distance_m is in metres",
        )


def _refuse_jumps(distance: Array, name: str) -> None:
    gaps = np.diff(distance)
    usual = float(np.median(gaps[gaps > 0.0]))
    worst = int(np.argmax(gaps))
    if gaps[worst] > max(LONGEST_GAP_M, 20.0 * usual):
        raise CourseError(
            f"the course jumps by {gaps[worst] / 1000:.1f} km, {distance[worst] / 1000:.1f} km "
            "into it",
            where=name,
            fix="mend the points there, or cut the course with road.from_km and road.to_km",
        )


def _one_height_each(along: Array, heights: Array, name: str) -> tuple[Array, Array]:
    """Return heights at rising distances; a place given twice has the mean of its heights."""
    places, index = np.unique(along, return_inverse=True)
    if places.size == along.size:
        return along, heights
    mean = np.bincount(index, heights) / np.bincount(index)
    spread = np.abs(heights - mean[index])
    if spread.max() > SHEER_M:
        raise CourseError(
            f"a sheer step of {2 * spread.max():.0f} m {along[int(np.argmax(spread))] / 1000:.2f} "
            "km into the course",
            where=name,
            fix="mend the heights there",
        )
    return places, mean


def _places(
    grid: Array,
    distance: Array,
    columns: dict[str, Array],
    name: str,
    findings: list[Finding],
) -> tuple[Array, Array] | None:
    """Return east and north of the grid, on the plane at the course's middle, or None [m]."""
    latitude, longitude = columns["latitude_deg"], columns["longitude_deg"]
    known = np.isfinite(latitude + longitude)
    if not np.any(known):
        return None
    if np.mean(known) < 1.0 - MOST_HEIGHTS_MISSING:
        findings.append(
            Finding(
                severity="warning",
                code="course-places-missing",
                where=name,
                message=f"{100 * (1 - np.mean(known)):.0f} % of the points have no position: "
                "bearings are not used",
                fix="fill latitude_deg and longitude_deg",
            )
        )
        return None
    middle = int(np.flatnonzero(known)[int(np.sum(known)) // 2])
    east, north = project(
        latitude[known], longitude[known], (float(latitude[middle]), float(longitude[middle]))
    )
    return np.interp(grid, distance[known], east), np.interp(grid, distance[known], north)


def _nodes(limit: Array, spacing: float) -> NDArray[np.intp]:
    """Return which points of the grid stay: every third, and all where limits change nearby."""
    n = limit.size
    keep = np.zeros(n, dtype=bool)
    keep[::MERGED] = True
    keep[-1] = True
    capped = np.where(np.isfinite(limit), limit, 1e3)
    change = np.flatnonzero(np.diff(capped))
    reach = int(np.ceil(NEAR_LIMIT_M / spacing))
    for k in change:
        keep[max(0, k - reach) : k + 2] = True
    return np.flatnonzero(keep)


def _worst_nearby(limit: Array, keep: NDArray[np.intp]) -> Array:
    """Return for each node the lowest limit from there to before the next node."""
    return np.asarray(np.minimum.reduceat(limit, keep), dtype=np.float64)
