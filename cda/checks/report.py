"""A whole test folder, or a bare recording, checked: marks, stretches and findings in order."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from cda.checks.balance import beside_others
from cda.checks.ranking import at_stake_s_per_h, rank_findings
from cda.checks.recordings import check_recording
from cda.checks.sessions import check_conditions, check_legs
from cda.errors import CdaError
from cda.legs import cut_legs, session_clock
from cda.passes import find_stretches
from cda.results import Finding
from cda.results.check import (
    CheckedLeg,
    CheckedPass,
    CheckedRun,
    CheckedSensor,
    CheckedStretch,
    CheckReport,
    Mark,
    RecordingFigures,
)
from cda.sensors import compare_sensors

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cda.legs import Leg
    from cda.passes import Pass
    from cda.recording import Recording
    from cda.session import Run, Session

# A run with one of these is better ridden again; with any other warning it is doubtful.
SPOILING: Final = frozenset(
    {"braking", "leg-out-of-line", "leg-short", "one-direction-run", "power-frozen"}
)
ABOUT_LEGS: Final = SPOILING | {
    "coasting", "legs-differ-in-length", "legs-not-on-one-road", "leg-slow", "vehicle-passing",
    "vehicle-oncoming", "sat-up",
}  # fmt: skip


def check_session(session: Session) -> CheckReport:
    """Check a loaded test folder.

    Parameters
    ----------
    session : Session

    Returns
    -------
    CheckReport
        That no legs can be cut is a finding of severity `stop` in it, not an error.
    """
    findings = [*session.findings]
    for recording in session.recordings:
        findings += check_recording(recording)
    legs: tuple[Leg, ...] = ()
    length_m, reasons = None, {}
    try:
        cut = cut_legs(session)
    except CdaError as error:
        findings.append(
            Finding(
                severity="stop", code="no-legs", where=error.where, session=session.key,
                message=error.problem, fix=error.fix,
            )
        )  # fmt: skip
    else:
        legs, length_m = cut.legs, cut.length_m
        reasons = {run.run: run.reason for run in cut.excluded}
        ridden = {run.run for run in session.runs if run.use and run.spans}
        findings += [
            Finding(
                severity="warning", code="run-left-out", where=f"run {run.run}",
                session=session.key, message=f"gives no leg: {run.reason}",
                fix="ride it again, or set use = no",
            )
            for run in cut.excluded if run.run in ridden
        ]  # fmt: skip
        findings += [*cut.findings, *check_legs(session, legs), *check_conditions(session, legs)]
    findings = _once(findings)
    clock = session_clock(session.recordings)
    rows = tuple(_run(run, legs, findings, reasons, clock) for run in session.runs)
    first, rest = rank_findings(findings)
    return CheckReport(
        subject=session.title,
        what="session",
        recordings=tuple(_figures(r) for r in session.recordings),
        runs=rows,
        legs=_legs(legs),
        length_m=length_m,
        sensors=tuple(s for r in session.recordings for s in _sensors(r)),
        first=first,
        rest=rest,
        ride_again=tuple(row.run for row in rows if row.mark == "spoiled"),
        at_stake_s_per_h=at_stake_s_per_h(first),
    )


def check_bare_recording(recording: Recording) -> CheckReport:
    """Check a recording that no test folder belongs to, and list what was ridden both ways."""
    first, rest = rank_findings(_once(check_recording(recording)))
    stretches = tuple(
        CheckedStretch(
            recording=recording.name, from_km=s.from_km, to_km=s.to_km, length_m=s.length_m,
            out=s.out, back=s.back, relief_m=s.relief_m, straightness=s.straightness,
            mean_speed_m_s=float(np.mean([p.mean_speed_m_s for p in s.passes])),
            steadiness=s.steadiness, fitness=s.fitness, found_by=s.found_by,
            passes=tuple(_pass(p) for p in s.passes),
        )
        for s in find_stretches(recording)
    )  # fmt: skip
    return CheckReport(
        subject=recording.name, what="recording", recordings=(_figures(recording),),
        stretches=stretches, sensors=_sensors(recording), first=first, rest=rest,
        at_stake_s_per_h=at_stake_s_per_h(first),
    )  # fmt: skip


def _once(findings: Sequence[Finding]) -> list[Finding]:
    """Drop what a session and its recording both say, and what is said closer to the runs."""
    kept: dict[tuple[str, str, str], Finding] = {}
    for finding in findings:
        kept.setdefault((finding.code, finding.where, finding.message), finding)
    legs = {f.code for f in kept.values() if _runs_named(f.where)}
    whole = {("power-frozen", f.where) for f in kept.values() if not _runs_named(f.where)}
    return [
        replace(f, severity="note") if (f.code, f.where) in whole and f.code in legs else f
        for f in kept.values()
    ]


def _run(
    run: Run, legs: Sequence[Leg], findings: Sequence[Finding], reasons: dict[int, str],
    clock: Sequence[float],
) -> CheckedRun:  # fmt: skip
    mine = [leg for leg in legs if leg.run == run.run]
    about = [
        f.code for f in findings
        if f.severity != "note" and f.code in ABOUT_LEGS and run.run in _runs_named(f.where)
    ]  # fmt: skip
    mark: Mark = "good"
    why: tuple[str, ...] = tuple(about)
    if not run.use:
        mark, why = "set aside", () if run.note is None else (run.note,)
    elif not run.spans:
        mark, why = "not ridden", ()
    elif not mine:
        mark, why = "spoiled", (reasons.get(run.run, "no leg found"),)
    elif SPOILING & set(about):
        mark = "spoiled"
    elif about:
        mark = "doubtful"
    rows = [_leg(leg) for leg in mine]
    powers = [row.mean_power_w for row in rows if row.mean_power_w is not None]
    return CheckedRun(
        run=run.run, position=run.position, mark=mark, legs=len(mine), reasons=why,
        minute=(clock[run.recording] + run.spans[0][0]) / 60.0 if run.spans else None,
        mean_speed_m_s=float(np.mean([row.mean_speed_m_s for row in rows])) if rows else None,
        mean_power_w=float(np.mean(powers)) if powers else None,
    )  # fmt: skip


def _runs_named(where: str) -> set[int]:
    """Return the runs that a finding about legs names: "run 3 out, run 4 back", "runs 1, 2"."""
    return {int(n) for part in re.findall(r"runs? ([\d, ]*\d)", where) for n in part.split(",")}


def _legs(legs: Sequence[Leg]) -> tuple[CheckedLeg, ...]:
    compared = beside_others(legs)
    rows = [_leg(leg) for leg in legs]
    if compared is not None:
        rows = [
            replace(row, energy_off=float(off)) for row, off in zip(rows, compared[1], strict=True)
        ]
    return tuple(rows)


def _leg(leg: Leg) -> CheckedLeg:
    length, duration = abs(leg.along_m[-1] - leg.along_m[0]), leg.time_s[-1] - leg.time_s[0]
    known = leg.power_w[1:][np.isfinite(leg.power_w[1:])]
    return CheckedLeg(
        run=leg.run, position=leg.position, leg=leg.name, start_s=leg.start_s,
        duration_s=float(duration), length_m=float(length),
        mean_power_w=float(known.mean()) if len(known) else None,
        mean_speed_m_s=float(length / duration),
    )  # fmt: skip


def _pass(one: Pass) -> CheckedPass:
    return CheckedPass(
        leg="out" if one.direction > 0 else "back", start_s=one.start_s,
        duration_s=one.end_s - one.start_s, mean_speed_m_s=one.mean_speed_m_s,
        mean_power_w=one.mean_power_w,
    )  # fmt: skip


def _sensors(recording: Recording) -> tuple[CheckedSensor, ...]:
    return tuple(
        CheckedSensor(quantity=c.quantity, value=c.value, se=c.se, unit=c.unit, what=c.what)
        for c in compare_sensors(recording)
    )


def _figures(recording: Recording) -> RecordingFigures:
    power = recording.power_w[np.isfinite(recording.power_w)]
    altitude = recording.altitude_m
    heights = None if altitude is None else altitude[np.isfinite(altitude)]
    known = heights is not None and len(heights) > 0
    return RecordingFigures(
        name=recording.name, format=recording.format, sha256=recording.sha256,
        duration_min=float(recording.time_s[-1] - recording.time_s[0]) / 60.0,
        samples=len(recording.time_s),
        distance_km=float(recording.distance_m[-1] - recording.distance_m[0]) / 1000.0,
        laps=len(recording.laps),
        mean_power_w=float(power.mean()) if len(power) else None,
        samples_without_power=len(recording.power_w) - len(power),
        altitude_low_m=float(heights.min()) if known and heights is not None else None,
        altitude_high_m=float(heights.max()) if known and heights is not None else None,
        has_positions=recording.latitude_deg is not None,
        has_airspeed=recording.airspeed_m_s is not None,
    )  # fmt: skip
