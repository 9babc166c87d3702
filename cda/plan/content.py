"""A plan: what is ridden in which order, and the precision to expect of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from cda.results.text import table

if TYPE_CHECKING:
    from cda.plan.order import RunOrder
    from cda.plan.protocol import Protocol
    from cda.precision import Expectation
    from cda.results import Finding

TABLE_WIND_M_S: Final = (0.4, 1.0, 2.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedPosition:
    """One position: its id, and what the rider does, in words."""

    id: str
    label: str


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
    """Another length of the stretch in the same time: runs of each position, and what they show."""

    length_m: float
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
    seconds_per_m2 : float or None
        At the race, where one is given. [s/m^2]
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
    table: tuple[TableRow, ...]
    question_m2: float
    asked: bool
    wind_limit_m_s: float | None
    answer: tuple[str, ...] = ()
    lengths: tuple[LengthRow, ...] = ()
    seconds_per_m2: float | None = None
    race_name: str | None = None
    findings: tuple[Finding, ...] = ()

    def label(self, position: str) -> str:
        """Return a position's words."""
        return next(p.label for p in self.positions if p.id == position)

    def seconds(self, area_m2: float) -> str:
        """Return an area as seconds at the race, empty where there is none."""
        if self.seconds_per_m2 is None:
            return ""
        return f" ({area_m2 * self.seconds_per_m2:.0f} s at {self.race_name})"

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
                "smallest_resolvable_m2": e.smallest_resolvable_m2,
            },
            "seconds_per_m2": self.seconds_per_m2,
            "table": [
                {
                    "runs": row.runs,
                    "duration_min": row.minutes,
                    "wind_m_s": list(TABLE_WIND_M_S),
                    "smallest_resolvable_m2": list(row.smallest_m2),
                }
                for row in self.table
            ],
            "lengths": [
                {"length_m": x.length_m, "runs": x.runs, "smallest_resolvable_m2": x.smallest_m2}
                for x in self.lengths
            ],
            "question_m2": self.question_m2,
            "wind_limit_m_s": self.wind_limit_m_s,
            "answer": list(self.answer),
            "findings": [f.to_dict() for f in self.findings],
        }

    def __str__(self) -> str:
        """Return what `cda plan` prints."""
        n = len(self.positions)
        lines = [
            f"{self.protocol.title}: {n} position{'s' * (n > 1)}, {self.runs_per_position} runs of "
            f"each, {self.length_m:g} m, about {self.duration_min:.0f} min with turns and rests "
            "(warming up apart).",
            self.order.imbalance_words(),
            *self.answer,
        ]
        e = self.expectation
        if (
            e is not None
            and e.difference_se_m2 is not None
            and e.smallest_resolvable_m2 is not None
        ):
            lines += [
                "",
                f"To expect in wind of {self.wind_m_s:g} m/s at rider height, gusts "
                f"{e.design.gust_sd_m_s:.1f} m/s (k = 1):",
                f"  a position  ± {max(e.position_se_m2):.4f} m²   a difference  "
                f"± {e.difference_se_m2:.4f} m²{self.seconds(e.difference_se_m2)}",
                f"  smallest difference shown in 80 of 100 tests: {e.smallest_resolvable_m2:.4f} m²"
                f"{self.seconds(e.smallest_resolvable_m2)}",
                "",
                "Smallest difference shown in 80 of 100 tests [m²], by runs of each position and "
                "wind:",
            ]
            rows = [
                (
                    f"{row.runs}" + (" (this plan)" if row.runs == self.runs_per_position else ""),
                    f"{row.minutes:.0f}",
                    *("" if x is None else f"{x:.4f}" for x in row.smallest_m2),
                )
                for row in self.table
            ]
            lines += table(("runs", "min", *(f"{w:g} m/s" for w in TABLE_WIND_M_S)), rows)
            lines.append(
                "Gusts are those usual with that wind, run-to-run scatter "
                f"{e.design.run_to_run_sd_m2:g} m² (common practice, no source)."
            )
        if self.lengths:
            lines += ["", "The same time with another length of the stretch:"]
            lines += table(
                ("m", "runs", "shown m²"),
                [(f"{x.length_m:g}", str(x.runs), f"{x.smallest_m2:.4f}") for x in self.lengths],
            )
        return "\n".join(lines)
