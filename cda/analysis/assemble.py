"""The regression's answer in the words of the result types."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from cda.analysis.laps import lap_factors, mean_lap
from cda.comparison import welch_satterthwaite
from cda.elevation import virtual_rise_m
from cda.results import (
    Joint,
    LegCurve,
    LegWind,
    PositionEstimate,
    RoadProfile,
    RunEstimate,
    SessionSummary,
    ValueWithUncertainty,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from cda.estimation import DayInputs, Fit, LegAnswer
    from cda.legs import Leg, LegSet
    from cda.results import Difference
    from cda.session import Session

CURVE_STEP_M = 10.0  # drawn curves carry a point every so many metres


def position_estimates(
    sessions: Sequence[Session],
    legs: Sequence[LegSet],
    fit: Fit,
    positions: Sequence[str],
    reference: str,
    level: float,
) -> tuple[PositionEstimate, ...]:
    """Return every position's CdA with its uncertainty."""
    from scipy.stats import t as student

    systematic = fit.systematic_cov
    wheels = sessions[-1].settings.bike.wheel_drag_area_m2
    answers = []
    for i, name in enumerate(positions):
        contrast = np.zeros(len(fit.names))
        contrast[i] = 1.0
        statistical, statistical_dof = fit.replication(contrast)
        other = float(np.sqrt(max(systematic[i, i], 0.0)))
        se = float(np.hypot(statistical, other))
        dof = welch_satterthwaite([(statistical, statistical_dof), (other, None)])
        half = float(student.ppf(0.5 + level / 2, dof)) * se
        cda = float(fit.beta[i])
        mine = [leg for cut in legs for leg in cut.legs if leg.position == name]
        told = next(p for one in reversed(sessions) for p in one.settings.positions if p.id == name)
        comfort = [
            run.comfort
            for one in sessions
            for run in one.runs
            if run.position == name and run.use and run.comfort is not None
        ]
        answers.append(
            PositionEstimate(
                id=name,
                label=told.label or name,
                reference=name == reference,
                runs=len({(leg.session, leg.run) for leg in mine}),
                legs=len(mine),
                cda_m2=cda,
                cda_with_wheels_m2=cda + wheels,
                se_m2=se,
                statistical_se_m2=statistical,
                statistical_dof=statistical_dof,
                systematic_se_m2=other,
                dof=dof,
                interval_m2=(cda - half, cda + half),
                cue=told.cue,
                photo=told.photo,
                hold_share=told.hold_share,
                power_cost_w=told.power_cost_w,
                power_cost_sd_w=told.power_cost_sd_w,
                comfort=float(np.mean(comfort)) if comfort else None,
                mean_power_w=_mean_power(mine),
                mean_speed_m_s=_mean_speed(mine),
            )
        )
    return tuple(answers)


def _mean_power(legs: Sequence[Leg]) -> float:
    work = sum(float((leg.power_w[1:] * np.diff(leg.time_s)).sum()) for leg in legs)
    return work / sum(float(leg.time_s[-1] - leg.time_s[0]) for leg in legs)


def _mean_speed(legs: Sequence[Leg]) -> float:
    length = sum(abs(float(leg.along_m[-1] - leg.along_m[0])) for leg in legs)
    return length / sum(float(leg.time_s[-1] - leg.time_s[0]) for leg in legs)


def run_rows(
    sessions: Sequence[Session],
    legs: Sequence[LegSet],
    own: Mapping[tuple[str, int], tuple[float, float]],
) -> tuple[RunEstimate, ...]:
    """Return one row for each row of the run sheets, used or not."""
    rows = []
    for one, cut in zip(sessions, legs, strict=True):
        reasons = {e.run: e.reason for e in cut.excluded}
        for run in one.runs:
            mine = [leg for leg in cut.legs if leg.run == run.run]
            answer = own.get((one.key, run.run))
            heart = [
                float(np.nanmean(leg.heart_rate_bpm))
                for leg in mine
                if leg.heart_rate_bpm is not None and np.isfinite(leg.heart_rate_bpm).any()
            ]
            rows.append(
                RunEstimate(
                    session=one.key,
                    run=run.run,
                    position=run.position,
                    cda_m2=None if answer is None else answer[0],
                    se_m2=None if answer is None else answer[1],
                    used=answer is not None,
                    reason=None if answer is not None else reasons.get(run.run, "no usable leg"),
                    heart_rate_bpm=float(np.mean(heart)) if heart else None,
                    start_s=mine[0].start_s if mine else None,
                    legs=len(mine),
                    mean_power_w=_mean_power(mine) if mine else None,
                    mean_speed_m_s=_mean_speed(mine) if mine else None,
                    comfort=run.comfort,
                    note=run.note,
                )
            )
    return tuple(rows)


def leg_winds(legs: Sequence[LegSet], answers: LegAnswer) -> tuple[LegWind, ...]:
    """Return the wind that every leg met, in riding order."""
    every = [leg for cut in legs for leg in cut.legs]
    return tuple(
        LegWind(
            session=leg.session,
            run=leg.run,
            leg=leg.name,
            headwind_m_s=float(answers.headwind_m_s[i]),
            se_m_s=float(answers.headwind_se_m_s[i]),
            start_s=leg.start_s,
            mean_speed_m_s=_mean_speed([leg]),
            mean_power_w=_mean_power([leg]),
            residual_m2=float(answers.residual_m2[i]),
        )
        for i, leg in enumerate(every)
    )


def session_summaries(
    sessions: Sequence[Session], legs: Sequence[LegSet], days: Sequence[DayInputs], fit: Fit
) -> tuple[SessionSummary, ...]:
    """Return what was common to all runs of each day."""
    total = fit.covariance
    rows = []
    for one, cut, day in zip(sessions, legs, days, strict=True):
        at = {what: fit.names.index(f"{day.key}:{what}") for what in ("height", "wind", "crr")}

        def value(
            what: str, prior: float | None = None, at: dict[str, int] = at
        ) -> ValueWithUncertainty:
            k = at[what]
            return ValueWithUncertainty(
                value=float(fit.beta[k]), se=float(np.sqrt(total[k, k])), prior_se=prior
            )

        course = one.settings.course
        rows.append(
            SessionSummary(
                key=one.key,
                title=one.title,
                date=None if one.settings.date is None else str(one.settings.date),
                folder=one.folder_name,
                rider_id=one.settings.rider.id,
                air_density_kg_m3=float(np.mean(day.density_kg_m3)),
                rolling_resistance=value("crr", one.settings.bike.rolling_resistance_sd),
                height_difference_m=value("height"),
                protocol=one.settings.protocol,
                course_kind="out-and-back" if course is None else course.kind,
                course_length_m=cut.length_m,
                mean_headwind_m_s=value("wind") if day.laps is None else None,
                duration_min=(
                    max(leg.clock_s + float(leg.time_s[-1]) for leg in cut.legs)
                    - min(leg.start_s for leg in cut.legs)
                )
                / 60.0,
            )
        )
    return tuple(rows)


def joint_of(
    days: Sequence[DayInputs],
    fit: Fit,
    positions: Sequence[str],
    estimates: Sequence[PositionEstimate],
    differences: Sequence[Difference],
) -> Joint:
    """Return the joint distribution of positions and the shared inputs of the last day."""
    day = days[-1]
    inputs = {
        "power_scale": day.power_scale,
        "power_offset_w": day.power_offset_w,
        "rider_mass_kg": day.rider_mass_kg,
        "bike_mass_kg": day.bike_mass_kg,
        "drivetrain_efficiency": day.drivetrain_efficiency,
    }
    names = (*positions, "rolling_resistance", *inputs)
    n_pos = len(positions)
    rows = [*range(n_pos), fit.names.index(f"{day.key}:crr")]
    n = len(names)
    statistical = np.zeros((n, n))
    statistical[: n_pos + 1, : n_pos + 1] = _matched(
        fit.replication_cov[np.ix_(rows, rows)], estimates, differences
    )
    total = statistical.copy()
    total[: n_pos + 1, : n_pos + 1] += fit.systematic_cov[np.ix_(rows, rows)]
    for k, name in enumerate(inputs, start=n_pos + 1):
        sd = float(day.systematic_sd.get(name, 0.0))
        total[k, k] = sd**2
        effect = fit.systematic_effect.get((name, day.instrument.get(name, day.key)))
        if effect is not None:
            # If the true input lies above the assumed one, so does the true CdA by this much.
            total[k, : n_pos + 1] = total[: n_pos + 1, k] = effect[rows] * sd
    dof = [d.dof for d in differences] or [e.dof for e in estimates]
    statistical_dof = float(
        np.median([fit.replication(_unit(fit, positions, d))[1] for d in differences])
        if differences
        else np.median(dof)
    )
    return Joint(
        names=names,
        mean=np.array([*fit.beta[rows], *inputs.values()]),
        covariance=total,
        statistical_covariance=statistical,
        statistical_dof=statistical_dof,
        dof=(*(e.dof for e in estimates), *([None] * (n - n_pos))),
        constants={
            "wheel_drag_area_m2": day.wheel_drag_area_m2,
            "bearing_drag_n": day.bearing_drag_n,
            "bearing_drag_n_s_m": day.bearing_drag_n_s_m,
            "wheel_inertia_kg_m2": day.wheel_inertia_kg_m2,
            "wheel_radius_m": day.wheel_radius_m,
            "gravity_m_s2": day.gravity_m_s2,
        },
    )


def _matched(
    block: np.ndarray, estimates: Sequence[PositionEstimate], differences: Sequence[Difference]
) -> np.ndarray:
    """Return the covariance whose positions and differences have the stated statistical se.

    The posterior mean of a variance is larger than the scale of its t; draws add the chi-square
    themselves, so the scale is what they need: that of each position and of each difference.
    """
    own = np.array([e.statistical_se_m2 for e in estimates])
    shrink = own / np.sqrt(np.diag(block)[:-1])
    shrink = np.append(shrink, np.mean(shrink))
    matched = np.asarray(block * np.outer(shrink, shrink))
    at = {e.id: i for i, e in enumerate(estimates)}
    for d in differences:
        if d.statistical_se_m2 is not None:
            i, j = at[d.position], at[d.reference]
            matched[i, j] = matched[j, i] = 0.5 * (
                own[i] ** 2 + own[j] ** 2 - d.statistical_se_m2**2
            )
    scale = np.sqrt(np.diag(matched))
    values, vectors = np.linalg.eigh(matched / np.outer(scale, scale))
    if values.min() >= 0.0:
        return matched
    # Scales matched one by one need not fit together to the last digit.
    positive = (vectors * np.maximum(values, 0.0)) @ vectors.T
    scale = scale / np.sqrt(np.diag(positive))
    return np.asarray(positive * np.outer(scale, scale))


def _unit(fit: Fit, positions: Sequence[str], difference: Difference) -> np.ndarray:
    contrast = np.zeros(len(fit.names))
    contrast[positions.index(difference.position)] = 1.0
    contrast[positions.index(difference.reference)] = -1.0
    return contrast


def curves_and_profiles(
    legs: Sequence[LegSet], days: Sequence[DayInputs], fit: Fit, answers: LegAnswer
) -> tuple[tuple[LegCurve, ...], tuple[RoadProfile, ...]]:
    """Return every leg's virtual elevation minus the shared road height, and the road itself.

    The shared height is the mean of all legs' virtual elevations, each with its position's CdA
    and its own wind, closed at both gates.
    """
    curves, profiles, at = [], [], 0
    for cut, day in zip(legs, days, strict=True):
        grid = np.arange(0.0, cut.length_m + 0.5 * CURVE_STEP_M, CURVE_STEP_M)
        grid[-1] = min(grid[-1], cut.length_m)
        height = float(fit.beta[fit.names.index(f"{day.key}:height")])
        crr = float(fit.beta[fit.names.index(f"{day.key}:crr")])
        weight = day.mass_kg * day.gravity_m_s2
        rises, closing = [], []
        of_drag, of_load = lap_factors(day, fit.beta, crr)
        if day.leg_warmth_c is not None:
            of_load = of_load * (1.0 + day.rolling_per_c * day.leg_warmth_c)
        for k, leg in enumerate(cut.legs):
            rise = virtual_rise_m(
                leg,
                weight_n=weight,
                effective_mass_kg=day.mass_kg + day.wheel_inertia_kg_m2 / day.wheel_radius_m**2,
                wheel_power_scale=day.power_scale * day.drivetrain_efficiency,
                wheel_power_offset_w=day.power_offset_w * day.drivetrain_efficiency,
                rolling_force_n=crr * weight * of_load[k],
                bearing_drag_n=day.bearing_drag_n,
                bearing_drag_n_s_m=day.bearing_drag_n_s_m,
                density_kg_m3=float(day.density_kg_m3[k]),
                cda_with_wheels_m2=of_drag[k]
                * (float(fit.beta[day.position[k]]) + day.wheel_drag_area_m2),
                headwind_m_s=float(answers.headwind_m_s[at + k]),
                crosswind_squared=day.crosswind_squared,
            )
            if day.laps is not None:
                rises.append(mean_lap(leg, rise, grid, cut.length_m))
                closing.append(float(rises[-1][-1]))
                continue
            order = np.argsort(leg.along_m)
            start = 0.0 if leg.direction > 0 else height
            rises.append(np.interp(grid, leg.along_m[order], rise[order] + start))
            closing.append(float(rise[-1] - leg.direction * height))
        # Legs are tilted to close before they are averaged: the road itself has no closing error.
        share = grid / cut.length_m
        closed = [
            r - c * (share if leg.direction > 0 else 1.0 - share)
            for r, c, leg in zip(rises, closing, cut.legs, strict=True)
        ]
        road = np.mean(closed, axis=0)
        profiles.append(RoadProfile(session=day.key, distance_m=grid.copy(), elevation_m=road))
        for leg, r, c in zip(cut.legs, rises, closing, strict=True):
            curves.append(
                LegCurve(
                    session=day.key,
                    run=leg.run,
                    position=leg.position,
                    leg=leg.name,
                    distance_m=grid,
                    virtual_minus_shared_m=r - road,
                    closing_error_m=c,
                )
            )
        at += len(cut.legs)
    return tuple(curves), tuple(profiles)


def settings_used(sessions: Sequence[Session]) -> dict[str, object]:
    """Return every setting of every session with its source; places are left out."""
    answer: dict[str, object] = {}
    for one in sessions:
        dumped = one.settings.model_dump(mode="json")
        flat: dict[str, object] = {}

        def walk(prefix: str, value: object, flat: dict[str, object] = flat) -> None:
            if isinstance(value, dict):
                for key, item in value.items():
                    walk(f"{prefix}.{key}" if prefix else str(key), item)
            elif prefix.endswith(("gate_a", "gate_b")):
                flat[prefix] = "given" if value is not None else None
            elif isinstance(value, list) and value and isinstance(value[0], dict):
                for item in value:
                    walk(f"{prefix}.{item.get('id', '?')}", item)
            else:
                flat[prefix] = value

        walk("", dumped)
        answer[one.key] = {
            key: {"value": value, "source": one.sources.get(key, "default")}
            for key, value in flat.items()
        }
    return answer


def software() -> dict[str, str]:
    """Return the versions that the numbers were made with."""
    return dict(_versions())


@cache
def _versions() -> tuple[tuple[str, str], ...]:
    import platform
    from importlib.metadata import version

    names = ("numpy", "scipy", "pandas", "lmfit", "pydantic", "fitdecode")
    return (("python", platform.python_version()), *((name, version(name)) for name in names))
