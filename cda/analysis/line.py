"""`estimate_cda`: session → legs → energies → regression → comparison → `Estimate`."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from cda.analysis.assemble import (
    curves_and_profiles,
    joint_of,
    leg_winds,
    position_estimates,
    run_rows,
    session_summaries,
    settings_used,
    software,
)
from cda.analysis.inputs import CROSSWIND_FLOOR_M_S, day_inputs, gust_share
from cda.analysis.laps import lap_findings, with_gusts
from cda.analysis.weather import weather_findings
from cda.budget import budget_lines
from cda.comparison import compare, pairs
from cda.errors import EstimationError, SessionError
from cda.estimation import fit_days, leg_answers, run_estimates, runs_in_question
from cda.legs import cut_legs
from cda.results import Estimate, Finding, Variance

if TYPE_CHECKING:
    from collections.abc import Callable

    from cda.estimation import DayInputs, Fit
    from cda.legs import LegSet
    from cda.session import Session


LEAST_CROSSWIND_M_S = 0.2  # nowhere outdoors is the air across the road quite still
# Standard deviation over mean speed, gusts and slow wind together, at the height of a rider:
# gusts alone make 1 / ln(z / z0) = 0.3 to 0.5 of it for z = 1.2 m over grass and hedges
# (EN 1991-1-4, equation 4.7, from memory), slow wind adds to it.
UNSTEADINESS = 0.5


def estimate_cda(
    session: Session | Sequence[Session],
    *,
    level: float = 0.95,
    monte_carlo: int = 0,
    progress: Callable[[int], None] | None = None,
) -> Estimate:
    """Estimate the drag area of every position, the differences, and what they rest on.

    Parameters
    ----------
    session : Session or sequence of Session
        One test day, or several of the same rider.
    level : float
        Of all intervals, between 0.5 and 0.999.
    monte_carlo : int
        Draws of the systematic inputs (JCGM 101) to compare with the linear propagation;
        0 leaves it out.
    progress : callable or None
        Called with the number of Monte Carlo draws done.

    Returns
    -------
    Estimate

    Raises
    ------
    EstimationError
        If the rides do not determine CdA.
    SessionError
        If the sessions do not belong together.
    """
    if not 0.5 <= level <= 0.999:
        raise EstimationError(
            f"a level of {level:g} is not an interval anybody uses",
            where="level",
            fix="give a number from 0.5 to 0.999, such as 0.95",
        )
    sessions = _together(list(session) if isinstance(session, Sequence) else [session])
    legs = [cut_legs(one) for one in sessions]
    positions, reference = _positions(sessions, legs)
    days = [day_inputs(one, cut, positions) for one, cut in zip(sessions, legs, strict=True)]
    first = fit_days(days, positions, rounds=1, systematic=False)
    days = _with_crosswind(days, first)
    fit = fit_days(days, positions, before=first)
    return _estimate(sessions, legs, days, fit, positions, reference, level, monte_carlo, progress)


def _estimate(
    sessions: Sequence[Session],
    legs: Sequence[LegSet],
    days: Sequence[DayInputs],
    fit: Fit,
    positions: list[str],
    reference: str,
    level: float,
    monte_carlo: int,
    progress: Callable[[int], None] | None,
) -> Estimate:
    own = run_estimates(days, positions, fit)
    answers = leg_answers(days, positions, fit)
    used = Counter(
        position
        for cut in legs
        for position in {leg.run: leg.position for leg in cut.legs}.values()
    )
    differences = compare(fit, positions, reference, level, [used[p] for p in positions])
    estimates = position_estimates(sessions, legs, fit, positions, reference, level)
    statistical = {p.id: p.statistical_se_m2 for p in estimates} | {
        f"{d.position}-{d.reference}": float(d.statistical_se_m2 or 0.0) for d in differences
    }
    curves, profiles = curves_and_profiles(legs, days, fit, answers)
    variance = _variance(fit)
    findings = [
        *(finding for one in sessions for finding in one.findings),
        *(finding for cut in legs for finding in cut.findings),
        *_own_findings(sessions, legs, positions, used),
    ]
    findings += lap_findings(sessions, legs, days, fit, positions)
    for one, cut in zip(sessions, legs, strict=True):
        findings += weather_findings(one, cut)
    winds = leg_winds(legs, answers)
    summaries = session_summaries(sessions, legs, days, fit)
    findings += _checks(sessions, legs, estimates, variance, winds, summaries)
    findings += _spoiled(days, positions, fit, findings)
    settings: dict[str, object] = settings_used(sessions)
    if monte_carlo:
        from cda.analysis.monte_carlo import monte_carlo_check

        settings["monte_carlo"] = monte_carlo_check(
            days,
            positions,
            fit,
            monte_carlo,
            progress,
            reference=reference,
            level=level,
            stated={p.id: p.interval_m2 for p in estimates}
            | {f"{d.position}-{d.reference}": d.interval_m2 for d in differences},
        )
    import cda

    return Estimate(
        cda_version=cda.__version__,
        level=level,
        sessions=summaries,
        positions=estimates,
        differences=differences,
        runs=run_rows(sessions, legs, own),
        wind=winds,
        variance=variance,
        budget=budget_lines(fit, positions, pairs(positions, reference), statistical),
        joint=joint_of(days, fit, positions, estimates, differences),
        findings=tuple(_once(findings)),
        inputs=tuple(entry for one in sessions for entry in one.inputs),
        settings=settings,
        software=software(),
        curves=curves,
        profiles=profiles,
    )


def _together(sessions: list[Session]) -> list[Session]:
    """Refuse sessions of different riders and a ride given twice; give each its own key."""
    if not sessions:
        raise SessionError("no session given", fix="name at least one test folder")
    riders = {one.settings.rider.id for one in sessions}
    if len(riders) > 1:
        raise SessionError(
            f"the sessions belong to different riders: {', '.join(sorted(riders))}",
            where="session.toml: rider.id",
            fix="pool the days of one rider at a time",
        )
    ridden: dict[tuple[str, tuple[float, float]], str] = {}
    for one in sessions:
        mine = {
            (one.recordings[run.recording].sha256, span)
            for run in one.runs
            if run.use
            for span in run.spans
        }
        twice = next((ridden[key] for key in mine if key in ridden), None)
        if twice is not None:
            raise SessionError(
                f"{twice} and {one.folder_name} hold the same ride: it would count twice and look "
                "more certain than it is",
                where=one.folder_name,
                fix="give each test folder once",
            )
        ridden |= dict.fromkeys(mine, one.folder_name)
    if len({one.key for one in sessions}) == len(sessions):
        return sessions
    return [
        replace(
            one,
            key=f"s{i + 1}",
            findings=tuple(replace(f, session=f"s{i + 1}") for f in one.findings),
        )
        for i, one in enumerate(sessions)
    ]


def _positions(sessions: Sequence[Session], legs: Sequence[LegSet]) -> tuple[list[str], str]:
    """Return the positions that have legs, in file order, and the reference."""
    ridden = {leg.position for cut in legs for leg in cut.legs}
    order = list(
        dict.fromkeys(p.id for one in sessions for p in one.settings.positions if p.id in ridden)
    )
    reference = sessions[0].reference
    if reference not in order:
        raise EstimationError(
            f"the reference position {reference!r} has no usable run",
            where="runs.csv",
            fix="ride it, or mark another position with reference = true",
        )
    return order, reference


def _with_crosswind(days: Sequence[DayInputs], first: Fit) -> list[DayInputs]:
    """Add what the first fit says of the wind to the crosswind: gusts, slow part, direction.

    Gusts and slow wind blow across as hard as along. Without a reading the mean part across is
    taken as large as the mean part along: over all directions the two are alike. The square of
    the fitted mean is too large by its own variance, which is taken off. It may be far from the
    truth: wind straight across leaves nothing along the road. How unsteady the wind was says how
    strong it was, to a factor of 1.4 or so, and its square is what the square of the part along
    may be wrong by: 0.7 of it over all directions, 0.9 with that factor.
    """
    changed = []
    for day in days:
        of_gusts, of_slow = first.wind_scale.get(day.key, (1.0, 1.0))
        if day.laps is not None:
            changed.append(with_gusts(day, of_gusts * (first.component("leg_wind") or 0.0)))
            continue
        gust = (of_gusts * (first.component("leg_wind") or 0.0)) ** 2 / gust_share(day.energies)
        slow = (of_slow * (first.component("slow_wind") or 0.0)) ** 2
        column = first.names.index(f"{day.key}:wind")
        along = float(first.beta[column]) ** 2 - float(first.covariance[column, column])
        mean, sd = day.crosswind_squared, day.systematic_sd["crosswind_squared"]
        if day.leg_crosswind_squared is not None:
            changed.append(day)  # gusts and all were read
            continue
        if day.headwind_m_s is None:
            mean = max(along, LEAST_CROSSWIND_M_S**2)
            strength = (gust + slow) / UNSTEADINESS**2
            sd = CROSSWIND_FLOOR_M_S**2 + max(mean, min(0.9 * strength, 16.0))
        changed.append(
            replace(
                day,
                crosswind_squared=mean + min(gust + slow, 4.0),
                systematic_sd={**day.systematic_sd, "crosswind_squared": sd},
            )
        )
    return changed


def _variance(fit: Fit) -> Variance:
    per_wind = float(np.mean([np.mean(q.cda) for q in fit.system.equations]))  # m/s for 1 m^2
    # Laps have scales of their own; of several days the fit has its own about 1.
    scales = list(fit.wind_scale.values())
    gusty, breezy = scales[0] if len(scales) == 1 else (1.0, 1.0)
    leg_wind = gusty * (fit.component("leg_wind") or 0.0)
    slow_wind = fit.component("slow_wind")
    leg_drag = fit.component("leg_drag") or 0.0
    return Variance(
        run_to_run_sd_m2=fit.component("run"),
        leg_sd_m2=float(np.hypot(leg_wind / per_wind, leg_drag)),
        day_to_day_sd_m2=fit.component("day"),
        slow_wind_sd_m_s=None if slow_wind is None else breezy * slow_wind,
        gust_sd_m_s=leg_wind,
    )


def _own_findings(
    sessions: Sequence[Session],
    legs: Sequence[LegSet],
    positions: Sequence[str],
    used: Counter[str],
) -> list[Finding]:
    findings = []
    for one, cut in zip(sessions, legs, strict=True):
        for run in cut.excluded:
            ridden = "not ridden" not in run.reason and "set aside" not in run.reason
            findings.append(
                Finding(
                    severity="warning" if ridden else "note",
                    code="run-left-out",
                    where=f"run {run.run} ({run.position})",
                    message=f"the run is not used: {run.reason}",
                    fix="correct its laps or times, or ride it again" if ridden else "",
                    session=one.key,
                )
            )
        wind = one.settings.wind
        unplaced = cut.kind == "out-and-back" and cut.bearing_deg is None
        if wind is not None and wind.from_deg is not None and unplaced:
            findings.append(
                Finding(
                    severity="note",
                    code="wind-direction-not-used",
                    where="session.toml: wind.from_deg",
                    message="without satellite positions the road's direction is not known: only "
                    "the strength of the wind reading is used",
                    session=one.key,
                )
            )
        missing = [p.id for p in one.settings.positions if p.id not in positions]
        findings += [
            Finding(
                severity="warning",
                code="position-without-runs",
                where=f"position {name}",
                message="no usable run: it has no estimate",
                fix="ride it, or take it out of the session file",
                session=one.key,
            )
            for name in missing
        ]
    findings += [
        Finding(
            severity="warning",
            code="single-run",
            where=f"position {name}",
            message="a single run: how much this position differs from one taking to the next "
            "is taken from the other positions and from a prior, not from its own runs",
            fix="ride it at least three times",
        )
        for name in positions
        if used[name] == 1
    ]
    return findings


def _checks(
    sessions: Sequence[Session],
    legs: Sequence[LegSet],
    estimates: Sequence[object],
    variance: Variance,
    winds: Sequence[object],
    summaries: Sequence[object],
) -> list[Finding]:
    from cda.checks import check_estimate, check_legs

    found: list[Finding] = []
    for one, cut in zip(sessions, legs, strict=True):
        found += check_legs(one, cut.legs)
    found += check_estimate(
        positions=estimates,  # type: ignore[arg-type]
        variance=variance,
        wind=winds,  # type: ignore[arg-type]
        sessions=summaries,  # type: ignore[arg-type]
    )
    return found


def _spoiled(
    days: Sequence[DayInputs], positions: Sequence[str], fit: Fit, findings: Sequence[Finding]
) -> tuple[Finding, ...]:
    from cda.checks import propose_leaving_out, runs_spoken_against

    runs = list(dict.fromkeys((day.key, int(run)) for day in days for run in day.run))
    said = runs_spoken_against(findings, runs)
    return propose_leaving_out(runs_in_question(days, positions, fit, said), said)


def _once(findings: Sequence[Finding]) -> list[Finding]:
    """Drop findings that say the same of the same place twice."""
    kept: dict[tuple[str, str, str | None], Finding] = {}
    for finding in findings:
        kept.setdefault((finding.code, finding.where, finding.session), finding)
    return list(kept.values())
