"""What satellite positions say of the legs: how good they are, one road or two, and its bearing.

Legs of one direction are laid beside each other by their place along the road; what is common to
them is the road. Nothing here leaves the room but distances and a direction.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from cda.checks import thresholds as limit
from cda.checks.naming import legs_named
from cda.geodesy import project
from cda.results import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from cda.legs import Leg
    from cda.session import Session

    Floats = NDArray[np.float64]

_EVERY_M: Final = 20.0
_EDGE_M: Final = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LegTrack:
    """How one leg lies on the road that the legs of its direction share.

    Attributes
    ----------
    missing : float
        Share of the leg's samples without a position.
    scatter_m : float or None
        Robust width of the positions about the shared road, the leg's own offset taken out. [m]
    beside_m : float or None
        The leg's offset across the road, median. [m]
    """

    leg: Leg
    missing: float
    scatter_m: float | None
    beside_m: float | None


def leg_tracks(session: Session, legs: Sequence[Leg]) -> tuple[list[LegTrack], float | None]:
    """Return how the legs lie on the road, and its bearing from gate A to gate B [deg].

    Nothing where the recording has no positions. Bearings are of legs that go out and back.
    """
    where = {run.run: run.recording for run in session.runs}
    placed: list[tuple[Leg, Floats, Floats, Floats, float]] = []
    origin: tuple[float, float] | None = None
    for leg in legs:
        recording = session.recordings[where[leg.run]]
        if recording.latitude_deg is None or recording.longitude_deg is None:
            continue
        inside = (recording.time_s > leg.time_s[0]) & (recording.time_s < leg.time_s[-1])
        lat, lon = recording.latitude_deg[inside], recording.longitude_deg[inside]
        known = np.isfinite(lat) & np.isfinite(lon)
        if known.sum() < 5:
            continue
        if origin is None:
            origin = (float(np.median(lat[known])), float(np.median(lon[known])))
        east, north = project(lat[known], lon[known], origin)
        along = np.interp(recording.time_s[inside][known], leg.time_s, leg.along_m)
        placed.append((leg, along, east, north, float(1.0 - known.mean())))
    tracks: list[LegTrack] = []
    bearing = None
    for way in (1, -1):
        mine = [one for one in placed if one[0].direction == way]
        if len(mine) < limit.FEW_LEGS:
            continue
        road = _road(mine)
        if way == 1 and road is not None:
            ends = road[1][-1] - road[1][0], road[2][-1] - road[2][0]
            bearing = float(np.degrees(np.arctan2(*ends)) % 360.0)
        tracks += [_on_road(one, road) for one in mine]
    return tracks, bearing


def _road(
    mine: Sequence[tuple[Leg, Floats, Floats, Floats, float]],
) -> tuple[Floats, Floats, Floats] | None:
    """Return places along the road and the median position of the legs there."""
    low = max(float(along.min()) for _, along, _, _, _ in mine) + _EDGE_M
    high = min(float(along.max()) for _, along, _, _, _ in mine) - _EDGE_M
    if high - low < 5 * _EVERY_M:
        return None
    marks = np.arange(low, high, _EVERY_M)
    order = [np.argsort(along) for _, along, _, _, _ in mine]
    east = [np.interp(marks, a[o], e[o]) for (_, a, e, _, _), o in zip(mine, order, strict=True)]
    north = [np.interp(marks, a[o], n[o]) for (_, a, _, n, _), o in zip(mine, order, strict=True)]
    return marks, np.median(east, axis=0), np.median(north, axis=0)


def _on_road(
    one: tuple[Leg, Floats, Floats, Floats, float], road: tuple[Floats, Floats, Floats] | None
) -> LegTrack:
    leg, along, east, north, missing = one
    if road is None:
        return LegTrack(leg=leg, missing=missing, scatter_m=None, beside_m=None)
    marks, road_east, road_north = road
    inside = (along >= marks[0]) & (along <= marks[-1])
    off_east = east[inside] - np.interp(along[inside], marks, road_east)
    off_north = north[inside] - np.interp(along[inside], marks, road_north)
    ahead_east = np.interp(along[inside], marks, np.gradient(road_east, marks))
    ahead_north = np.interp(along[inside], marks, np.gradient(road_north, marks))
    across = off_east * ahead_north - off_north * ahead_east
    middle = (float(np.median(off_east)), float(np.median(off_north)))
    distance = np.hypot(off_east - middle[0], off_north - middle[1])
    # The median distance of a round normal scatter is 1.18 times its width along one axis.
    return LegTrack(
        leg=leg, missing=missing, scatter_m=float(np.median(distance)) / 1.1774,
        beside_m=float(np.median(across)),
    )  # fmt: skip


def satellite_findings(session: Session, tracks: Sequence[LegTrack]) -> Iterator[Finding]:
    """Yield `gps-poor` and `legs-not-on-one-road`."""
    lost = [t for t in tracks if t.missing > limit.GPS_MISSING]
    wide = [t.scatter_m for t in tracks if t.scatter_m is not None]
    if len(lost) > len(tracks) / 3 or (wide and float(np.median(wide)) > limit.GPS_SCATTER_M):
        said = []
        if wide and float(np.median(wide)) > limit.GPS_SCATTER_M:
            said.append(f"positions wander by {float(np.median(wide)):.0f} m (s.d.) within a leg")
        if lost:
            said.append(
                f"in {len(lost)} of {len(tracks)} legs more than "
                f"{100 * limit.GPS_MISSING:.0f} % of them are missing"
            )
        yield Finding(
            severity="warning", code="gps-poor", where="positions", session=session.key,
            message="satellite positions are poor: " + "; ".join(said)
            + ". The gates of a leg are off by as much",
            fix="ride under open sky, with the bike computer on the handlebar; on a straight road "
            "with sharp turns the gates can be found without positions",
        )  # fmt: skip
    beside = [t for t in tracks if t.beside_m is not None and abs(t.beside_m) > limit.BESIDE_ROAD_M]
    if beside and not (wide and float(np.median(wide)) > limit.GPS_SCATTER_M):
        most = max(abs(t.beside_m or 0.0) for t in beside)
        yield Finding(
            severity="warning", code="legs-not-on-one-road",
            where=legs_named([t.leg for t in beside]), session=session.key,
            message=f"ridden up to {most:.0f} m beside the road of the other legs",
            fix="check the laps or times of these runs; only legs over the same road compare",
        )  # fmt: skip
