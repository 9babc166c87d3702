"""A plan: what is ridden in which order, and the precision to expect of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cda.plan.order import RunOrder
    from cda.plan.protocol import Protocol
    from cda.precision import Expectation
    from cda.results import Finding

TABLE_WIND_M_S: Final = (0.4, 1.0, 2.5)
TABLE_RUNS: Final = (3, 6, 10)  # rows that are printed, beside the plan's own


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedPosition:
    """One position: its id, and what the rider does, in words.

    `reference` None: not said, the first is it.
    """

    id: str
    label: str
    cue: str | None = None
    reference: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedRun:
    """One run of the sheet; `minute` is when it begins, counted from the first."""

    run: int
    position: str
    power_w: float
    minute: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TableRow:
    """Smallest difference resolved with 80 % power by so many runs, in each wind of the table."""

    runs: int
    minutes: float
    smallest_m2: tuple[float | None, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LengthRow:
    """Another stretch in the same time: runs of each position, and what they show.

    On a loop or track the lap is what it is, and `laps_per_run` is what can be chosen.
    """

    length_m: float
    runs: int
    smallest_m2: float
    laps_per_run: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ListRow:
    """A shorter list of positions in the same time: runs of each, and what they show."""

    positions: int
    runs: int
    smallest_m2: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plan:
    """A planned test.

    Attributes
    ----------
    question_m2 : float
        The difference that the test is to show. [m^2]
    asked : bool
        Whether somebody asked for it; otherwise it is a usual size.
    wind_limit_m_s : float or None
        Mean wind at rider height up to which the question can be answered with 80 % power; None
        where it cannot even in calm air, or precision is not worked out for this kind of course.
    answer : tuple of str
        To --resolve: what it takes, or why it cannot be had and what would help.
    smallest_resolvable_m2 : float or None
        In the weather expected, what earlier days know counted in. [m^2]
    table_wind_m_s : tuple of float or None
        Columns of the table; None is the weather of last time. [m/s]
    lengths, lists : tuple
        The same time with other lengths of the stretch, and with shorter lists of positions.
    seconds_per_m2 : float or None
        At the race, where one is given. [s/m^2]
    settings : mapping or None
        Tables taken over from an earlier test.
    last_time, questions : tuple
        What an earlier test left undecided, in words and for --json.
    """

    protocol: Protocol
    positions: tuple[PlannedPosition, ...]
    order: RunOrder
    runs: tuple[PlannedRun, ...]
    runs_per_position: int
    length_m: float
    duration_min: float
    wind_m_s: float
    seed: int
    expectation: Expectation | None
    smallest_resolvable_m2: float | None
    table: tuple[TableRow, ...]
    table_wind_m_s: tuple[float | None, ...]
    question_m2: float
    asked: bool
    wind_limit_m_s: float | None
    answer: tuple[str, ...] = ()
    lengths: tuple[LengthRow, ...] = ()
    lists: tuple[ListRow, ...] = ()
    seconds_per_m2: float | None = None
    race_name: str | None = None
    settings: Mapping[str, Any] | None = None
    last_time: tuple[str, ...] = ()
    questions: tuple[Mapping[str, object], ...] = ()
    findings: tuple[Finding, ...] = ()

    def label(self, position: str) -> str:
        """Return a position's words for the rider: its cue where there is one."""
        return next(p.cue or p.label for p in self.positions if p.id == position)

    @property
    def reference(self) -> str:
        """Return the id of the position that all differences are against."""
        return next((p.id for p in self.positions if p.reference), self.positions[0].id)

    def seconds(self, area_m2: float) -> str:
        """Return an area as seconds at the race, empty where there is none."""
        if self.seconds_per_m2 is None:
            return ""
        return f" ({area_m2 * self.seconds_per_m2:.0f} s at the race)"

    def to_dict(self) -> dict[str, object]:
        """Return the document that `cda plan --json` prints."""
        e = self.expectation
        return {
            "schema": 1,
            "kind": "plan",
            "protocol": self.protocol.id,
            "positions": [{"id": p.id, "label": p.label} for p in self.positions],
            "runs": [
                {"run": r.run, "position": r.position, "power_w": r.power_w} for r in self.runs
            ],
            "runs_per_position": self.runs_per_position,
            "length_m": self.length_m,
            "duration_min": self.duration_min,
            "wind_m_s": self.wind_m_s,
            "seed": self.seed,
            "imbalance": {
                "correlation_with_time": list(self.order.with_time),
                "correlation_with_time_squared": list(self.order.with_time_squared),
                "repeats": self.order.repeats,
            },
            "expected": None
            if e is None
            else {
                "position_se_m2": [float(x) for x in e.position_se_m2],
                "difference_se_m2": e.difference_se_m2,
                "dof": e.dof,
                "smallest_resolvable_m2": self.smallest_resolvable_m2,
            },
            "seconds_per_m2": self.seconds_per_m2,
            "table": [
                {
                    "runs": row.runs,
                    "duration_min": row.minutes,
                    "wind_m_s": list(self.table_wind_m_s),
                    "smallest_resolvable_m2": list(row.smallest_m2),
                }
                for row in self.table
            ],
            "lengths": [
                {
                    "length_m": x.length_m,
                    "laps_per_run": x.laps_per_run,
                    "runs": x.runs,
                    "smallest_resolvable_m2": x.smallest_m2,
                }
                for x in self.lengths
            ],
            "lists": [
                {
                    "positions": x.positions,
                    "runs": x.runs,
                    "smallest_resolvable_m2": x.smallest_m2,
                }
                for x in self.lists
            ],
            "undecided": [dict(q) for q in self.questions],
            "question_m2": self.question_m2,
            "wind_limit_m_s": self.wind_limit_m_s,
            "answer": list(self.answer),
            "findings": [f.to_dict() for f in self.findings],
        }

    def __str__(self) -> str:
        """Return what `cda plan` prints."""
        from cda.plan.words import plan_text

        return plan_text(self)
