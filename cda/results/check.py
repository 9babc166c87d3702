"""What a check found: runs with a mark each, stretches ridden both ways, reasons for doubt."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from cda.results._export import plain

if TYPE_CHECKING:
    import pandas as pd

    from cda.results.finding import Finding

Mark = Literal["good", "doubtful", "spoiled", "set aside", "not ridden"]
# Read without colour, and aloud.
SIGNS: Final[dict[str, str]] = {
    "good": "+", "doubtful": "?", "spoiled": "x", "set aside": "o", "not ridden": " ",
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingFigures:
    """What one recording holds; None: not recorded."""

    name: str
    format: str
    duration_min: float
    samples: int
    distance_km: float
    laps: int
    mean_power_w: float | None
    samples_without_power: int
    sha256: str = ""
    altitude_low_m: float | None = None
    altitude_high_m: float | None = None
    has_positions: bool = False
    has_airspeed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedRun:
    """One row of the run sheet and what is thought of it; speeds and powers are means.

    `minute` is when its laps or times begin, in time of the session's first recording.
    """

    run: int
    position: str
    mark: Mark
    legs: int
    minute: float | None = None
    mean_speed_m_s: float | None = None
    mean_power_w: float | None = None
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedLeg:
    """One leg between the gates; `leg` is "out" or "back".

    `start_s` is in time of the session's first recording. `energy_off` is by how much the leg
    took more energy than the legs of its direction usually do, as a share of their work; None
    where there are too few legs to tell.
    """

    run: int
    position: str
    leg: str
    start_s: float
    duration_s: float
    length_m: float
    mean_power_w: float | None
    mean_speed_m_s: float
    energy_off: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedPass:
    """One passage of a stretch, "out" (ridden first) or "back"; `start_s` in recording time."""

    leg: str
    start_s: float
    duration_s: float
    mean_speed_m_s: float
    mean_power_w: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedStretch:
    """A stretch ridden both ways, by its place in the ride; `fitness` 0 to 1, best first."""

    recording: str
    from_km: float
    to_km: float
    length_m: float
    out: int
    back: int
    mean_speed_m_s: float
    relief_m: float | None
    straightness: float | None
    steadiness: float
    fitness: float
    found_by: str
    passes: tuple[CheckedPass, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedSensor:
    """One sensor against another; `se` is k = 1, `what` says in words what the value is."""

    quantity: str
    value: float
    se: float | None
    unit: str
    what: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckReport:
    """A test folder or a bare recording, checked.

    Attributes
    ----------
    length_m : float or None
        Of the timed stretch. [m]
    first, rest : tuple of Finding
        Findings shown first, by what is at stake, and the others.
    at_stake_s_per_h : tuple of float or None
        For each finding of `first`, what such a fault typically leaves in a difference of two
        positions, as seconds in an hour of racing; None where that is not known.
    ride_again : tuple of int
        Runs that are spoiled.
    """

    subject: str
    what: Literal["session", "recording"]
    recordings: tuple[RecordingFigures, ...]
    runs: tuple[CheckedRun, ...] = ()
    legs: tuple[CheckedLeg, ...] = ()
    length_m: float | None = None
    stretches: tuple[CheckedStretch, ...] = ()
    sensors: tuple[CheckedSensor, ...] = ()
    first: tuple[Finding, ...] = ()
    rest: tuple[Finding, ...] = ()
    ride_again: tuple[int, ...] = ()
    at_stake_s_per_h: tuple[float | None, ...] = ()
    schema: int = 1
    kind: str = "check"

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Return all findings, those that matter most first."""
        return (*self.first, *self.rest)

    def to_dict(self) -> dict[str, object]:
        """Return the document that `cda check --json` prints."""
        names = (
            "schema", "kind", "subject", "what", "recordings", "runs", "legs", "length_m",
            "stretches", "sensors", "ride_again", "findings", "at_stake_s_per_h",
        )  # fmt: skip
        return {name: plain(getattr(self, name)) for name in names}

    def to_frame(self) -> pd.DataFrame:
        """Return one row a run, or one row a stretch where there is no run sheet."""
        import pandas as pd

        return pd.DataFrame([plain(row) for row in (self.runs or self.stretches)])

    def __str__(self) -> str:
        """Return the screen that `cda check` prints."""
        from cda.results.check_text import check_text

        return check_text(self)
