"""All runs of a session cut into legs between the same two gates.

With satellite positions, each passage is placed on the common course axis by the mean of its own
positions, and lengths inside it are the wheel's. Without, places are counted in metres from the
turn, which every run rides on the same road.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from cda.errors import EstimationError, SessionError
from cda.legs.leg import Leg
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
LOST_SHARE: Final = 0.15  # a run that would shorten the shared stretch by more is left out
LONGEST_POWER_GAP_S: Final = 5.0  # longer gaps of power are not bridged
_WAY: Final = {1: "out", -1: "back"}
MOST_MISSING_POWER: Final = 0.10  # share of a leg's samples


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
        Gate A to gate B by the wheel. [m]
    bearing_deg : float or None
        Direction A to B, clockwise from true north. [deg]
    placed_by : "gps" or "turns"
    excluded : tuple of ExcludedRun
    findings : tuple of Finding
    """

    legs: tuple[Leg, ...]
    length_m: float
    bearing_deg: float | None
    placed_by: Literal["gps", "turns"]
    excluded: tuple[ExcludedRun, ...]
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Placed:
    """A passage on the axis: along = offset + direction * recorded distance."""

    passage: Passage
    direction: Literal[1, -1]
    offset_m: float
    low_m: float
    high_m: float


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
    excluded, findings = [], []
    runs: list[tuple[Passage, ...]] = []
    for run in session.runs:
        if not run.use:
            reason = "set aside on the run sheet" + (f": {run.note}" if run.note else "")
            excluded.append(ExcludedRun(run=run.run, position=run.position, reason=reason))
            continue
        if not run.spans:
            excluded.append(
                ExcludedRun(
                    run=run.run, position=run.position, reason="not ridden (no laps or times)"
                )
            )
            continue
        found = find_passages(
            session.recordings[run.recording],
            run.spans,
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
    low, high, left_out = _shared_stretch(session, placed, axis)
    for number, reason in left_out.items():
        position = next(p.passage.position for p in placed if p.passage.run == number)
        excluded.append(ExcludedRun(run=number, position=position, reason=reason))
    usable = [p for p in placed if p.passage.run not in left_out]
    if usable and usable[0].direction < 0:
        # Gate A is crossed first in the first used run: turn the axis around.
        usable = [
            _Placed(
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
    for item in usable:
        leg, reason = _cut(session, item, low, high)
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
            legs.append(leg)
    with_legs = {leg.run for leg in legs}
    for item in usable:
        run_number = item.passage.run
        if run_number not in with_legs and all(e.run != run_number for e in excluded):
            excluded.append(
                ExcludedRun(
                    run=run_number,
                    position=item.passage.position,
                    reason="none of its legs is usable",
                )
            )
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
) -> list[_Placed]:
    placed = []
    for passages in runs:
        for passage in passages:
            recording = session.recordings[passage.recording]
            along, _ = axis.locate(*_track(recording, passage))
            distance = filled(recording.distance_m)[passage.first : passage.last + 1]
            good = np.isfinite(along) & np.isfinite(distance)
            if good.sum() < 5:
                continue
            slope = np.polyfit(distance[good] - distance[good].mean(), along[good], 1)[0]
            direction: Literal[1, -1] = 1 if slope > 0 else -1
            offset = float(np.median(along[good] - direction * distance[good]))
            placed.append(_on_axis(recording, passage, direction, offset))
    return placed


def _place_by_turns(session: Session, runs: Sequence[tuple[Passage, ...]]) -> list[_Placed]:
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
) -> _Placed:
    distance = filled(recording.distance_m)
    ends = sorted(
        offset + direction * float(distance[k]) for k in (passage.steady_first, passage.steady_last)
    )
    if passage.steady_last <= passage.steady_first:
        ends = [0.0, 0.0]
    return _Placed(
        passage=passage, direction=direction, offset_m=offset, low_m=ends[0], high_m=ends[1]
    )


def _shared_stretch(
    session: Session, placed: Sequence[_Placed], axis: CourseAxis | None
) -> tuple[float, float, dict[int, str]]:
    """Return the gates on the axis, and the runs that do not cross both with the reason."""
    course = session.settings.course
    gate_a = None if course is None else getattr(course, "gate_a", None)
    gate_b = None if course is None else getattr(course, "gate_b", None)
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
            if not any(p.low_m <= low + 5.0 and p.high_m >= high - 5.0 for p in mine):
                left_out[number] = "does not cross both gates clear of turning and braking"
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
            f"covers only {highs[worst] - lows[worst]:.0f} m steadily both ways, the other "
            f"runs share about {usual:.0f} m"
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


def _cut(session: Session, item: _Placed, low: float, high: float) -> tuple[Leg | None, str]:
    """Cut one passage at the gates; energy, speed and time are interpolated there."""
    passage = item.passage
    recording = session.recordings[passage.recording]
    delay = session.settings.power_meter.delay_s
    rows = slice(max(passage.first - 3, 0), passage.last + 4)
    time = recording.time_s[rows]
    distance = filled(recording.distance_m)[rows]
    speed = filled(recording.speed_m_s)[rows]
    raw_power = recording.power_w
    power = filled(raw_power)
    ends = sorted(
        ((g - item.offset_m) / item.direction for g in (low, high)), key=lambda value: value
    )
    if distance[0] > ends[0] + 0.5 or distance[-1] < ends[1] - 0.5:
        return None, "it does not reach from gate to gate"
    entry, leave = (_time_at(time, distance, speed, d) for d in ends)
    inside = (time > entry + 1e-6) & (time < leave - 1e-6)
    if inside.sum() < 10:
        return None, "fewer than 10 samples between the gates"
    stamps = np.concatenate([[entry], time[inside], [leave]])
    if np.diff(stamps).max() > 10.0:
        return None, f"a gap of {np.diff(stamps).max():.0f} s in the recording"
    whole = (recording.time_s > entry) & (recording.time_s < leave + 1.0)
    missing = ~np.isfinite(raw_power[whole])
    if missing.mean() > MOST_MISSING_POWER:
        return None, f"power is missing in {100 * missing.mean():.0f} % of its samples"
    if missing.any():
        edges = np.flatnonzero(np.diff(np.concatenate([[0], missing.astype(np.int8), [0]])))
        longest = int((edges[1::2] - edges[::2]).max())
        if longest * float(np.median(np.diff(time))) > LONGEST_POWER_GAP_S:
            return None, f"power is missing for {longest} samples in a row"
    # Work up to any moment: power at a stamp is the mean over the interval that ends there.
    step = np.diff(recording.time_s, prepend=recording.time_s[0])
    work = np.cumsum(power * step)
    at = np.interp(stamps + delay, recording.time_s, work)
    mean_power = np.concatenate([[np.nan], np.diff(at) / np.diff(stamps)])
    mean_power[0] = mean_power[1]
    along = item.offset_m + item.direction * np.interp(stamps, time, distance)
    along[0], along[-1] = (low, high) if item.direction > 0 else (high, low)

    def channel(values: Floats | None) -> Floats | None:
        if values is None or not np.isfinite(values[rows]).any():
            return None
        piece = values[rows]
        good = np.isfinite(piece)
        answer = np.interp(stamps, time[good], piece[good])
        near = np.abs(time[good][:, None] - stamps[None, :]).min(axis=0) > 2.5
        answer[near] = np.nan  # a gap stays a gap
        return np.asarray(answer)

    heading = None
    return (
        Leg(
            session=session.key,
            run=passage.run,
            position=passage.position,
            direction=item.direction,
            time_s=stamps,
            along_m=along - low,
            speed_m_s=np.interp(stamps, time, speed),
            power_w=mean_power,
            altitude_m=channel(recording.altitude_m),
            airspeed_m_s=channel(recording.airspeed_m_s),
            yaw_deg=channel(recording.yaw_deg),
            heart_rate_bpm=channel(recording.heart_rate_bpm),
            heading_deg=heading,
        ),
        "",
    )


def _time_at(time: Floats, distance: Floats, speed: Floats, where: float) -> float:
    """Return when a distance was reached, speed changing linearly between two samples."""
    k = int(np.clip(np.searchsorted(distance, where), 1, len(distance) - 1))
    span = distance[k] - distance[k - 1]
    if span <= 0:
        return float(time[k])
    share = (where - distance[k - 1]) / span
    v0, v1 = max(speed[k - 1], 0.1), max(speed[k], 0.1)
    # share of distance -> share of time for a linear change of speed
    a = 0.5 * (v1 - v0)
    mean = 0.5 * (v0 + v1)
    root = share if abs(a) < 1e-9 else (-v0 + np.sqrt(v0 * v0 + 4 * a * share * mean)) / (2 * a)
    return float(time[k - 1] + np.clip(root, 0.0, 1.0) * (time[k] - time[k - 1]))
