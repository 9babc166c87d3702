"""Laps found by satellite positions: where each run crosses one start line, and the loop's course.

Positions wander by metres for a minute; the mean of many crossings tells a lap's length to a
fraction of one, and lengths inside a lap are the wheel's.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from cda.errors import EstimationError, SessionError
from cda.geodesy import project
from cda.legs.passages import filled

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from cda.legs.laps import Stretch
    from cda.session import Session

    Floats = NDArray[np.float64]

NEAR_LINE_M: Final = 25.0  # a pass by the start point within this is a crossing
STARTS_TRIED: Final = 3  # start points tried
LINES_TRIED: Final = 40  # places round the lap
NODE_M: Final = 10.0
BINS_A_NODE: Final = 4
SMOOTHING_M: Final = 15.0  # longer than jitter, shorter than bends
SAME_WAY: Final = 0.5  # cosine between a crossing and the usual direction there


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StartLine:
    """A lap's recorded length, where each stretch crosses the line, and the loop's direction.

    `anchor_m` is a recorded distance at the line for each stretch, None where it does not cross.
    """

    lap_m: float
    anchor_m: tuple[float | None, ...]
    node_bearing_rad: Floats = field(repr=False)

    def bearing_deg(self, along_m: Floats) -> Floats:
        """Return the direction of travel, clockwise from true north [deg]; shape of `along_m`."""
        count = len(self.node_bearing_rad) - 1
        place = np.mod(along_m / self.lap_m, 1.0) * count
        bearing = np.interp(place, np.arange(count + 1), self.node_bearing_rad)
        return np.asarray(np.degrees(bearing) % 360.0, dtype=np.float64)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Track:
    """Plane positions of one stretch and their recorded distance; shape (n, 2), (n,)."""

    place: Floats
    distance: Floats


def laps_by_gps(session: Session, stretches: Sequence[Stretch]) -> StartLine | None:
    """Return laps from start line to start line, or None without positions.

    Raises
    ------
    EstimationError
        If no run comes back to where it began.
    SessionError
        If `course.gate_a` lies off the loop.
    """
    tracks = _tracks(session, stretches)
    if tracks is None:
        return None
    gate = session.settings.course.gate_a
    origin = _origin(session)
    if gate is not None:
        east, north = project(np.array([gate[0]]), np.array([gate[1]]), origin)
        starts = [np.array([east[0], north[0]])]
    else:
        picks = np.linspace(0, len(tracks) - 1, min(STARTS_TRIED, len(tracks))).round()
        starts = [
            _at(tracks[int(k)], max(stretches[int(k)].start_m, stretches[int(k)].low_m))
            for k in picks
        ]
    best: tuple[int, float, list[float | None]] | None = None
    for start in starts:
        crossings = _crossings(tracks, start)
        lap_m = _mean_lap(crossings)
        if lap_m is None:
            continue
        anchors = [_anchor(c, lap_m) for c in crossings]
        laps = _whole_laps(stretches, anchors, lap_m)
        if best is None or laps > best[0]:
            best = (laps, lap_m, anchors)
    if best is None:
        if gate is not None:
            raise SessionError(
                "no run comes round to the start line given there",
                where="session.toml: course.gate_a",
                fix="give latitude and longitude of a point on the loop, or leave it out",
            )
        raise EstimationError(
            "no run comes back to where it began: these are no laps of a loop",
            where="session.toml: course.kind",
            fix='write kind = "out-and-back" if it was ridden out and back, else check the laps '
            "or times of the runs",
        )
    _, lap_m, anchors = best
    if gate is None:
        # The line lies where most whole laps are left: presses are seconds off either way.
        shifts = sorted((k / LINES_TRIED * lap_m for k in _around(LINES_TRIED)), key=abs)
        moved = [[None if a is None else a + shift for a in anchors] for shift in shifts]
        anchors = max(moved, key=lambda m: _whole_laps(stretches, m, lap_m))
    nodes = _node_bearings(tracks, anchors, lap_m)
    return StartLine(lap_m=lap_m, anchor_m=tuple(anchors), node_bearing_rad=nodes)


def _around(count: int) -> range:
    return range(-(count // 2), count - count // 2)


def _whole_laps(stretches: Sequence[Stretch], anchors: Sequence[float | None], lap_m: float) -> int:
    """Return how many laps from line to line all stretches hold together."""
    return sum(
        max(int((s.high_m - a) // lap_m) - int(np.ceil((s.low_m - a) / lap_m)), 0)
        for s, a in zip(stretches, anchors, strict=True)
        if a is not None
    )


def _origin(session: Session) -> tuple[float, float]:
    recording = next(r for r in session.recordings if r.latitude_deg is not None)
    assert recording.latitude_deg is not None
    assert recording.longitude_deg is not None
    return float(np.nanmedian(recording.latitude_deg)), float(np.nanmedian(recording.longitude_deg))


def _tracks(session: Session, stretches: Sequence[Stretch]) -> list[_Track] | None:
    """Return all stretches' positions, None if any has them for less than half its samples."""
    tracks = []
    for stretch in stretches:
        recording = session.recordings[stretch.passage.recording]
        if recording.latitude_deg is None or recording.longitude_deg is None:
            return None
        rows = slice(stretch.passage.first, stretch.passage.last + 1)
        latitude, longitude = recording.latitude_deg[rows], recording.longitude_deg[rows]
        good = np.isfinite(latitude + longitude)
        if good.mean() < 0.5:
            return None
        east, north = project(latitude[good], longitude[good], _origin(session))
        distance = filled(recording.distance_m)[rows][good]
        tracks.append(_Track(place=np.column_stack([east, north]), distance=distance))
    return tracks


def _at(track: _Track, distance_m: float) -> Floats:
    return np.array([np.interp(distance_m, track.distance, track.place[:, k]) for k in (0, 1)])


def _crossings(tracks: Sequence[_Track], start: Floats) -> list[Floats]:
    """Return the recorded distances at which each stretch passes the start point."""
    passed: list[list[tuple[float, Floats]]] = []
    for track in tracks:
        near = np.hypot(*(track.place - start).T) <= NEAR_LINE_M
        edges = np.flatnonzero(np.diff(np.concatenate([[0], near.astype(np.int8), [0]])))
        mine = []
        for a, b in zip(edges[::2], edges[1::2], strict=True):
            rows = slice(max(int(a) - 1, 0), min(int(b) + 1, len(track.distance)))
            place, distance = track.place[rows], track.distance[rows]
            way = place[-1] - place[0]
            length = float(np.hypot(*way))
            if length < 5.0:
                continue
            along = (place - start) @ (way / length)
            if along[0] > 0.0 or along[-1] < 0.0:  # begins or ends beside the line
                continue
            slope, level = np.polyfit(along, distance - distance[0], 1)
            if slope > 0.0:
                mine.append((float(distance[0] + level), way / length))
        passed.append(mine)
    ways = [way for mine in passed for _, way in mine]
    if not ways:
        return [np.empty(0) for _ in tracks]
    usual = ways[int(np.argmax(np.array(ways) @ np.array(ways).T @ np.ones(len(ways))))]
    return [np.array([d for d, way in mine if way @ usual > SAME_WAY]) for mine in passed]


def _mean_lap(crossings: Sequence[Floats]) -> float | None:
    """Return the mean recorded distance from crossing to crossing; one missed now and then."""
    gaps = np.concatenate([np.diff(c) for c in crossings]) if crossings else np.empty(0)
    if not gaps.size:
        return None
    lap = float(np.median(gaps))
    whole = np.round(gaps / lap)
    good = (whole >= 1) & (np.abs(gaps - whole * lap) < 0.1 * lap)
    return float(gaps[good].sum() / whole[good].sum()) if good.any() else None


def _anchor(crossings: Floats, lap_m: float) -> float | None:
    if not crossings.size:
        return None
    laps = np.round((crossings - crossings[0]) / lap_m)
    return float(np.mean(crossings - laps * lap_m))


def _node_bearings(
    tracks: Sequence[_Track], anchors: Sequence[float | None], lap_m: float
) -> Floats:
    """Return the loop's direction at nodes round one lap, unwrapped, first and last the same [rad].

    Nodes are the mean of all laps' positions there, smoothed round the loop.
    """
    count = max(16, round(lap_m / NODE_M))
    place = [t.place for t, a in zip(tracks, anchors, strict=True) if a is not None]
    along = [
        np.mod((t.distance - a) / lap_m, 1.0) * count
        for t, a in zip(tracks, anchors, strict=True)
        if a is not None
    ]
    at, xy = np.concatenate(along), np.concatenate(place)
    # Means in fine bins, then a bell-shaped mean over the neighbours round the loop.
    bins = BINS_A_NODE * count
    index = np.minimum((at * BINS_A_NODE).astype(np.intp), bins - 1)
    total = np.bincount(index, minlength=bins).astype(np.float64)
    summed = np.column_stack([np.bincount(index, xy[:, k], bins) for k in (0, 1)])
    grid = np.arange(count, dtype=np.float64)
    centre = (np.arange(bins) + 0.5) / BINS_A_NODE
    width = SMOOTHING_M / lap_m * count
    turn = (grid[:, None] - centre[None, :] + 0.5 * count) % count - 0.5 * count
    # The faint wide bell fills a gap in the positions from its sides.
    weight = np.exp(-0.5 * (turn / max(width, 1.0)) ** 2)
    weight += 1e-6 * np.exp(-0.5 * (turn / (0.1 * count)) ** 2)
    nodes = (weight @ summed) / (weight @ total)[:, None]
    step = np.roll(nodes, -1, axis=0) - np.roll(nodes, 1, axis=0)
    bearing = np.unwrap(np.arctan2(step[:, 0], step[:, 1]))
    once = 2.0 * np.pi * np.round((bearing[-1] - bearing[0]) / (2.0 * np.pi))
    last = bearing[0] + once
    # The way from the last node back to the first is part of the turn.
    last += 2.0 * np.pi * np.round((bearing[-1] - last) / (2.0 * np.pi))
    return np.append(bearing, last)
