"""Runs cut into laps of one loop: from start line to start line, or by the lap's length.

Where a lap begins does not matter for its energy: it ends at the same height. So laps are cut by
the wheel, each as long as the mean lap of all runs. Satellite positions, where there are any, tell
that length and lay all runs on one start line; without them the lap's known length does, or lap
presses. On a short track a leg is as many whole laps as make some hundred metres: what is uncertain
at a gate counts once a leg.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from cda.errors import EstimationError
from cda.legs.between_gates import Placed, cut_at_gates
from cda.legs.leg_set import ExcludedRun, LegSet, not_used, session_clock, without_legs
from cda.legs.passages import filled, find_passages
from cda.legs.start_line import laps_by_gps
from cda.results import Finding

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from cda.legs.leg import Leg
    from cda.legs.passages import Passage
    from cda.session import Run, Session

    Floats = NDArray[np.float64]

PRESS_SLACK_S: Final = 8.0  # a press may be this far from the line
TOUCHING_S: Final = 3.0  # laps of one run that lie closer are ridden without a stop
GATE_SLACK_M: Final = 2.0
LEAST_LEG_M: Final = 600.0  # shorter laps are put together
LAP_MISMATCH: Final = 0.02  # relative, given lap against the recorded one


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Laps ridden without a stop, in recorded metres.

    `start_m`, `end_m` are the presses or the ends of steady riding; laps may reach from `low_m`
    to `high_m`. `pressed` is the number of laps pressed, 0 where none were.
    """

    passage: Passage
    start_m: float
    end_m: float
    low_m: float
    high_m: float
    pressed: int


def cut_laps(session: Session) -> LegSet:
    """Cut every used run on a loop or track into laps; see `cut_legs`."""
    course = session.settings.course
    excluded, stretches = not_used(session), []
    for run in session.runs:
        if run.use and run.spans:
            found = stretches_of(session, run)
            if not found:
                reason = "nothing is ridden in its laps or times"
                excluded.append(ExcludedRun(run=run.run, position=run.position, reason=reason))
            stretches += found
    if not stretches:
        raise EstimationError(
            "no run has been ridden: every row is empty, set aside, or holds no riding",
            where="runs.csv",
            fix="fill in laps, or start and end, of the runs that were ridden",
        )
    placed_by: Literal["gps", "distance", "laps"] = "gps"
    line = laps_by_gps(session, stretches)
    if line is not None:
        lap_m, anchors = line.lap_m, list(line.anchor_m)
        counts = [_whole_laps(s, a, lap_m) for s, a in zip(stretches, anchors, strict=True)]
    else:
        placed_by, lap_m = _lap_length(session, stretches)
        placed = [_by_length(s, lap_m) for s in stretches]
        anchors, counts = [a for a, _ in placed], [(0, n) for _, n in placed]
    findings = _lap_findings(session, lap_m, stretches)
    legs: list[Leg] = []
    clock = session_clock(session.recordings)
    for stretch, anchor, (first, last) in zip(stretches, anchors, counts, strict=True):
        passage = stretch.passage
        if anchor is None or last - first < 1:
            reason = (
                "it does not come round over the other runs' start line, in their direction"
                if anchor is None
                else f"it holds no whole lap of {lap_m:.0f} m ridden without braking"
            )
            excluded.append(ExcludedRun(run=passage.run, position=passage.position, reason=reason))
            continue
        done = max((leg.laps[1] for leg in legs if leg.run == passage.run and leg.laps), default=0)
        for group in _groups(last - first, lap_m):
            low, high = (first + group[0]) * lap_m, (first + group[1]) * lap_m
            item = Placed(
                passage=passage,
                direction=1,
                offset_m=-anchor,
                low_m=stretch.low_m - anchor,
                high_m=stretch.high_m - anchor,
            )
            leg, reason = cut_at_gates(session, item, low, high)
            laps = (done + group[0] + 1, done + group[1])
            if leg is None:
                findings.append(_left_out(session, passage, laps, reason))
                continue
            bearing = None if line is None else line.bearing_deg(leg.along_m)
            start = clock[passage.recording]
            legs.append(replace(leg, clock_s=start, laps=laps, bearing_deg=bearing))
        if all(leg.run != passage.run for leg in legs):
            excluded += without_legs(passage, excluded)
    if not legs:
        raise EstimationError(
            "no lap is usable",
            where="runs.csv",
            fix="see cda check for what is wrong with each run, and check course.lap_length_m",
        )
    legs.sort(key=lambda leg: leg.start_s)
    used = {leg.run for leg in legs}
    return LegSet(
        legs=tuple(legs),
        length_m=lap_m,
        bearing_deg=None,
        placed_by=placed_by,
        excluded=tuple(sorted((e for e in excluded if e.run not in used), key=lambda e: e.run)),
        findings=tuple(findings),
        kind=course.kind,
    )


def stretches_of(session: Session, run: Run) -> list[Stretch]:
    """Return what a run rode without a stop; laps pressed one after the other are one stretch."""
    recording = session.recordings[run.recording]
    joined: list[list[tuple[float, float]]] = []
    for span in run.spans:
        if joined and span[0] - joined[-1][-1][1] <= TOUCHING_S:
            joined[-1].append(span)
        else:
            joined.append([span])
    pressed = run.spans_from == "laps"
    slack = PRESS_SLACK_S if pressed else 0.0
    distance = filled(recording.distance_m)
    found = []
    for spans in joined:
        start, end = spans[0][0], spans[-1][1]
        passages = find_passages(
            recording,
            ((start - slack, end + slack),),
            run=run.run,
            position=run.position,
            index=run.recording,
        )
        if not passages:
            continue
        passage = max(passages, key=lambda p: distance[p.last] - distance[p.first])
        steady = float(distance[passage.steady_first]), float(distance[passage.steady_last])
        ends = np.interp([start, end], recording.time_s, distance)
        # A press says that the run has begun: speeding up after it is in the kinetic energy.
        low = float(distance[passage.first]) if pressed else steady[0]
        found.append(
            Stretch(
                passage=passage,
                start_m=max(float(ends[0]), low) if pressed else steady[0],
                end_m=min(float(ends[1]), steady[1]) if pressed else steady[1],
                low_m=low,
                high_m=steady[1],
                pressed=len(spans) if pressed else 0,
            )
        )
    return found


def _whole_laps(stretch: Stretch, anchor: float | None, lap_m: float) -> tuple[int, int]:
    """Return the first and last crossing of the start line, in laps from the anchor."""
    if anchor is None:
        return 0, 0
    first = math.ceil((stretch.low_m - GATE_SLACK_M - anchor) / lap_m)
    return first, math.floor((stretch.high_m + GATE_SLACK_M - anchor) / lap_m)


def _lap_length(
    session: Session, stretches: Sequence[Stretch]
) -> tuple[Literal["distance", "laps"], float]:
    """Return one lap in recorded metres: the length given, else the mean of the laps pressed."""
    given = session.settings.course.lap_length_m
    if given is not None:
        return "distance", given / session.settings.speed_sensor.scale
    whole = [s for s in stretches if s.pressed > 1]
    if not whole:
        raise EstimationError(
            "the length of a lap is not known: no satellite positions, no lap presses at the "
            "start line and no course.lap_length_m",
            where="session.toml: course.lap_length_m",
            fix="give the measured lap, or write every lap of a run on the run sheet, as 4+5+6",
        )
    total = sum(s.end_m - s.start_m for s in whole)
    return "laps", total / sum(s.pressed for s in whole)


def _by_length(stretch: Stretch, lap_m: float) -> tuple[float, int]:
    """Return where the first lap begins, and how many laps there are, in the middle of the run."""
    length = stretch.end_m - stretch.start_m
    slack = 10.0
    if stretch.pressed:
        duration = max(stretch.passage.last - stretch.passage.first, 1)
        speed = (stretch.high_m - stretch.low_m) / duration
        slack = min(PRESS_SLACK_S * speed, 0.35 * lap_m)
    count = math.floor((length + slack) / lap_m)
    while count > 0 and count * lap_m > stretch.high_m - stretch.low_m + 10.0:
        count -= 1
    begin = 0.5 * (stretch.start_m + stretch.end_m - count * lap_m)
    begin = min(begin, stretch.high_m - count * lap_m)
    return max(begin, stretch.low_m), count


def _groups(laps: int, lap_m: float) -> list[tuple[int, int]]:
    """Split laps into legs of whole laps as alike as can be: (laps before, laps after) each."""
    legs = max(1, laps // math.ceil(LEAST_LEG_M / lap_m))
    edges = [round(k * laps / legs) for k in range(legs + 1)]
    return list(pairwise(edges))


def _left_out(session: Session, passage: Passage, laps: tuple[int, int], reason: str) -> Finding:
    name = f"lap {laps[0]}" if laps[0] == laps[1] else f"laps {laps[0]}-{laps[1]}"
    return Finding(
        severity="warning",
        code="leg-left-out",
        where=f"run {passage.run}",
        message=f"{name}: left out, {reason}",
        fix="ride the run again if the question still matters",
        session=session.key,
    )


def _lap_findings(session: Session, lap_m: float, stretches: Sequence[Stretch]) -> list[Finding]:
    """Compare the lap given with the lap that the wheel and the presses or positions show."""
    given = session.settings.course.lap_length_m
    if given is None:
        return []
    shown = lap_m * session.settings.speed_sensor.scale
    several = [s for s in stretches if s.pressed > 1]
    if abs(shown / given - 1.0) < 1e-6 and several:
        total = sum(s.end_m - s.start_m for s in several) * session.settings.speed_sensor.scale
        shown = total / sum(s.pressed for s in several)
    if abs(shown / given - 1.0) <= LAP_MISMATCH:
        return []
    return [
        Finding(
            severity="warning",
            code="lap-length-differs",
            where="session.toml: course.lap_length_m",
            message=f"the lap given is {given:.1f} m, the wheel shows {shown:.1f} m from lap to "
            "lap: the circumference, the line ridden or the length is wrong, and 1 % of speed is "
            "0.0095 m² of CdA",
            fix="roll the wheel out again, measure the lap, or give speed_sensor.scale",
            session=session.key,
        )
    ]
