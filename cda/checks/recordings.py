"""Findings about one recording, before anything is known of the test."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cda.checks import thresholds as limit
from cda.results import Finding
from cda.sensors import distance_by_satellite, power_zero, power_zero_drift

if TYPE_CHECKING:
    from collections.abc import Iterator

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
    elif distance_by_satellite(recording):
        found.append(
            _warning(
                "speed-from-gps",
                recording,
                "the recorded distance repeats the satellite positions step by step, so speed is "
                "by satellite too: smoothed, late, and every percent of it is 0.0095 m² of CdA",
                "fit a wheel speed sensor",
            )
        )
    found += _power_zero(recording)
    automatic = [lap.number for lap in recording.laps if lap.automatic]
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


def _power_zero(recording: Recording) -> Iterator[Finding]:
    """Yield what the power meter shows while nobody pedals, where it does not zero itself."""
    zero, drift = power_zero(recording), power_zero_drift(recording)
    if zero is not None and abs(zero.value) > max(limit.ZERO_OFF_W, 3.0 * (zero.se or 0.0)):
        yield _warning(
            "power-zero-off", recording,
            f"the power meter shows {zero.value:.0f} W while coasting",
            "zero it before the ride, at the air's temperature",
        )  # fmt: skip
    if drift is None or drift.se is None:
        return
    if abs(drift.value) > max(limit.POWER_DRIFT_W_H, limit.POWER_DRIFT_SE * drift.se):
        yield _warning(
            "power-zero-drifting", recording,
            f"the power shown while coasting changes by {drift.value:+.1f} W an hour",
            "zero the power meter between runs; set power_meter.offset_drift_sd_w_per_h",
        )  # fmt: skip


def _warning(code: str, recording: Recording, message: str, fix: str) -> Finding:
    return Finding(severity="warning", code=code, where=recording.name, message=message, fix=fix)
