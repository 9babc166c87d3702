"""Invented estimates, complete in every field, for tests of what is computed from them."""

from __future__ import annotations

from itertools import combinations

import numpy as np

from cda.results import (
    BudgetLine,
    Difference,
    Estimate,
    Finding,
    InputFile,
    Joint,
    LegCurve,
    LegWind,
    PositionEstimate,
    RoadProfile,
    RunEstimate,
    SessionSummary,
    ValueWithUncertainty,
    Variance,
)

SHARED = (
    "rolling_resistance",
    "power_scale",
    "power_offset_w",
    "rider_mass_kg",
    "bike_mass_kg",
    "drivetrain_efficiency",
)
SHARED_MEAN = np.array([0.0042, 1.0, 0.0, 73.6, 9.8, 0.976])
SHARED_SD = np.array([0.00029, 0.015, 1.0, 0.3, 0.1, 0.005])
# dCdA / d(shared input) at 11 m/s and 85 kg, by the power-speed equation (design.md, fact 10):
# power +1 % -> +0.0035 m², Crr +0.0001 -> -0.00115, +1 W -> +0.00125, +1 kg -> -0.0005.
SHARED_TO_CDA = np.array([-11.5, 0.35, 0.00125, -0.0005, -0.0005, 0.358])
CONSTANTS = {
    "wheel_drag_area_m2": 0.0044,
    "bearing_drag_n": 0.091,
    "bearing_drag_n_s_m": 0.0087,
    "wheel_inertia_kg_m2": 0.14,
    "wheel_radius_m": 0.335,
    "gravity_m_s2": 9.80665,
}
POSITIONS: dict[str, dict[str, object]] = {
    "tall": {"label": "Head up, eyes on the horizon", "cda": 0.2761},
    "low": {
        "label": "Chin down, shoulders rounded",
        "cda": 0.2672,
        "hold_share": 0.7,
        "power_cost_w": 2.0,
        "power_cost_sd_w": 1.0,
        "cue": "look under the brows",
    },
    "narrow": {"label": "Elbows closer", "cda": 0.2690},
    "wide": {"label": "Elbows wide", "cda": 0.2830, "comfort": 8.0},
    "shrug": {"label": "Shrugged, head between the arms", "cda": 0.2610, "hold_share": 0.3},
}


def make_joint(
    cda: dict[str, float], *, statistical_se: float = 0.0021, dof: float = 17.2
) -> Joint:
    """Return a joint distribution: independent replication, shared systematic inputs."""
    ids = tuple(cda)
    n = len(ids)
    jacobian = np.vstack([np.tile(SHARED_TO_CDA, (n, 1)), np.eye(len(SHARED))])
    systematic = jacobian @ np.diag(SHARED_SD**2) @ jacobian.T
    statistical = np.zeros_like(systematic)
    statistical[:n, :n] = np.eye(n) * statistical_se**2
    return Joint(
        names=ids + SHARED,
        mean=np.concatenate([np.array(list(cda.values())), SHARED_MEAN]),
        covariance=systematic + statistical,
        statistical_covariance=statistical,
        statistical_dof=dof,
        dof=(dof,) * n + (None,) * len(SHARED),
        constants=CONSTANTS,
    )


def make_estimate(
    positions: tuple[str, ...] = ("tall", "low", "narrow", "wide"),
    *,
    cda: dict[str, float] | None = None,
    statistical_se: float = 0.0021,
    dof: float = 17.2,
    runs_each: int = 6,
    level: float = 0.95,
    findings: tuple[Finding, ...] = (),
    overrides: dict[str, dict[str, object]] | None = None,
) -> Estimate:
    """Return an invented estimate; the first position is the reference."""
    from scipy.stats import t

    facts = {
        name: {**POSITIONS.get(name, {"label": name.title(), "cda": 0.27})}
        | (overrides or {}).get(name, {})
        for name in positions
    }
    values = {name: float((cda or {}).get(name, facts[name]["cda"])) for name in positions}  # type: ignore[arg-type]
    joint = make_joint(values, statistical_se=statistical_se, dof=dof)
    quantile, reference = float(t.ppf(0.5 + level / 2, dof)), positions[0]
    rows = []
    for i, name in enumerate(positions):
        se = float(np.sqrt(joint.covariance[i, i]))
        systematic_se = float(np.sqrt(se**2 - statistical_se**2))
        combined_dof = dof * se**4 / statistical_se**4
        half = float(t.ppf(0.5 + level / 2, combined_dof)) * se
        rows.append(
            PositionEstimate(
                id=name,
                label=str(facts[name]["label"]),
                reference=name == reference,
                runs=runs_each,
                legs=2 * runs_each,
                cda_m2=values[name],
                cda_with_wheels_m2=values[name] + 0.0044,
                se_m2=se,
                statistical_se_m2=statistical_se,
                statistical_dof=dof,
                systematic_se_m2=systematic_se,
                dof=combined_dof,
                interval_m2=(values[name] - half, values[name] + half),
                mean_power_w=215.0,
                mean_speed_m_s=10.4,
                **{
                    key: facts[name][key]  # type: ignore[arg-type]
                    for key in ("cue", "hold_share", "power_cost_w", "power_cost_sd_w", "comfort")
                    if key in facts[name]
                },
            )
        )
    differences = []
    for first, second in sorted(
        combinations(positions, 2),
        key=lambda pair: (pair[0] != reference, positions.index(pair[1])),
    ):
        delta, se = values[second] - values[first], float(np.sqrt(2.0)) * statistical_se
        half = quantile * se
        differences.append(
            Difference(
                position=second,
                reference=first,
                delta_cda_m2=delta,
                se_m2=se,
                dof=dof,
                interval_m2=(delta - half, delta + half),
                simultaneous_interval_m2=(delta - 1.25 * half, delta + 1.25 * half),
                adjusted_p=float(min(1.0, len(positions) * 2 * t.sf(abs(delta) / se, dof))),
                probability_lower_drag=float(t.cdf(-delta / se, dof)),
                resolved=abs(delta) > half,
                smallest_resolvable_m2=(quantile + float(t.ppf(0.8, dof))) * se,
                statistical_se_m2=se,
                systematic_se_m2=0.0001,
                probability_best=None,
                verdict="lower drag" if delta < -half else "cannot be told apart",
            )
        )
    runs, wind, curves = [], [], []
    noise = np.random.default_rng(20_260_509)
    order = [
        name for k in range(runs_each) for name in (positions if k % 2 == 0 else positions[::-1])
    ]
    grid = np.linspace(0.0, 1200.0, 61)
    for number, name in enumerate(order, start=1):
        used = number != 5
        runs.append(
            RunEstimate(
                session="s1",
                run=number,
                position=name,
                cda_m2=values[name] + float(noise.normal(0, 0.005)) if used else None,
                se_m2=0.005 if used else None,
                used=used,
                reason=None if used else "marked use = no",
                heart_rate_bpm=142.0,
                start_s=300.0 * number,
                legs=2,
                mean_power_w=215.0,
                mean_speed_m_s=10.4,
            )
        )
        for leg, sign in (("out", 1.0), ("back", -1.0)):
            wind.append(
                LegWind(
                    session="s1",
                    run=number,
                    leg=leg,
                    headwind_m_s=sign * 0.8 + float(noise.normal(0, 0.2)),
                    se_m_s=0.2,
                    start_s=300.0 * number + (0.0 if leg == "out" else 140.0),
                    mean_speed_m_s=10.4,
                    mean_power_w=215.0,
                )
            )
            closing = float(noise.normal(0, 0.4))
            curves.append(
                LegCurve(
                    session="s1",
                    run=number,
                    position=name,
                    leg=leg,
                    distance_m=grid if leg == "out" else grid[::-1],
                    virtual_minus_shared_m=closing * np.linspace(0.0, 1.0, grid.size)
                    + 0.1 * np.sin(np.linspace(0.0, 12.0, grid.size)),
                    closing_error_m=closing,
                )
            )
    shared_sources = (
        "rolling resistance",
        "power meter scale",
        "power meter offset",
        "rider mass",
        "bike mass",
        "drivetrain efficiency",
    )
    budget = [
        BudgetLine(
            source=source,
            positions={name: float(abs(SHARED_TO_CDA[k]) * SHARED_SD[k]) for name in positions},
            differences={
                f"{d.position}-{d.reference}": 0.0001 if source == "power meter scale" else 0.0
                for d in differences
            },
        )
        for k, source in enumerate(shared_sources)
    ]
    budget.append(
        BudgetLine(
            source="replication over legs and runs",
            positions=dict.fromkeys(positions, statistical_se),
            differences={f"{d.position}-{d.reference}": float(d.se_m2) for d in differences},
            kind="statistical",
        )
    )
    return Estimate(
        cda_version="0.1.0",
        level=level,
        sessions=(
            SessionSummary(
                key="s1",
                title="Head positions, invented road",
                date="2026-05-09",
                folder="invented_road",
                rider_id="rider-1",
                air_density_kg_m3=1.222,
                rolling_resistance=ValueWithUncertainty(value=0.0042, se=0.00029, prior_se=0.0003),
                height_difference_m=ValueWithUncertainty(value=1.84, se=0.06),
                protocol="out-and-back",
                course_length_m=1200.0,
                mean_headwind_m_s=ValueWithUncertainty(value=0.8, se=0.1),
                duration_min=95.0,
            ),
        ),
        positions=tuple(rows),
        differences=tuple(differences),
        runs=tuple(runs),
        wind=tuple(wind),
        variance=Variance(
            run_to_run_sd_m2=0.0020,
            leg_sd_m2=0.0110,
            day_to_day_sd_m2=None,
            slow_wind_sd_m_s=0.4,
            slow_wind_time_s=900.0,
        ),
        budget=tuple(budget),
        joint=joint,
        findings=findings
        or (
            Finding(
                severity="note",
                code="run-not-used",
                where="run 5",
                message="marked use = no",
                session="s1",
            ),
        ),
        inputs=(InputFile(name="ride.fit", sha256="0" * 64),),
        settings={"rider": {"mass_kg": 73.6}},
        software={"numpy": np.__version__},
        curves=tuple(curves),
        profiles=(
            RoadProfile(
                session="s1",
                distance_m=grid,
                elevation_m=1.84 * grid / 1200.0 + np.sin(grid / 200.0),
            ),
        ),
    )
