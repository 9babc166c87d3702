"""Stretches of a bare recording that were ridden in both directions, best first.

Found from satellite positions where there are any, otherwise from distance and the slow turns.
Places are told as distance in the ride, never as coordinates.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from cda.geodesy import project

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from cda.recording import Recording

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]

RESAMPLED_M: Final = 20.0  # [m] spacing at which a track is compared with itself
SAME_ROAD_M: Final = 15.0  # [m] two lanes and two satellite errors apart
OPPOSITE_COS: Final = -0.8  # headings at least 143° apart
SHORTEST_M: Final = 300.0  # [m] shorter says nothing about drag
BRIDGED_M: Final = 60.0  # [m] a hole in the agreement that satellite errors make
SLOW_M_S: Final = 4.0  # [m/s] a turn is slower than this and steady riding is not
CLEAR_OF_TURN_M: Final = 120.0  # [m] braking before a turn and speeding up after it
MOST_PAIRS: Final = 20_000_000  # 160 MB; hundreds of rounds of a track have more
LENGTHS_ALIKE: Final = 0.12  # relative; out and back between turns, without positions
TURN_ROOM_M: Final = 400.0  # [m] ridden slowly between two passes; more leads somewhere else
GOOD_LENGTH_M: Final = 1000.0  # [m]
GOOD_RELIEF: Final = 0.01  # [m/m] height range over length


@dataclass(frozen=True, slots=True, kw_only=True)
class Pass:
    """One passage of a stretch.

    Attributes
    ----------
    direction : +1 or -1
        +1 is the direction ridden first.
    start_s, end_s : float
        In recording time. [s]
    length_m : float
        By the recording's distance. [m]
    mean_speed_m_s, slowest_m_s, mean_power_w : float or None
        None: not recorded.
    """

    direction: Literal[1, -1]
    start_s: float
    end_s: float
    length_m: float
    mean_speed_m_s: float
    slowest_m_s: float
    mean_power_w: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A stretch of road ridden both ways.

    Attributes
    ----------
    from_km, to_km : float
        Where the first pass lies in the ride. [km]
    length_m : float
        [m]
    relief_m : float or None
        Highest minus lowest altitude, median over passes. [m]
    straightness : float or None
        Straight distance between the ends over the length; None without positions.
    steadiness : float
        Median over passes of slowest over mean speed; 1 is steady, 0 stood still.
    fitness : float
        0 to 1, the product of the shares for length, relief, straightness, steadiness and
        passes each way.
    found_by : "positions" or "distance"
    """

    from_km: float
    to_km: float
    length_m: float
    relief_m: float | None
    straightness: float | None
    steadiness: float
    fitness: float
    passes: tuple[Pass, ...]
    found_by: Literal["positions", "distance"]

    @property
    def out(self) -> int:
        """Return the number of passes in the direction ridden first."""
        return sum(p.direction > 0 for p in self.passes)

    @property
    def back(self) -> int:
        """Return the number of passes in the other direction."""
        return sum(p.direction < 0 for p in self.passes)


def find_stretches(recording: Recording) -> tuple[Stretch, ...]:
    """Find the stretches of a recording ridden in both directions.

    Parameters
    ----------
    recording : Recording
        Laps are not looked at.

    Returns
    -------
    tuple of Stretch
        Best for a test first; empty if no road of 300 m was ridden both ways.
    """
    if recording.latitude_deg is not None and recording.longitude_deg is not None:
        good = np.isfinite(recording.latitude_deg) & np.isfinite(recording.longitude_deg)
        if good.mean() > 0.5:
            found = list(_by_position(recording, good))
            return tuple(sorted(found, key=lambda s: -s.fitness))
    return tuple(sorted(_by_distance(recording), key=lambda s: -s.fitness))


def _by_position(recording: Recording, good: NDArray[np.bool_]) -> Iterator[Stretch]:
    """Walk the ride on marks of equal spacing; group what passes the same marks."""
    from scipy.spatial import cKDTree

    assert recording.latitude_deg is not None
    assert recording.longitude_deg is not None
    latitude, longitude = recording.latitude_deg[good], recording.longitude_deg[good]
    origin = (float(np.median(latitude)), float(np.median(longitude)))
    east, north = project(latitude, longitude, origin)
    distance, time = recording.distance_m[good], recording.time_s[good]
    moving = np.concatenate(([True], np.diff(distance) > 0))
    distance, time, east, north = distance[moving], time[moving], east[moving], north[moving]
    marks = np.arange(distance[0], distance[-1], RESAMPLED_M)
    if len(marks) < 2 * SHORTEST_M / RESAMPLED_M:
        return
    x, y = np.interp(marks, distance, east), np.interp(marks, distance, north)
    mark_time = np.interp(marks, distance, time)
    ahead = np.column_stack((np.gradient(x), np.gradient(y)))
    norm = np.maximum(np.hypot(ahead[:, 0], ahead[:, 1]), 1e-9)
    ahead /= norm[:, None]
    tree, near = cKDTree(np.column_stack((x, y))), SAME_ROAD_M + RESAMPLED_M / 2
    if tree.count_neighbors(tree, near) > MOST_PAIRS:
        yield from _by_distance(recording)
        return
    pairs = tree.query_pairs(near, output_type="ndarray")
    # Not the marks next to each other, and not the two sides of one U-turn.
    pairs = pairs[np.abs(pairs[:, 1] - pairs[:, 0]) * RESAMPLED_M > CLEAR_OF_TURN_M / 2]
    cosine = np.sum(ahead[pairs[:, 0]] * ahead[pairs[:, 1]], axis=1)
    opposite, along = pairs[cosine < OPPOSITE_COS], pairs[cosine > -OPPOSITE_COS]
    slow = _slowest_at(recording, marks) < SLOW_M_S
    # A U-turn ridden fast shows in the heading alone.
    reach = int(CLEAR_OF_TURN_M / 2 / RESAMPLED_M)
    turned = np.sum(ahead[: -2 * reach] * ahead[2 * reach :], axis=1) < OPPOSITE_COS
    slow[reach:-reach] |= turned
    met = np.zeros(len(marks), dtype=bool)
    met[opposite.ravel()] = True
    taken = np.zeros(len(marks), dtype=bool)
    for first, last in _spells(met):
        for a, b in _clear_of_turns(first, last, slow):
            if taken[a:b].mean() > 0.5:
                continue
            sides = [(1, a, b)]
            for pairs_of, direction in ((opposite, -1), (along, 1)):
                sides += [(direction, c, d) for c, d in _partners(pairs_of, a, b)]
            taken[a:b] = True
            for _, c, d in sides:
                taken[c:d] = True
            passes = [
                _passage(recording, 1 if s > 0 else -1, mark_time[c], mark_time[d])
                for s, c, d in sorted(sides, key=lambda side: side[1])
            ]
            if not any(p.direction < 0 for p in passes):
                continue
            straight = float(np.hypot(x[b] - x[a], y[b] - y[a]) / ((b - a) * RESAMPLED_M))
            yield _stretch(recording, passes, min(straight, 1.0), "positions")


def _spells(met: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return runs of marks as (first, last), small holes bridged, short ones left out."""
    places = np.flatnonzero(met)
    if not len(places):
        return []
    cuts = np.flatnonzero(np.diff(places) * RESAMPLED_M > BRIDGED_M)
    firsts = places[np.concatenate(([0], cuts + 1))]
    lasts = places[np.concatenate((cuts, [len(places) - 1]))]
    return [
        (int(a), int(b)) for a, b in zip(firsts, lasts, strict=True)
        if (b - a) * RESAMPLED_M >= SHORTEST_M
    ]  # fmt: skip


def _clear_of_turns(first: int, last: int, slow: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Cut a spell at slow places and keep clear of them."""
    clear = int(CLEAR_OF_TURN_M / RESAMPLED_M)
    free = np.ones(last - first + 1, dtype=bool)
    for place in np.flatnonzero(slow[first : last + 1]):
        free[max(0, place - clear) : place + clear + 1] = False
    return [(first + a, first + b) for a, b in _spells(free)]


def _partners(pairs: Ints, a: int, b: int) -> list[tuple[int, int]]:
    """Return the other passages of the marks a to b, whole or nearly so."""
    left = (pairs[:, 0] >= a) & (pairs[:, 0] <= b)
    right = (pairs[:, 1] >= a) & (pairs[:, 1] <= b)
    others = np.concatenate((pairs[left, 1], pairs[right, 0]))
    others = np.unique(others[(others < a) | (others > b)])
    if not len(others):
        return []
    seen = np.zeros(int(others.max()) + 2, dtype=bool)
    seen[others] = True
    return [(c, d) for c, d in _spells(seen) if 0.85 < (d - c) / (b - a) < 1.25]


def _by_distance(recording: Recording) -> Iterator[Stretch]:
    """Take neighbouring pieces of like length between slow turns as out and back.

    This cannot tell a turn from a junction: a ride through a town shows stretches that are none.
    """
    speed, time, distance = _smooth_speed(recording), recording.time_s, recording.distance_m
    slow = np.concatenate(([True], (speed < SLOW_M_S)[1:-1], [True]))
    turns = np.flatnonzero(slow)
    pieces = [
        (int(a), int(b)) for a, b in pairwise(turns)
        if distance[b] - distance[a] >= SHORTEST_M + 2 * CLEAR_OF_TURN_M
    ]  # fmt: skip
    groups: list[list[tuple[int, int]]] = []
    for piece in pieces:
        length = distance[piece[1]] - distance[piece[0]]
        for group in groups:
            if distance[piece[0]] - distance[group[-1][1]] > TURN_ROOM_M:
                continue
            usual = float(np.median([distance[b] - distance[a] for a, b in group]))
            if abs(length / usual - 1.0) < LENGTHS_ALIKE:
                group.append(piece)
                break
        else:
            groups.append([piece])
    for group in groups:
        if len(group) < 2:
            continue
        passes = []
        for number, (a, b) in enumerate(group):
            edges = (distance[a] + CLEAR_OF_TURN_M, distance[b] - CLEAR_OF_TURN_M)
            rising = np.concatenate(([True], np.diff(distance[a : b + 1]) > 0))
            start, end = np.interp(edges, distance[a : b + 1][rising], time[a : b + 1][rising])
            passes.append(_passage(recording, 1 if number % 2 == 0 else -1, start, end))
        yield _stretch(recording, passes, None, "distance")


def _smooth_speed(recording: Recording) -> Floats:
    """Return speed with missing samples filled and a stop of one second kept visible."""
    known = np.isfinite(recording.speed_m_s)
    if not known.any():
        return np.zeros(len(recording.time_s))
    return np.interp(recording.time_s, recording.time_s[known], recording.speed_m_s[known])


def _slowest_at(recording: Recording, marks: Floats) -> Floats:
    """Return the slowest speed around each mark; a turn may last one sample."""
    speed = _smooth_speed(recording)
    slowest = np.interp(marks, recording.distance_m, speed)
    nearest = np.rint((recording.distance_m - marks[0]) / RESAMPLED_M).astype(np.int64)
    np.minimum.at(slowest, np.clip(nearest, 0, len(marks) - 1), speed)
    return slowest


def _passage(recording: Recording, direction: Literal[1, -1], start: float, end: float) -> Pass:
    inside = (recording.time_s >= start) & (recording.time_s <= end)
    length = float(np.diff(np.interp([start, end], recording.time_s, recording.distance_m))[0])
    power = recording.power_w[inside]
    speed = _smooth_speed(recording)[inside]
    return Pass(
        direction=direction,
        start_s=float(start),
        end_s=float(end),
        length_m=length,
        mean_speed_m_s=length / max(float(end - start), 1e-9),
        slowest_m_s=float(speed.min()) if len(speed) else 0.0,
        mean_power_w=float(np.nanmean(power)) if np.isfinite(power).any() else None,
    )


def _stretch(
    recording: Recording, passes: list[Pass], straight: float | None,
    found_by: Literal["positions", "distance"],
) -> Stretch:  # fmt: skip
    first = passes[0]
    if first.direction < 0:
        passes = [_turned(p) for p in passes]
    length = float(np.median([p.length_m for p in passes]))
    reliefs = []
    if recording.altitude_m is not None:
        for p in passes:
            inside = (recording.time_s >= p.start_s) & (recording.time_s <= p.end_s)
            heights = recording.altitude_m[inside]
            if np.isfinite(heights).any():
                reliefs.append(float(np.nanmax(heights) - np.nanmin(heights)))
    relief = float(np.median(reliefs)) if reliefs else None
    steady = float(np.median([p.slowest_m_s / max(p.mean_speed_m_s, 1e-9) for p in passes]))
    each_way = min(sum(p.direction > 0 for p in passes), sum(p.direction < 0 for p in passes))
    fitness = (
        min(length / GOOD_LENGTH_M, 1.0)
        * (1.0 if relief is None else 1.0 / (1.0 + (relief / length / GOOD_RELIEF) ** 2))
        * (1.0 if straight is None else straight)
        * min(steady, 1.0)
        * each_way / (each_way + 1.0)
    )  # fmt: skip
    place = np.interp([first.start_s, first.end_s], recording.time_s, recording.distance_m) / 1000.0
    return Stretch(
        from_km=float(place[0]), to_km=float(place[1]), length_m=length, relief_m=relief,
        straightness=straight, steadiness=min(steady, 1.0), fitness=float(fitness),
        passes=tuple(passes), found_by=found_by,
    )  # fmt: skip


def _turned(p: Pass) -> Pass:
    return replace(p, direction=-1 if p.direction > 0 else 1)
