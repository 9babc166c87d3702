"""One ride as validated samples and laps, in SI units, whatever file it came from.

Times are seconds from the first sample. A missing sample is NaN, a missing channel is None;
neither is ever a zero. `power_w` at a stamp is the mean over the interval that ends there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import datetime

    import numpy as np
    from numpy.typing import NDArray

    from cda.results import Finding


@dataclass(frozen=True, slots=True, kw_only=True)
class Lap:
    """One lap: number from 1, start and end in recording time [s], what triggered its end."""

    number: int
    start_s: float
    end_s: float
    trigger: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Recording:
    """Samples of one ride; arrays of shape (n,), read-only, `time_s` strictly increasing.

    Attributes
    ----------
    name : str
        File name without folder.
    sha256 : str
        Of the file's bytes as they lie on disk.
    format : str
        "fit", "tcx", "gpx" or "csv".
    start_utc : datetime or None
        Aware UTC time of `time_s` = 0; None where the file has only seconds.
    utc_offset_s : float or None
        Local time minus UTC as the file gives it. [s]
    own_time_start_s : float or None
        For files with `time_s`: the file's own time of the first sample, so that a run sheet
        can speak the file's seconds. [s]
    speed_source, distance_source : str
        "recorded", or what it was derived from.
    findings : tuple of Finding
        What was repaired, left out, converted or is doubtful in the file.
    """

    name: str
    sha256: str
    format: str
    time_s: NDArray[np.float64]
    power_w: NDArray[np.float64]
    speed_m_s: NDArray[np.float64]
    distance_m: NDArray[np.float64]
    altitude_m: NDArray[np.float64] | None = None
    latitude_deg: NDArray[np.float64] | None = None
    longitude_deg: NDArray[np.float64] | None = None
    cadence_rpm: NDArray[np.float64] | None = None
    heart_rate_bpm: NDArray[np.float64] | None = None
    temperature_c: NDArray[np.float64] | None = None
    airspeed_m_s: NDArray[np.float64] | None = None
    yaw_deg: NDArray[np.float64] | None = None
    laps: tuple[Lap, ...] = ()
    start_utc: datetime | None = None
    utc_offset_s: float | None = None
    own_time_start_s: float | None = None
    speed_source: str = "recorded"
    distance_source: str = "recorded"
    findings: tuple[Finding, ...] = ()
