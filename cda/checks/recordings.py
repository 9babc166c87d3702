"""Findings about one recording, before anything is known of the test."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cda.checks import thresholds as limit
from cda.results import Finding

if TYPE_CHECKING:
    from cda.recording import Recording


def check_recording(recording: Recording) -> tuple[Finding, ...]:
    """Return what is doubtful in a recording, its reader's own findings first.

    Parameters
    ----------
    recording : Recording
        As read.

    Returns
    -------
    tuple of Finding
        Nothing here is a `stop`: an unusable file does not get this far.
    """
    found = list(recording.findings)
    steps = np.diff(recording.time_s)
    if len(steps):
        usual = float(np.median(steps))
        uneven = float(np.mean(steps > 1.5 * usual))
        if usual > limit.USUAL_STEP_S:
            found.append(
                _warning(
                    "not-every-second",
                    recording,
                    f"one sample in {usual:.0f} s: speed and power between are lost",
                    "set the bike computer to record every second",
                )
            )
        elif uneven > limit.UNEVEN_SHARE:
            found.append(
                _warning(
                    "not-every-second",
                    recording,
                    f"{100 * uneven:.0f} % of the samples follow a step longer than "
                    f"the usual {usual:.2g} s",
                    "set the bike computer to record every second, not when something changes",
                )
            )
    if recording.speed_source not in {"recorded", "distance"}:
        found.append(
            _warning(
                "speed-from-gps",
                recording,
                f"speed was derived from {recording.speed_source}; every percent of it is "
                "0.0095 m² of CdA",
                "fit a wheel speed sensor",
            )
        )
    automatic = [lap.number for lap in recording.laps if lap.trigger in limit.AUTOMATIC_TRIGGERS]
    if automatic:
        found.append(
            Finding(
                severity="note",
                code="automatic-laps",
                where=recording.name,
                message=f"{len(automatic)} of {len(recording.laps)} laps were set by the device "
                f"(the first is lap {automatic[0]}), not pressed",
                fix="name only pressed laps in runs.csv, and switch automatic laps off",
            )
        )
    if recording.altitude_m is None or not np.isfinite(recording.altitude_m).any():
        found.append(
            Finding(
                severity="note",
                code="no-altitude",
                where=recording.name,
                message="no altitude: the height between the gates comes from the ride alone",
                fix="record with a barometric altimeter, or survey course.height_difference_m",
            )
        )
    return tuple(found)


def _warning(code: str, recording: Recording, message: str, fix: str) -> Finding:
    return Finding(severity="warning", code=code, where=recording.name, message=message, fix=fix)
