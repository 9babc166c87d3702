"""A season: many tests, and for every rider the trend of each position from day to day."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from cda.results._export import plain
from cda.results.estimate import Interval
from cda.results.finding import Finding

Standing = Literal["settled", "retest", "set aside"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SeasonTest:
    """One test folder of the archive.

    Attributes
    ----------
    folder : str
        Path below the folder that was searched, with forward slashes.
    state : {"done", "bad", "fault"}
        "bad": the files have to be mended; "fault": the program failed, it is tried again.
    counted : bool
        Whether the season's trends rest on it.
    reason : str or None
        Why not, or what is wrong with it.
    fix : str or None
        What to do about it.
    """

    folder: str
    state: Literal["done", "bad", "fault"]
    counted: bool
    title: str | None = None
    date: str | None = None
    rider_id: str | None = None
    bike_id: str | None = None
    power_meter_id: str | None = None
    positions: int = 0
    runs_used: int = 0
    runs_left_out: int = 0
    run_to_run_sd_m2: float | None = None
    warnings: int = 0
    notes: int = 0
    reason: str | None = None
    fix: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SeasonPoint:
    """CdA of a position on one day; `statistical_se_m2` is without what the days share."""

    folder: str
    date: str
    cda_m2: float
    statistical_se_m2: float
    off_the_line_sd: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LinePoint:
    """A position's line on one day; the interval is without what the days share [m^2]."""

    date: str
    cda_m2: float
    interval_m2: Interval


@dataclass(frozen=True, slots=True, kw_only=True)
class SeasonPosition:
    """One position of one rider over the season.

    Attributes
    ----------
    cda_m2, se_m2, dof, interval_m2
        The season's line on the day of the position's newest test; `se_m2` holds what all days
        share (power meter, tyres, masses), `statistical_se_m2` does not. [m^2]
    change_per_30_days_m2 : float or None
        Slope of the line; what the days share cancels in it. None: fewer than three days.
    standing : {"settled", "retest", "set aside"}
    reasons : tuple of str
        Why it stands so.
    """

    id: str
    label: str
    reference: bool
    tests: int
    days: int
    first_date: str
    last_date: str
    cda_m2: float
    se_m2: float
    statistical_se_m2: float
    dof: float
    interval_m2: Interval
    change_per_30_days_m2: float | None
    change_se_m2: float | None
    change_dof: float | None
    change_interval_m2: Interval | None
    standing: Standing
    reasons: tuple[str, ...]
    points: tuple[SeasonPoint, ...]
    line: tuple[LinePoint, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SeasonDifference:
    """CdA of `position` minus CdA of `reference` over the days on which both were ridden [m^2].

    `on_date` is the middle of those days, where the two lines are compared. In the difference,
    and in its change, what a day does to all positions alike cancels too.
    """

    position: str
    reference: str
    tests: int
    on_date: str
    delta_cda_m2: float
    se_m2: float
    dof: float
    interval_m2: Interval
    probability_lower_drag: float
    resolved: bool
    change_per_30_days_m2: float | None
    change_se_m2: float | None
    change_dof: float | None
    change_interval_m2: Interval | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Scatter:
    """A standard deviation from day to day with its interval; `prior_median_m2` was believed."""

    sd_m2: float
    interval_m2: Interval
    prior_median_m2: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RiderSeason:
    """One rider on one bike with one power meter: what these share cancels in trends."""

    rider_id: str
    bike_id: str
    power_meter_id: str
    reference: str
    tests: int
    days: int
    first_date: str
    last_date: str
    day_to_day: Scatter
    position_by_day: Scatter
    positions: tuple[SeasonPosition, ...]
    differences: tuple[SeasonDifference, ...]

    def change_judged(self, position: SeasonPosition) -> tuple[float, Interval] | None:
        """Return the change in 30 days that the verdict rests on, with its interval, or None.

        Against today's position, where what a day does to all alike cancels; for today's position,
        and where the two were not ridden side by side, its own change. [m^2]
        """
        beside = next((d for d in self.differences if d.position == position.id), None)
        of = position if beside is None else beside
        if of.change_per_30_days_m2 is None or of.change_interval_m2 is None:
            return None
        return of.change_per_30_days_m2, of.change_interval_m2


@dataclass(frozen=True, slots=True, kw_only=True)
class Season:
    """Every test below a folder, and the season of every rider in it."""

    cda_version: str
    level: float
    folder: str
    archive: str
    computed: int
    unchanged: int
    tests: tuple[SeasonTest, ...]
    riders: tuple[RiderSeason, ...]
    findings: tuple[Finding, ...]
    schema: int = 1
    kind: str = "season"

    def to_dict(self) -> dict[str, object]:
        """Return the document that `cda archive --json` prints."""
        first = {"schema": self.schema, "kind": self.kind}
        document = plain(self)
        assert isinstance(document, dict)
        return first | {k: v for k, v in document.items() if k not in first}

    def __str__(self) -> str:
        """Return the tables that `cda archive` prints."""
        from cda.results.season_text import season_text

        return season_text(self)
