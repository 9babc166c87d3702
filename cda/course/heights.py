"""Heights of a course file made fit to ride: gaps, spikes, and noise that would become climbing.

Heights are laid on an even grid and averaged by a moving mean taken twice, a triangular window.
Its ends are turned over about the end points, so that the height difference of the course stays.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

# Windows tried where the file does not say: the shortest that keeps what noise of this size
# would climb on a flat road below `FALSE_CLIMB_M_PER_KM`.
WINDOWS_M = (100.0, 150.0, 200.0, 300.0, 400.0)
FALSE_CLIMB_M_PER_KM = 1.0
SPIKE_M = 8.0
SPIKE_GRADIENT = 0.5


def ascent_m(elevation_m: Array) -> float:
    """Return the sum of all rises [m]."""
    return float(np.sum(np.clip(np.diff(elevation_m), 0.0, None)))


def without_spikes(distance_m: Array, elevation_m: Array) -> tuple[Array, int]:
    """Return heights whose lone points, off by `SPIKE_M` and steep both ways, are bridged.

    A wall that stays is no spike: the points beyond it agree with it.
    """
    if elevation_m.size < 3:
        return elevation_m, 0
    before, after = distance_m[1:-1] - distance_m[:-2], distance_m[2:] - distance_m[1:-1]
    bridge = (elevation_m[:-2] * after + elevation_m[2:] * before) / (before + after)
    off = np.abs(elevation_m[1:-1] - bridge)
    spike = (off > SPIKE_M) & (off > SPIKE_GRADIENT * np.minimum(before, after))
    # Its neighbours look off as well; the spike itself is the one that is off the most.
    padded = np.concatenate([[0.0], off, [0.0]])
    spike &= (off >= padded[:-2]) & (off >= padded[2:])
    mended = elevation_m.copy()
    mended[1:-1][spike] = bridge[spike]
    return mended, int(np.sum(spike))


def noise_m(elevation_m: Array) -> float:
    """Return the standard deviation of white noise that heights on an even grid carry [m].

    From third differences, which no road of hundreds of metres a wave leaves anything in:
    their median absolute value is 0.6745 sqrt(20) sd for normal noise.
    """
    if elevation_m.size < 8:
        return 0.0
    return float(np.median(np.abs(np.diff(elevation_m, 3))) / (0.6745 * np.sqrt(20.0)))


def _reach(window_m: float, spacing_m: float) -> int:
    """Return how many points each of the two moving means takes on either side."""
    return round(0.25 * window_m / spacing_m)


def false_climb_m_per_km(noise: float, window_m: float, spacing_m: float) -> float:
    """Return what white noise climbs on a flat road after smoothing [m/km].

    A step of the twice averaged noise has standard deviation sd sqrt(2/m)/m with m points a
    mean, and a normal step climbs sd/sqrt(2 pi) on average.
    """
    m = 2 * _reach(window_m, spacing_m) + 1
    return float(noise * np.sqrt(2.0 / m) / m / np.sqrt(2.0 * np.pi) * 1000.0 / spacing_m)


def chosen_window_m(elevation_m: Array, spacing_m: float) -> float:
    """Return the shortest window that keeps noise from climbing [m]."""
    noise = noise_m(elevation_m)
    for window in WINDOWS_M:
        if false_climb_m_per_km(noise, window, spacing_m) < FALSE_CLIMB_M_PER_KM:
            return window
    return WINDOWS_M[-1]


def smoothed(elevation_m: Array, window_m: float, spacing_m: float) -> Array:
    """Return heights averaged over a triangular window of this whole length."""
    reach = min(_reach(window_m, spacing_m), (elevation_m.size - 1) // 2)
    if reach < 1:
        return elevation_m
    result = elevation_m
    for _ in range(2):
        left = 2.0 * result[0] - result[reach:0:-1]
        right = 2.0 * result[-1] - result[-2 : -reach - 2 : -1]
        total = np.concatenate([[0.0], np.cumsum(np.concatenate([left, result, right]))])
        width = 2 * reach + 1
        result = (total[width:] - total[:-width]) / width
    return np.asarray(result, dtype=np.float64)


def gradient_change(heights: Array, keep: NDArray[np.intp], spacing: float) -> Array:
    """Return the change of gradient that gives each stretch the mean height of the fine grid.

    A parabola through both ends that lies b above the chord in the middle is 2/3 b above it on
    average, and its gradient falls by 8 b / length.  Chords alone would take the tops off the
    hills and fill the hollows, which lowers the time over a lap of hills by some 1e-4.

    Parameters
    ----------
    heights : ndarray, shape (m,)
        On the fine grid. [m]
    keep : ndarray of int, shape (n + 1,)
        Points of the fine grid that are nodes of the road.
    spacing : float
        Of the fine grid. [m]

    Returns
    -------
    ndarray, shape (n,)
        Gradient at the end of a stretch less that at its start. [-]
    """
    area = np.concatenate([[0.0], np.cumsum(0.5 * (heights[1:] + heights[:-1]))])
    cells = np.diff(keep)
    mean = np.diff(area[keep]) / cells
    above = mean - 0.5 * (heights[keep[1:]] + heights[keep[:-1]])
    return np.asarray(-12.0 * above / (cells * spacing), dtype=np.float64)
