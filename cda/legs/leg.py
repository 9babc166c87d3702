"""One passage of the timed stretch in one direction, exactly from gate to gate."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Leg:
    """One passage of the timed stretch; arrays of shape (m,), first and last sample at the gates.

    Attributes
    ----------
    session, run, position : str, int, str
        Whose leg this is.
    direction : +1 or -1
        +1 rides from gate A to gate B ("out"), -1 back ("back"). On a loop or track always +1.
    time_s : ndarray
        Recording time; the first and last are interpolated at the gates. [s]
    along_m : ndarray
        Place along the course axis from gate A, rising or falling with the direction. [m]
    speed_m_s : ndarray
        Ground speed. [m/s]
    power_w : ndarray
        Mean over the interval that ends at the sample (the first is unused); NaN missing. [W]
    altitude_m, airspeed_m_s, yaw_deg, heart_rate_bpm : ndarray or None
        As recorded, interpolated at the gates.
    heading_deg : float or None
        Mean direction of travel, clockwise from true north; None without GPS. [deg]
    laps : tuple of int, or None
        First and last lap of the run that this leg is, counted from 1; None out and back.
    bearing_deg : ndarray or None
        Direction of travel round a loop, clockwise from true north; None without GPS. [deg]
    clock_s : float
        Time of the session's first recording at which this leg's recording begins. [s]
    """

    session: str
    run: int
    position: str
    direction: Literal[1, -1]
    time_s: NDArray[np.float64]
    along_m: NDArray[np.float64]
    speed_m_s: NDArray[np.float64]
    power_w: NDArray[np.float64]
    altitude_m: NDArray[np.float64] | None = None
    airspeed_m_s: NDArray[np.float64] | None = None
    yaw_deg: NDArray[np.float64] | None = None
    heart_rate_bpm: NDArray[np.float64] | None = None
    heading_deg: float | None = None
    clock_s: float = 0.0
    laps: tuple[int, int] | None = None
    bearing_deg: NDArray[np.float64] | None = None

    @property
    def start_s(self) -> float:
        """Return when gate to gate began, in time of the session's first recording [s]."""
        return self.clock_s + float(self.time_s[0])

    @property
    def name(self) -> str:
        """Return "out" or "back", or which laps of the run this is."""
        if self.laps is None:
            return "out" if self.direction > 0 else "back"
        first, last = self.laps
        return f"lap {first}" if first == last else f"laps {first}-{last}"
