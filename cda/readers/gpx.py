"""GPX 1.1 files: track points and their extensions, told by local name.

Where a file gives neither speed nor distance, distance comes from the positions, on the ellipsoid.
Way points and routes are no ride and are passed over.
"""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from cda.geodesy import ground_distance_m
from cda.readers.points import EXTENSIONS, Points
from cda.readers.xml_walk import XmlBreakError, walk
from cda.recording import PLAUSIBLE, Recording, build_recording
from cda.results import Finding

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

_BRANCHES: Final = frozenset({"trk", "trkpt"})
# Children of a point that the standard itself defines and nobody needs here.
_STANDARD: Final = {
    "trkpt", "extensions", "magvar", "geoidheight", "name", "cmt", "desc", "src", "link", "sym",
    "type", "text", "fix", "sat", "hdop", "vdop", "pdop", "ageofdgpsdata", "dgpsid",
}  # fmt: skip


def read_gpx(data: bytes, *, name: str, sha256: str) -> Recording:
    """Return the recording of a GPX file's bytes; a cut file gives what lies before the break.

    Raises
    ------
    RecordingError
        If the file holds no track with times, or declares entities.
    """
    points = Points(name)
    sport = ""
    try:
        for tag, parent, text, attributes in walk(data, name=name, branches=_BRANCHES):
            if attributes is not None:
                if tag == "trkpt":
                    points.row = {}
                    points.set("latitude_deg", attributes.get("lat", "").strip())
                    points.set("longitude_deg", attributes.get("lon", "").strip())
                elif tag == "trk":
                    sport = ""
            elif points.row is None:
                if tag == "type" and parent == "trk":
                    sport = text.lower()
            elif tag == "trkpt":
                points.close(sport)
            elif parent == "trkpt" and tag == "time":
                points.row["clock"] = points.stamp(text)
            elif parent == "trkpt" and tag == "ele":
                points.set("altitude_m", text)
            elif tag in EXTENSIONS or tag not in _STANDARD:
                points.extension(tag, text)
    except XmlBreakError as error:
        again = error.after_end and len(re.findall(rb"<[\w.:-]*gpx[\s>]", data)) > 1
        points.broken(error, again=again)
    clock, columns, _ = points.finish()
    return _built(clock, columns, points, sha256)


def _built(
    clock: NDArray[np.float64],
    columns: Mapping[str, NDArray[np.float64]],
    points: Points,
    sha256: str,
) -> Recording:
    bare = not any(np.any(~np.isnan(columns[k])) for k in ("speed_m_s", "distance_m"))
    located = ~np.isnan(columns["latitude_deg"] + columns["longitude_deg"])
    from_positions = bare and int(np.sum(located)) >= 2
    if from_positions:
        distance = _path_m(clock, columns, points.name, points.findings)
        columns = {**columns, "distance_m": distance}
    recording = build_recording(
        name=points.name,
        sha256=sha256,
        format="gpx",
        clock_s=clock,
        columns=columns,
        utc_offset_s=points.utc_offset_s,
        findings=points.findings,
    )
    if from_positions:
        return replace(recording, speed_source="gps", distance_source="gps")
    return recording


def _path_m(
    clock: NDArray[np.float64],
    columns: Mapping[str, NDArray[np.float64]],
    name: str,
    found: list[Finding],
) -> NDArray[np.float64]:
    """Return the length of the track up to each point; NaN at fixes out of line [m]."""
    latitude, longitude = columns["latitude_deg"], columns["longitude_deg"]
    usable = (np.abs(latitude) <= 90.0) & (np.abs(longitude) <= 180.0) & np.isfinite(clock)
    out = np.full(len(clock), np.nan)
    known = np.flatnonzero(usable)
    if len(known) < 2:
        return out

    def steps(index: NDArray[np.intp]) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
        a, b = index[:-1], index[1:]
        length = np.asarray(
            ground_distance_m(latitude[a], longitude[a], latitude[b], longitude[b]), np.float64
        )
        allowed = PLAUSIBLE["speed_m_s"][1] * np.maximum(1.0, np.abs(clock[b] - clock[a]))
        return length, ~(length <= allowed)

    _, fast = steps(known)
    # Away and back again faster than any bicycle: the fix is wrong, not the ride.
    astray = np.concatenate([[False], fast[:-1] & fast[1:], [False]])
    known = known[~astray]
    length, fast = steps(known)
    out[known] = np.concatenate([[0.0], np.cumsum(np.where(fast, 0.0, length))])
    count = int(np.sum(astray) + np.sum(fast))
    if count:
        found.append(
            Finding(
                severity="warning" if count > 0.01 * len(clock) else "note",
                code="positions-jump",
                where=name,
                message=f"{count} positions jump faster than any bicycle; the jumps were not "
                "counted as distance",
                fix="leave out runs they touch, or record with a wheel sensor",
            )
        )
    return out
