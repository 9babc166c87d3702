"""The estimate: CdA of each position with its uncertainty, and all that it rests on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from cda.results._export import plain
from cda.results.finding import Finding

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

Interval = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class ValueWithUncertainty:
    """A value with its standard uncertainty (k = 1); `prior_se` is what was believed before."""

    value: float
    se: float | None
    prior_se: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionSummary:
    """What was common to all runs of one test day."""

    key: str
    title: str
    date: str | None
    folder: str
    rider_id: str
    air_density_kg_m3: float
    rolling_resistance: ValueWithUncertainty
    height_difference_m: ValueWithUncertainty
    protocol: str | None = None
    course_kind: str = "out-and-back"
    course_length_m: float | None = None
    mean_headwind_m_s: ValueWithUncertainty | None = None
    duration_min: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PositionEstimate:
    """CdA of one position: the mean over all takings of that position.

    `cda_m2` is without the drag area of the turning wheels, `cda_with_wheels_m2` with it [m^2].
    `statistical_dof` belongs to `statistical_se_m2`, `dof` to the combined `se_m2`.
    """

    id: str
    label: str
    reference: bool
    runs: int
    legs: int
    cda_m2: float
    cda_with_wheels_m2: float
    se_m2: float
    statistical_se_m2: float
    statistical_dof: float
    systematic_se_m2: float
    dof: float
    interval_m2: Interval
    cue: str | None = None
    photo: str | None = None
    hold_share: float | None = None
    power_cost_w: float | None = None
    power_cost_sd_w: float | None = None
    comfort: float | None = None
    mean_power_w: float | None = None
    mean_speed_m_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """CdA of `position` minus CdA of `reference`, with what is common cancelled [m^2].

    `simultaneous_interval_m2` and `adjusted_p` hold for all comparisons of the estimate together,
    by the method that `adjustment` names; everything else is for this comparison alone.
    """

    position: str
    reference: str
    delta_cda_m2: float
    se_m2: float
    dof: float
    interval_m2: Interval
    simultaneous_interval_m2: Interval
    adjusted_p: float
    probability_lower_drag: float
    resolved: bool
    smallest_resolvable_m2: float
    statistical_se_m2: float | None = None
    systematic_se_m2: float | None = None
    probability_best: float | None = None
    verdict: str = ""
    more_runs: Mapping[str, object] | None = None
    adjustment: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunEstimate:
    """One run's own CdA, not shrunk towards its position; `se_m2` without the systematic part."""

    session: str
    run: int
    position: str
    cda_m2: float | None
    se_m2: float | None
    used: bool
    reason: str | None = None
    heart_rate_bpm: float | None = None
    start_s: float | None = None
    legs: int = 0
    mean_power_w: float | None = None
    mean_speed_m_s: float | None = None
    comfort: float | None = None
    note: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LegWind:
    """Wind along the road that one leg met, as estimated; positive slows the rider [m/s]."""

    session: str
    run: int
    leg: str
    headwind_m_s: float
    se_m_s: float | None
    start_s: float | None = None
    mean_speed_m_s: float | None = None
    mean_power_w: float | None = None
    residual_m2: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Variance:
    """Estimated standard deviations of the random parts."""

    run_to_run_sd_m2: float | None
    leg_sd_m2: float | None
    day_to_day_sd_m2: float | None
    slow_wind_sd_m_s: float | None = None
    slow_wind_time_s: float | None = None
    gust_sd_m_s: float | None = None
    gust_time_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetLine:
    """Contribution of one source to every position and every difference, as k = 1 [m^2].

    Keys of `differences` are "position-reference". The lines of one column add up in squares to
    the stated uncertainty.
    """

    source: str
    positions: Mapping[str, float]
    differences: Mapping[str, float]
    kind: str = "systematic"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Joint:
    """Joint distribution of positions and shared inputs, for whatever is computed from them.

    Attributes
    ----------
    names : tuple of str
        Position ids, then `rolling_resistance`, `power_scale`, `power_offset_w`,
        `rider_mass_kg`, `bike_mass_kg`, `drivetrain_efficiency`.  Scales are true over recorded.
    mean, covariance : ndarray, shape (n,), (n, n)
        In the units of the names; CdA in m^2, without the turning wheels.
    statistical_covariance : ndarray, shape (n, n)
        The part of `covariance` that comes from replication; it has `statistical_dof`
        degrees of freedom, the rest is treated as normal.
    dof : tuple of float or None
        Degrees of freedom of each name's own uncertainty; None means normal.
    constants : mapping
        Inputs taken without uncertainty: `wheel_drag_area_m2`, `bearing_drag_n`,
        `bearing_drag_n_s_m`, `wheel_inertia_kg_m2`, `wheel_radius_m`, `gravity_m_s2`.
    """

    names: tuple[str, ...]
    mean: NDArray[np.float64]
    covariance: NDArray[np.float64]
    statistical_covariance: NDArray[np.float64]
    statistical_dof: float
    dof: tuple[float | None, ...]
    constants: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Make the arrays read-only; `frozen` alone does not."""
        for array in (self.mean, self.covariance, self.statistical_covariance):
            array.flags.writeable = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LegCurve:
    """Virtual elevation of one leg minus the shared road height, along the course axis.

    `distance_m` runs from gate A; `virtual_minus_shared_m` is 0 where the leg enters;
    its last value in riding order is the closing error.  Shapes (k,).
    """

    session: str
    run: int
    position: str
    leg: str
    distance_m: NDArray[np.float64]
    virtual_minus_shared_m: NDArray[np.float64]
    closing_error_m: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoadProfile:
    """Shared road height between the gates, relative to gate A.  Shapes (k,)."""

    session: str
    distance_m: NDArray[np.float64]
    elevation_m: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class InputFile:
    """A file the result rests on, so that the result can be made again."""

    name: str
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Estimate:
    """CdA of every position with its uncertainty, the differences, and what they rest on."""

    cda_version: str
    level: float
    sessions: tuple[SessionSummary, ...]
    positions: tuple[PositionEstimate, ...]
    differences: tuple[Difference, ...]
    runs: tuple[RunEstimate, ...]
    wind: tuple[LegWind, ...]
    variance: Variance
    budget: tuple[BudgetLine, ...]
    joint: Joint
    findings: tuple[Finding, ...]
    inputs: tuple[InputFile, ...]
    settings: Mapping[str, object]
    software: Mapping[str, str]
    curves: tuple[LegCurve, ...] = ()
    profiles: tuple[RoadProfile, ...] = ()
    schema: int = 1
    kind: str = "estimate"

    @property
    def reference(self) -> str:
        """Return the id of the position that all differences are against."""
        return next(p.id for p in self.positions if p.reference)

    def position(self, position_id: str) -> PositionEstimate:
        """Return the estimate of one position; KeyError if it was not tested."""
        for position in self.positions:
            if position.id == position_id:
                return position
        raise KeyError(position_id)

    def difference(self, position_id: str) -> Difference:
        """Return the difference of one position against the reference."""
        for difference in self.differences:
            if difference.position == position_id and difference.reference == self.reference:
                return difference
        raise KeyError(position_id)

    def to_dict(self) -> dict[str, object]:
        """Return the document that `cda fit --json` prints; curves and profiles are left out."""
        return {
            "schema": self.schema,
            "kind": self.kind,
            **{
                name: plain(getattr(self, name))
                for name in (
                    "cda_version",
                    "level",
                    "sessions",
                    "positions",
                    "differences",
                    "runs",
                    "wind",
                    "variance",
                    "budget",
                    "joint",
                    "findings",
                    "inputs",
                    "settings",
                    "software",
                )
            },
        }

    def to_frame(self) -> pd.DataFrame:
        """Return one row a position, the difference against the reference beside it."""
        import pandas as pd

        rows = []
        for position in self.positions:
            row = plain(position)
            assert isinstance(row, dict)
            row["interval_low_m2"], row["interval_high_m2"] = row.pop("interval_m2")
            delta = None if position.reference else self.difference(position.id)
            row["delta_cda_m2"] = 0.0 if delta is None else delta.delta_cda_m2
            row["delta_se_m2"] = None if delta is None else delta.se_m2
            rows.append(row)
        return pd.DataFrame(rows).set_index("id")

    def __str__(self) -> str:
        """Return the tables that `cda fit` prints."""
        from cda.results.text import estimate_text

        return estimate_text(self)
