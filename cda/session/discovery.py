"""Which recordings a test folder holds, and which of several copies of one ride is used.

Two recordings are copies of one ride if they start within five seconds of each other (a device
cannot record two rides at once); without a clock, if their durations differ by less
than five seconds and their mean powers by less than one percent. The copy with most channels, then
most laps, then most samples, is used.
"""

from __future__ import annotations

import gzip
import re
from typing import TYPE_CHECKING

import numpy as np

from cda.errors import RecordingError, SessionError
from cda.results import Finding
from cda.session.paths import inside_folder

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from cda.recording import Recording
    from cda.session.models import SessionSettings

SAME_START_S = 5.0
CHANNELS = (
    "altitude_m",
    "latitude_deg",
    "cadence_rpm",
    "heart_rate_bpm",
    "temperature_c",
    "airspeed_m_s",
    "yaw_deg",
)


def find_recordings(
    folder: Path, settings: SessionSettings
) -> tuple[tuple[Recording, ...], list[Finding]]:
    """Return the recordings that session.toml names, or those that lie in the folder."""
    from cda.readers import read_recording

    if settings.recordings:
        paths = [inside_folder(folder, name, "recordings") for name in settings.recordings]
        return tuple(
            read_recording(path, columns=_columns_of(path, settings)) for path in paths
        ), []
    findings: list[Finding] = []
    read: list[Recording] = []
    refused: list[RecordingError] = []
    for path in candidates(folder, settings):
        inside_folder(folder, path.name, "recordings")
        try:
            read.append(read_recording(path, columns=_columns_of(path, settings)))
        except RecordingError as error:
            refused.append(error)
            findings.append(
                Finding(
                    severity="warning",
                    code="recording-left-out",
                    where=path.name,
                    message=error.problem,
                    fix=error.fix or "name the recordings to use in session.toml",
                )
            )
    if not read:
        if refused:
            raise refused[0]
        raise SessionError(
            "holds no recording (.fit, .tcx, .gpx, or .csv with power_w)",
            where=folder.name,
            fix="copy the ride's file into the folder",
        )
    return _without_copies(read, findings)


def candidates(folder: Path, settings: SessionSettings | None = None) -> list[Path]:
    """Return the files of the folder that look like recordings, by name."""
    readings = settings.air.readings if settings else None
    paths = []
    for path in sorted(folder.iterdir()):
        name = path.name.lower()
        if name.startswith((".", "result_")) or name == "runs.csv" or path.name == readings:
            continue
        is_ride = re.search(r"\.(fit|tcx|gpx)(\.gz)?$", name) or (
            re.search(r"\.csv(\.gz)?$", name) and _has_power(path, settings)
        )
        if path.is_file() and is_ride:
            paths.append(path)
    return paths


def _columns_of(path: Path, settings: SessionSettings) -> Mapping[str, str] | None:
    """Return the headings that session.toml names, for a CSV file that has them all.

    A file in the channels' own names, or in another format, needs none.
    """
    if not settings.columns or not re.search(r"\.csv(\.gz)?$", path.name.lower()):
        return None
    from cda.readers import csv_headings

    headings = csv_headings(path)
    if "power_w" in headings and settings.columns.get("power_w") not in headings:
        return None
    return settings.columns


def _has_power(path: Path, settings: SessionSettings | None) -> bool:
    named = None if settings is None else settings.columns.get("power_w")
    if named is not None:
        from cda.readers import csv_headings

        if named in csv_headings(path):
            return True
    try:
        opener = gzip.open if path.name.lower().endswith(".gz") else open
        with opener(path, "rb") as file:
            head = file.readline(65_536)
    except (OSError, EOFError):
        return False
    return re.search(rb"(?<![a-z_])power_w(?![a-z_])", head.replace(b"\0", b"").lower()) is not None


def _without_copies(
    read: list[Recording], findings: list[Finding]
) -> tuple[tuple[Recording, ...], list[Finding]]:
    kept: list[Recording] = []
    for recording in sorted(read, key=_richness, reverse=True):
        twin = next((k for k in kept if _copies(k, recording)), None)
        if twin is None:
            kept.append(recording)
            continue
        findings.append(
            Finding(
                severity="note",
                code="recording-copy",
                where=recording.name,
                message=f"holds the same ride as {twin.name}, which has more in it and is used",
                fix="name the one to use under recordings in session.toml",
            )
        )
    order = [r.name for r in read]
    return tuple(sorted(kept, key=lambda r: order.index(r.name))), findings


def _richness(recording: Recording) -> tuple[int, int, int]:
    channels = sum(getattr(recording, name) is not None for name in CHANNELS)
    return channels, len(recording.laps), len(recording.time_s)


def _copies(one: Recording, other: Recording) -> bool:
    if one.sha256 == other.sha256:
        return True
    durations = [float(r.time_s[-1] - r.time_s[0]) for r in (one, other)]
    if one.start_utc is not None and other.start_utc is not None:
        apart = abs((one.start_utc - other.start_utc).total_seconds())
        return apart <= SAME_START_S
    means = [
        float(np.nanmean(r.power_w)) if np.isfinite(r.power_w).any() else 0.0 for r in (one, other)
    ]
    same_length = abs(durations[0] - durations[1]) <= SAME_START_S
    return same_length and abs(means[0] - means[1]) <= 0.01 * max(*means, 1.0)
