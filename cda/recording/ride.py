"""One ride as validated samples and laps, in SI units, whatever file it came from.

Times are seconds from the first sample. A missing sample is NaN, a missing channel is None;
neither is ever a zero. `power_w` at a stamp is the mean over the interval that ends there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    import numpy as np
    from numpy.typing import NDArray

    from cda.results import Finding

MAX_SAMPLES: Final = 1_000_000  # 11 days at 1 Hz; more is not a ride, and memory stays bounded

# What a sensor on a bicycle on earth can say; anything outside becomes a missing sample.
# Common practice, no source: wide enough that no real ride is cut.
PLAUSIBLE: Final[Mapping[str, tuple[float, float]]] = {
    "power_w": (0.0, 3000.0),
    "speed_m_s": (0.0, 45.0),
    "distance_m": (0.0, 3.0e6),
    "altitude_m": (-500.0, 9000.0),
    "latitude_deg": (-90.0, 90.0),
    "longitude_deg": (-180.0, 180.0),
    "cadence_rpm": (0.0, 254.0),
    "heart_rate_bpm": (20.0, 250.0),
    "temperature_c": (-50.0, 70.0),
    "airspeed_m_s": (-20.0, 60.0),
    "yaw_deg": (-180.0, 180.0),
}
# As FIT and TCX name them, in lower case; a press, the end of the ride and a lap that says nothing
# are not among them.
AUTOMATIC_TRIGGERS: Final = frozenset(
    {
        "distance", "time", "location", "heart_rate", "position_start", "position_lap",
        "position_waypoint", "position_marked",
    }
)  # fmt: skip
CHANNELS: Final = tuple(PLAUSIBLE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Lap:
    """One lap: number from 1, start and end in recording time [s], what triggered its end."""

    number: int
    start_s: float
    end_s: float
    trigger: str | None = None

    @property
    def automatic(self) -> bool:
        """Return whether the device ended this lap by itself."""
        return self.trigger in AUTOMATIC_TRIGGERS


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
