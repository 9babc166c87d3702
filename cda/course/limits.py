"""Limits of speed along the course, from its file or from the radius of its bends."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

LARGEST_RADIUS_M = 300.0  # wider bends limit nobody


def file_limits(grid: Array, distance: Array, limit: Array) -> Array:
    """Return the file's limits on the grid: each holds from its own row to the next."""
    if not np.any(np.isfinite(limit)):
        return np.full(grid.size, np.inf)
    given = np.where(np.isfinite(limit), limit, np.inf)
    row = np.clip(np.searchsorted(distance, grid, side="right") - 1, 0, distance.size - 1)
    result = given[row]
    # A row between two points of the grid still counts, at the nearest of them.
    nearest = np.clip(np.rint(distance / (grid[1] - grid[0])).astype(int), 0, grid.size - 1)
    np.minimum.at(result, nearest, given)
    return np.asarray(result, dtype=np.float64)


def bend_limits(east_m: Array, north_m: Array, grid_m: Array, lateral_limit_m_s2: float) -> Array:
    """Return sqrt(a R) on an even grid, R from the turn of heading over 40 m; inf if R is large.

    Chords of 20 m before and behind: a metre of error of a position turns one by 3 degrees,
    which alone would be a bend of 400 m.
    """
    spacing = float(grid_m[1] - grid_m[0])
    reach = max(1, round(20.0 / spacing))
    limit = np.full(grid_m.size, np.inf)
    if grid_m.size <= 2 * reach:
        return limit
    heading = np.unwrap(
        np.arctan2(east_m[reach:] - east_m[:-reach], north_m[reach:] - north_m[:-reach])
    )
    turn = np.abs(heading[reach:] - heading[:-reach])
    turn = np.minimum(turn, np.pi)
    with np.errstate(divide="ignore"):
        radius = reach * spacing / turn
    found = np.where(radius < LARGEST_RADIUS_M, np.sqrt(lateral_limit_m_s2 * radius), np.inf)
    limit[reach:-reach] = found
    return limit
