"""The legs of one session, how they were found, and what gave none."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cda.legs.leg import Leg
    from cda.legs.passages import Passage
    from cda.recording import Recording
    from cda.results import Finding
    from cda.session import Session


@dataclass(frozen=True, slots=True, kw_only=True)
class ExcludedRun:
    """A run that gives no leg, and why."""

    run: int
    position: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LegSet:
    """The legs of one session and how they were found.

    Attributes
    ----------
    legs : tuple of Leg
        In riding order.
    length_m : float
        Gate A to gate B, or one lap, by the wheel. [m]
    bearing_deg : float or None
        Direction A to B, clockwise from true north; None round a loop. [deg]
    placed_by : "gps", "turns", "distance" or "laps"
        Laps: by satellite positions at a start line, by their known length, or by lap presses.
    excluded : tuple of ExcludedRun
    findings : tuple of Finding
    kind : "out-and-back", "loop" or "track"
    """

    legs: tuple[Leg, ...]
    length_m: float
    bearing_deg: float | None
    placed_by: Literal["gps", "turns", "distance", "laps"]
    excluded: tuple[ExcludedRun, ...]
    findings: tuple[Finding, ...]
    kind: Literal["out-and-back", "loop", "track"] = "out-and-back"


def not_used(session: Session) -> list[ExcludedRun]:
    """Return the runs of the sheet that were set aside or not ridden."""
    excluded = []
    for run in session.runs:
        if not run.use:
            reason = "set aside on the run sheet" + (f": {run.note}" if run.note else "")
        elif not run.spans:
            reason = "not ridden (no laps or times)"
        else:
            continue
        excluded.append(ExcludedRun(run=run.run, position=run.position, reason=reason))
    return excluded


def without_legs(passage: Passage, excluded: Sequence[ExcludedRun]) -> list[ExcludedRun]:
    """Return the entry for a run none of whose legs is usable, unless it has one."""
    if any(e.run == passage.run for e in excluded):
        return []
    reason = "none of its legs is usable"
    return [ExcludedRun(run=passage.run, position=passage.position, reason=reason)]


def session_clock(recordings: Sequence[Recording]) -> list[float]:
    """Return the time of the first recording at which each recording begins [s].

    Recordings that do not know when they began are taken one after the other as listed.
    """
    clock: list[float] = []
    for recording in recordings:
        first = recordings[0]
        if not clock:
            clock.append(0.0)
        elif recording.start_utc is not None and first.start_utc is not None:
            clock.append((recording.start_utc - first.start_utc).total_seconds())
        else:
            before = recordings[len(clock) - 1]
            clock.append(clock[-1] + float(before.time_s[-1]))
    return clock
