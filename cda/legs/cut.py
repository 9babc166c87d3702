"""All runs of a session cut into legs between the same two gates.

With satellite positions, each passage is placed on the common course axis by the mean of its own
positions, and lengths inside it are the wheel's. Without, places are counted in metres from the
turn, which every run rides on the same road.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from cda.errors import EstimationError, SessionError
from cda.legs.between_gates import Placed, cut_at_gates
from cda.legs.laps import cut_laps
from cda.legs.leg_set import ExcludedRun, LegSet, not_used, session_clock, without_legs
from cda.legs.passages import Passage, filled, find_passages
from cda.results import Finding

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from cda.passes.axis import CourseAxis
    from cda.recording import Recording
    from cda.session import Session

    Floats = NDArray[np.float64]

SHORTEST_COURSE_M: Final = 150.0  # shorter and a gust is all there is
PRESS_SLACK_S: Final = 8.0  # with given gates, a lap press may be this far inside them
LOST_SHARE: Final = 0.15  # a run that would shorten the shared stretch by more is left out
_WAY: Final = {1: "out", -1: "back"}


def cut_legs(session: Session) -> LegSet:
    """Cut every used run of a session into legs between common gates.

    Parameters
    ----------
    session : Session

    Returns
    -------
    LegSet

    Raises
    ------
    EstimationError
        If no stretch is shared by the runs.
    SessionError
        If the gates given in the session lie off the road that was ridden.
    """
    if session.settings.course.kind != "out-and-back":
        return cut_laps(session)
    excluded, findings = not_used(session), []
    runs: list[tuple[Passage, ...]] = []
    # A press inside given gates does not shorten the leg: the recording goes on.
    slack = 0.0 if session.settings.course.gate_a is None else PRESS_SLACK_S
    for run in session.runs:
        if not (run.use and run.spans):
            continue
        found = find_passages(
            session.recordings[run.recording],
            tuple((start - slack, end + slack) for start, end in run.spans),
            run=run.run,
            position=run.position,
            index=run.recording,
        )
        if not found:
            excluded.append(
                ExcludedRun(
                    run=run.run,
                    position=run.position,
                    reason="nothing is ridden in its laps or times",
                )
            )
            continue
        runs.append(found)
    if not runs:
        raise EstimationError(
            "no run has been ridden: every row is empty, set aside, or holds no riding",
            where="runs.csv",
            fix="fill in laps, or start and end, of the runs that were ridden",
        )
    axis = _axis(session, runs)
    placed = (
        _place_by_gps(session, runs, axis) if axis is not None else _place_by_turns(session, runs)
    )
    if not placed:
        raise EstimationError(
            "no run shows a turn, so its legs cannot be laid on the same road without positions",
            where="runs.csv",
            fix="let each run's laps or times hold the way out, the turn and the way back",
        )
    findings += _not_placed(session, runs, placed, excluded)
    if axis is None and session.settings.course.gate_a is not None:
        findings.append(
            Finding(
                severity="warning",
                code="gates-not-used",
                where="session.toml: course.gate_a, course.gate_b",
                message="gates are given, but the recording has no satellite positions to find "
                "them by: the longest stretch that all runs share is used",
                fix="record positions, or leave the gates out",
                session=session.key,
            )
        )
    low, high, left_out = _shared_stretch(session, placed, axis)
    for number, reason in left_out.items():
        position = next(p.passage.position for p in placed if p.passage.run == number)
        excluded.append(ExcludedRun(run=number, position=position, reason=reason))
    usable = [p for p in placed if p.passage.run not in left_out]
    if usable and usable[0].direction < 0:
        # Gate A is crossed first in the first used run: turn the axis around.
        usable = [
            Placed(
                passage=p.passage,
                direction=1 if p.direction < 0 else -1,
                offset_m=-p.offset_m,
                low_m=-p.high_m,
                high_m=-p.low_m,
            )
            for p in usable
        ]
        low, high = -high, -low
        turned = True
    else:
        turned = False
    legs = []
    clock = session_clock(session.recordings)
    for item in usable:
        leg, reason = cut_at_gates(session, item, low, high)
        if leg is None:
            findings.append(
                Finding(
                    severity="warning",
                    code="leg-left-out",
                    where=f"run {item.passage.run}",
                    message=f"the leg {_WAY[item.direction]} is left out: {reason}",
                    fix="ride the run again if the question still matters",
                    session=session.key,
                )
            )
        else:
            legs.append(replace(leg, clock_s=clock[item.passage.recording]))
    with_legs = {leg.run for leg in legs}
    for item in usable:
        if item.passage.run not in with_legs:
            excluded += without_legs(item.passage, excluded)
    if not legs:
        raise EstimationError(
            "no leg is usable",
            where="runs.csv",
            fix="see cda check for what is wrong with each run",
        )
    bearing = None
    if axis is not None:
        bearing = float(axis.bearing_deg(np.array([0.5 * (abs(low + high))]))[0])
        if turned:
            bearing = (bearing + 180.0) % 360.0
    return LegSet(
        legs=tuple(legs),
        length_m=high - low,
        bearing_deg=bearing,
        placed_by="turns" if axis is None else "gps",
        excluded=tuple(sorted(excluded, key=lambda e: e.run)),
        findings=tuple(findings),
    )


def _not_placed(
    session: Session,
    runs: Sequence[tuple[Passage, ...]],
    placed: Sequence[Placed],
    excluded: list[ExcludedRun],
) -> list[Finding]:
    """List runs of which nothing could be placed, and report single passages that could not."""
    have = {(p.passage.run, p.passage.number) for p in placed}
    findings = []
    for passages in runs:
        lost = [p for p in passages if (p.run, p.number) not in have]
        if len(lost) == len(passages):
            reason = "it shows no turn, and there are no positions to place it by"
            excluded.append(ExcludedRun(run=lost[0].run, position=lost[0].position, reason=reason))
        elif lost:
            findings.append(
                Finding(
                    severity="warning",
                    code="leg-left-out",
                    where=f"run {lost[0].run}",
                    message="a passage is left out: neither a turn beside it nor positions tell "
                    "where it was ridden",
                    fix="let the laps or times of a run begin and end at the same end of the road",
                    session=session.key,
                )
            )
    return findings


def _track(recording: Recording, passage: Passage) -> tuple[Floats, Floats]:
    assert recording.latitude_deg is not None
    assert recording.longitude_deg is not None
    rows = slice(passage.first, passage.last + 1)
    return recording.latitude_deg[rows], recording.longitude_deg[rows]


def _axis(session: Session, runs: Sequence[tuple[Passage, ...]]) -> CourseAxis | None:
    """Fit the course axis if the recordings carry positions for most of the samples."""
    tracks = []
    for passages in runs:
        for passage in passages:
            recording = session.recordings[passage.recording]
            if recording.latitude_deg is None or recording.longitude_deg is None:
                return None
            latitude, longitude = _track(recording, passage)
            if np.isfinite(latitude + longitude).mean() < 0.5:
                return None
            tracks.append((latitude, longitude))
    from cda.passes.axis import fit_axis

    return fit_axis(tracks)


def _place_by_gps(
    session: Session, runs: Sequence[tuple[Passage, ...]], axis: CourseAxis
) -> list[Placed]:
    placed = []
    listed = [passage for passages in runs for passage in passages]
    tracks = [_track(session.recordings[p.recording], p) for p in listed]
    latitude, longitude = (np.concatenate([t[k] for t in tracks]) for k in (0, 1))
    everywhere, _ = axis.locate(latitude, longitude)  # one search for all: many times faster
    ends = np.cumsum([len(t[0]) for t in tracks])
    for passage, along in zip(listed, np.split(everywhere, ends[:-1]), strict=True):
        recording = session.recordings[passage.recording]
        distance = filled(recording.distance_m)[passage.first : passage.last + 1]
        good = np.isfinite(along) & np.isfinite(distance)
        if good.sum() < 5:
            continue
        slope = np.polyfit(distance[good] - distance[good].mean(), along[good], 1)[0]
        direction: Literal[1, -1] = 1 if slope > 0 else -1
        offset = float(np.median(along[good] - direction * distance[good]))
        placed.append(_on_axis(recording, passage, direction, offset))
    return placed


def _place_by_turns(session: Session, runs: Sequence[tuple[Passage, ...]]) -> list[Placed]:
    """Place passages by metres from the far turn: out is odd, back is even within a run."""
    placed = []
    for passages in runs:
        for passage in passages:
            recording = session.recordings[passage.recording]
            out = passage.number % 2 == 0
            turn = passage.turn_after_m if out else passage.turn_before_m
            if turn is None:
                continue
            direction: Literal[1, -1] = 1 if out else -1
            placed.append(_on_axis(recording, passage, direction, -direction * turn))
    return placed


def _on_axis(
    recording: Recording, passage: Passage, direction: Literal[1, -1], offset: float
) -> Placed:
    distance = filled(recording.distance_m)
    ends = sorted(
        offset + direction * float(distance[k]) for k in (passage.steady_first, passage.steady_last)
    )
    if passage.steady_last <= passage.steady_first:
        ends = [0.0, 0.0]
    return Placed(
        passage=passage, direction=direction, offset_m=offset, low_m=ends[0], high_m=ends[1]
    )


def _shared_stretch(
    session: Session, placed: Sequence[Placed], axis: CourseAxis | None
) -> tuple[float, float, dict[int, str]]:
    """Return the gates on the axis, and the runs that do not cross both with the reason."""
    gate_a, gate_b = session.settings.course.gate_a, session.settings.course.gate_b
    numbers = sorted({p.passage.run for p in placed})
    left_out: dict[int, str] = {}
    if gate_a is not None and gate_b is not None and axis is not None:
        along, offset = axis.locate(
            np.array([gate_a[0], gate_b[0]]), np.array([gate_a[1], gate_b[1]])
        )
        if np.any(np.abs(offset) > 50.0) or abs(along[1] - along[0]) < SHORTEST_COURSE_M:
            raise SessionError(
                f"the gates lie {np.abs(offset).max():.0f} m off the road that was ridden, "
                f"{abs(along[1] - along[0]):.0f} m apart",
                where="session.toml: course.gate_a, course.gate_b",
                fix="give latitude and longitude of two points on the timed stretch, or leave "
                "both out: the longest stretch that all runs share is then used",
            )
        low, high = float(min(along)), float(max(along))
        for number in numbers:
            mine = [p for p in placed if p.passage.run == number]
            if not any(p.clear_at_exit(low, high) for p in mine):
                left_out[number] = "brakes before the last gate each way"
        if len(left_out) == len(numbers):
            raise SessionError(
                "no run crosses both gates clear of turning and braking",
                where="session.toml: course.gate_a, course.gate_b",
                fix="move the gates inwards, or leave both out",
            )
        return low, high, left_out
    lows = {n: max(p.low_m for p in placed if p.passage.run == n) for n in numbers}
    highs = {n: min(p.high_m for p in placed if p.passage.run == n) for n in numbers}
    usual = float(np.median([highs[n] - lows[n] for n in numbers]))
    while True:
        kept = [n for n in numbers if n not in left_out]
        low, high = max(lows[n] for n in kept), min(highs[n] for n in kept)
        if high - low >= (1.0 - LOST_SHARE) * usual or len(kept) <= 2:
            break
        gains = {
            n: min(highs[m] for m in kept if m != n) - max(lows[m] for m in kept if m != n)
            for n in kept
        }
        worst = max(gains, key=lambda n: gains[n])
        if gains[worst] - (high - low) < 0.03 * usual:
            break
        left_out[worst] = (
            f"covers only {max(highs[worst] - lows[worst], 0.0):.0f} m steadily both ways, "
            f"the other runs share about {usual:.0f} m"
        )
    if high - low < SHORTEST_COURSE_M:
        raise EstimationError(
            f"the runs share only {max(high - low, 0.0):.0f} m of road ridden steadily both ways; "
            f"at least {SHORTEST_COURSE_M:.0f} m are needed",
            where="runs.csv",
            fix="check the laps or times of each run (cda check shows them), and that all runs "
            "were ridden on the same stretch out and back",
        )
    return low, high, left_out
