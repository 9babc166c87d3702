"""A course file into points: GPX by its content, else a table; either also gzipped.

GPX 1.1: the longest track, else the longest route; distance along the ellipsoid.  Table: columns
`distance_m`, `elevation_m`, optional `latitude_deg`, `longitude_deg`, `speed_limit_m_s`.
"""

from __future__ import annotations

import csv
import hashlib
import io
import math
import zlib
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from cda.errors import CourseError
from cda.geodesy import ground_distance_m
from cda.results import Finding

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

MAX_COURSE_BYTES = 60_000_000  # 180 km at one point a metre is 20 MB
MOST_NESTED = 60  # a course needs six
COLUMNS = ("distance_m", "elevation_m", "latitude_deg", "longitude_deg", "speed_limit_m_s")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CoursePoints:
    """Points of a course file in its order; arrays of shape (n,), NaN where not given.

    Attributes
    ----------
    distance_m : ndarray
        From the first point, never falling. [m]
    elevation_m, speed_limit_m_s : ndarray
        [m], [m/s]
    latitude_deg, longitude_deg : ndarray
        [deg]
    format : str
        "gpx" or "csv".
    """

    name: str
    sha256: str
    format: str
    distance_m: Array
    elevation_m: Array
    latitude_deg: Array
    longitude_deg: Array
    speed_limit_m_s: Array
    findings: tuple[Finding, ...] = ()


def read_course(path: Path) -> CoursePoints:
    """Read a course file.

    Raises
    ------
    CourseError
        If it cannot be read, or its points are no line along a road.
    """
    try:
        with path.open("rb") as file:
            data = file.read(MAX_COURSE_BYTES + 1)
    except (OSError, ValueError) as error:
        raise CourseError(
            "the course file cannot be read" if path.exists() else "the course file is not there",
            where=path.name,
            fix="check the spelling; the file lies beside the race file",
        ) from error
    if len(data) > MAX_COURSE_BYTES:
        raise _too_large(path.name)
    sha256 = hashlib.sha256(data).hexdigest()
    if data[:2] == b"\x1f\x8b":
        data = _decompressed(data, path.name)
    head = data[:400].decode("utf-8-sig", errors="replace").lstrip("\x00 \t\r\n")
    if head.startswith("<") or data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return _gpx(data, path.name, sha256)
    return _table(data, path.name, sha256)


def _too_large(name: str) -> CourseError:
    return CourseError(
        "the course file is larger than 60 MB", where=name, fix="export one lap alone"
    )


def _decompressed(data: bytes, name: str) -> bytes:
    """Return what a gzip file of one member holds; half a course is none, so a break is refused."""
    stream = zlib.decompressobj(wbits=31)
    try:
        text = stream.decompress(data, MAX_COURSE_BYTES + 1)
    except zlib.error:
        text = b""
    if len(text) > MAX_COURSE_BYTES:
        raise _too_large(name)
    if not stream.eof or stream.unused_data:
        raise CourseError(
            "the gzip file breaks off, is damaged or holds more than one file",
            where=name,
            fix="export the course again, or unpack it",
        )
    return text


def _gpx(data: bytes, name: str, sha256: str) -> CoursePoints:
    from defusedxml import DefusedXmlException
    from defusedxml.ElementTree import iterparse

    lines: dict[str, list[list[tuple[float, float, float]]]] = {"trkpt": [], "rtept": []}
    depth = 0
    try:
        for event, element in iterparse(io.BytesIO(data), ("start", "end"), forbid_dtd=True):
            tag = _local(element.tag)
            if event == "start":
                depth += 1
                if tag in ("trk", "rte"):
                    lines[tag + "pt"].append([])
                _bound(depth, name)
                continue
            depth -= 1
            if lines.get(tag):
                height = next((c.text for c in element if _local(c.tag) == "ele"), None)
                lines[tag][-1].append(
                    (_number(element.get("lat")), _number(element.get("lon")), _number(height))
                )
            if tag in lines or tag in ("trk", "rte", "trkseg", "wpt"):
                element.clear()  # what has been read is forgotten
    except CourseError:
        raise
    except DefusedXmlException as error:
        raise CourseError(
            "the file declares a document type or entities, which no course needs; it was not read",
            where=name,
            fix="export the course again, from a source you trust",
        ) from error
    except Exception as error:  # bytes that are no text of the declared encoding raise many kinds
        problem = " ".join(str(error).split())[:120] or type(error).__name__
        raise CourseError(
            f"the file breaks off or is damaged ({problem})",
            where=name,
            fix="export the course again",
        ) from error
    kinds = [(kind, max(found, key=len, default=[])) for kind, found in lines.items()]
    kind, points = next(((k, p) for k, p in kinds if len(p) > 1), ("", []))
    if not kind:
        raise CourseError(
            "the file holds neither a track nor a route of two points or more",
            where=name,
            fix="export the course as a GPX track, or write a table distance_m, elevation_m",
        )
    findings = []
    others = sum(len(p) > 1 for p in lines[kind]) - 1
    if others:
        findings.append(
            Finding(
                severity="warning",
                code="course-one-of-several",
                where=name,
                message=f"the file holds {others + 1} lines; the one with most points was taken",
                fix="leave only the course in the file",
            )
        )
    columns = np.array(points, dtype=np.float64)
    placed = (np.abs(columns[:, 0]) <= 90.0) & (np.abs(columns[:, 1]) <= 180.0)
    lost = int(np.sum(~placed))
    if lost:
        findings.append(
            Finding(
                severity="warning",
                code="course-points-without-place",
                where=name,
                message=f"{lost} points without a position on earth were left out",
                fix="export the course again",
            )
        )
    columns = columns[placed]
    if len(columns) < 2:
        raise CourseError(
            "no two points have a position", where=name, fix="export the course again"
        )
    latitude, longitude = columns[:, 0], columns[:, 1]
    step = np.asarray(ground_distance_m(latitude[:-1], longitude[:-1], latitude[1:], longitude[1:]))
    return CoursePoints(
        name=name,
        sha256=sha256,
        format="gpx",
        distance_m=np.concatenate([[0.0], np.cumsum(step)]),
        elevation_m=columns[:, 2],
        latitude_deg=latitude,
        longitude_deg=longitude,
        speed_limit_m_s=np.full(len(columns), np.nan),
        findings=tuple(findings),
    )


def _local(tag: object) -> str:
    return str(tag).rpartition("}")[2].lower()


def _bound(depth: int, name: str) -> None:
    if depth > MOST_NESTED:
        raise CourseError(
            f"elements are nested more than {MOST_NESTED} deep",
            where=name,
            fix="export the course again",
        )


def _number(text: str | None, *, comma: bool = False) -> float:
    """Return the number, NaN for an empty or unreadable one."""
    try:
        value = float((text or "").strip().replace(",", "." if comma else ","))
    except ValueError:
        return math.nan
    return value if math.isfinite(value) else math.nan


def _table(data: bytes, name: str, sha256: str) -> CoursePoints:
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("cp1252", errors="replace")
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    while lines and not lines[0].strip():
        lines.pop(0)
    header_line = lines[0] if lines else ""
    delimiter = next((d for d in ("\t", ";", ",") if d in header_line), ",")
    header = [cell.strip().lower() for cell in next(csv.reader([header_line], delimiter=delimiter))]
    for needed in COLUMNS[:2]:
        if needed not in header:
            raise CourseError(
                f"no column {needed}"
                + (": the heights are missing" if needed == "elevation_m" else ""),
                where=name,
                fix="write a header distance_m,elevation_m (and latitude_deg, longitude_deg, "
                "speed_limit_m_s where known), or give a GPX file",
            )
    wanted = {key: header.index(key) for key in COLUMNS if key in header}
    unknown = [cell for cell in header if cell and cell not in COLUMNS]
    rows: list[list[float]] = []
    numbers: list[int] = []
    try:
        for number, cells in enumerate(csv.reader(lines[1:], delimiter=delimiter), start=2):
            if not any(cell.strip() for cell in cells):
                continue
            rows.append(
                [
                    _number(cells[at], comma=delimiter != ",") if at < len(cells) else math.nan
                    for at in wanted.values()
                ]
            )
            numbers.append(number)
    except csv.Error as error:
        raise CourseError(
            f"no table ({error})", where=name, fix="save it as plain CSV text"
        ) from error
    if len(rows) < 2:
        raise CourseError("fewer than two rows", where=name, fix="give the course's points")
    values = dict(zip(wanted, np.array(rows, dtype=np.float64).T, strict=True))
    distance = values["distance_m"]
    empty = np.flatnonzero(np.isnan(distance))
    if empty.size:
        raise CourseError(
            f"row {numbers[int(empty[0])]}: distance_m is empty or no number",
            where=name,
            fix="fill it in or delete the row",
        )
    back = np.flatnonzero(np.diff(distance) < 0.0)
    if back.size:
        i = int(back[0])
        raise CourseError(
            f"row {numbers[i + 1]}: distance_m goes backwards, {distance[i]:g} to "
            f"{distance[i + 1]:g} m",
            where=name,
            fix="sort the rows along the course; for laps give one lap and laps = N",
        )
    limit = values.get("speed_limit_m_s", np.full(len(rows), np.nan))
    if np.any(limit <= 0.5):
        i = int(np.flatnonzero(limit <= 0.5)[0])
        raise CourseError(
            f"row {numbers[i]}: speed_limit_m_s {limit[i]:g} is a standstill",
            where=name,
            fix="leave the field empty where there is no limit",
        )
    findings = []
    if unknown:
        findings.append(
            Finding(
                severity="note",
                code="course-columns-unknown",
                where=name,
                message=f"columns left out: {', '.join(unknown[:8])}",
            )
        )
    nothing = np.full(len(rows), np.nan)
    return CoursePoints(
        name=name,
        sha256=sha256,
        format="csv",
        distance_m=distance - distance[0],
        elevation_m=values["elevation_m"],
        latitude_deg=values.get("latitude_deg", nothing),
        longitude_deg=values.get("longitude_deg", nothing),
        speed_limit_m_s=limit,
        findings=tuple(findings),
    )
