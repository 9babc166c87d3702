"""Leg totals drawn straight from the measurement model, for tests of the estimation.

No second-by-second ride: every leg is one step of constant speed. The speed answers power, drag,
road and wind; the work is then what the energy equation asks for, written out here a second time
so that a sign wrong in the tool cannot hide. Everything the tool does not know is drawn: variance
components from their priors, random effects, slow wind, drifts, and the error of every input.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from cda.elevation import LegEnergies
from cda.estimation import DayInputs

G = 9.81
LEG_M, TURN_S = 1200.0, 45.0
ETA, CRR, RHO, RIDER, BIKE = 0.976, 0.0045, 1.19, 74.0, 10.0
INERTIA, RADIUS, WHEELS, B0, B1 = 0.14, 0.335, 0.004, 0.091, 0.0087
SYSTEMATIC = {
    "power_scale": 0.010,
    "power_offset_w": 0.5,
    "power_delay_s": 0.3,
    "drivetrain_efficiency": 0.004,
    "speed_scale": 0.001,
    "rider_mass_kg": 0.3,
    "bike_mass_kg": 0.1,
    "density_relative": 0.002,
    "crosswind_squared": 0.5,
}


@dataclass(frozen=True, kw_only=True)
class Design:
    """What is ridden, and how strong everything is that the tool does not know."""

    order: tuple[int, ...] = (0, 1, 2, 2, 1, 0, 0, 1, 2, 2, 1, 0)
    powers_w: tuple[float, ...] = (190.0, 240.0)
    power_of_position: bool = False
    cda_m2: tuple[float, ...] = (0.280, 0.272, 0.268)
    wind_m_s: float = 1.5
    crosswind_m_s: float = 3.0
    height_m: float = 1.0
    run_sd_m2: float = 0.002
    leg_wind_sd_m_s: float = 0.2
    slow_wind_sd_m_s: float = 0.3
    slow_time_s: float = 900.0
    height_sd_m: float = 0.22
    reading_sd_m_s: float = 0.6
    crr_sd: float = 0.0003
    crr_drift_sd_per_h: float = 0.02
    offset_drift_sd_w_per_h: float = 1.0
    response: float = 1.0
    airspeed: bool = False
    airspeed_position_scale_sd: float = 0.003
    systematic_sd: dict[str, float] = field(default_factory=lambda: dict(SYSTEMATIC))


def draw_errors(rng: np.random.Generator, sd: dict[str, float]) -> dict[str, float]:
    """Return how far each true input lies above what the tool is told."""
    return {name: float(rng.normal(0.0, s)) for name, s in sd.items()}


def draw_day(
    design: Design,
    rng: np.random.Generator,
    *,
    key: str = "s1",
    errors: dict[str, float] | None = None,
    crr_error: float | None = None,
    day_m2: float = 0.0,
    position_by_day_m2: np.ndarray | None = None,
    instrument: dict[str, str] | None = None,
) -> DayInputs:
    """Draw one test day; the true CdA is `design.cda_m2`."""
    sd = design.systematic_sd
    wrong = draw_errors(rng, sd) if errors is None else errors
    n_run = len(design.order)
    run = np.repeat(np.arange(1, n_run + 1), 2)
    position = np.repeat(np.array(design.order), 2)
    n = len(run)
    direction = np.tile([1.0, -1.0], n_run)
    n_power = len(design.powers_w)
    taking = np.array([design.order[:k].count(p) for k, p in enumerate(design.order)])
    which = np.array(design.order) if design.power_of_position else taking
    power = np.repeat(np.array(design.powers_w)[which % n_power], 2)
    power = power * np.exp(rng.normal(0.0, 0.01, n))
    about = LEG_M / 10.5 + TURN_S
    start = about * np.arange(n) + 120.0 * (run - 1)
    hours = start / 3600.0
    hours -= hours.min()

    cda = np.array(design.cda_m2)[position] + day_m2
    if position_by_day_m2 is not None:
        cda = cda + position_by_day_m2[position]
    cda = cda + rng.normal(0.0, design.run_sd_m2, n_run)[run - 1]
    correlation = np.exp(-np.abs(start[:, None] - start[None, :]) / design.slow_time_s)
    slow = design.slow_wind_sd_m_s * (np.linalg.cholesky(correlation) @ rng.standard_normal(n))
    gust = rng.normal(0.0, design.leg_wind_sd_m_s, n)
    headwind = direction * (design.wind_m_s + slow) + gust

    def drift(sd_per_h: float) -> np.ndarray:
        steps = rng.normal(0.0, np.sqrt(np.diff(hours, prepend=hours[0])))
        walk = np.cumsum(steps)
        return sd_per_h * (np.sqrt(0.8) * rng.normal() * hours + np.sqrt(0.2) * walk)

    crr_believed = CRR
    crr_wrong = rng.normal(0.0, design.crr_sd) if crr_error is None else crr_error
    crr = (CRR + crr_wrong) + CRR * drift(design.crr_drift_sd_per_h)
    offset = wrong["power_offset_w"] + drift(design.offset_drift_sd_w_per_h)
    mass = RIDER + BIKE + wrong["rider_mass_kg"] + wrong["bike_mass_kg"]
    effective = mass + INERTIA / RADIUS**2
    eta = ETA + wrong["drivetrain_efficiency"]
    rho = RHO * (1.0 + wrong["density_relative"])
    speed_scale = 1.0 + wrong["speed_scale"]
    crosswind2 = design.crosswind_m_s**2 + wrong["crosswind_squared"]
    assert crosswind2 >= 0.0

    def force(v: np.ndarray, wind: np.ndarray) -> np.ndarray:
        u = v + wind
        air = 0.5 * rho * (cda + WHEELS) * np.sqrt(u * u + crosswind2) * u
        grade = direction * design.height_m / LEG_M
        return air + mass * G * (crr + grade) + B0 + B1 * v

    met = direction * design.wind_m_s + design.response * (headwind - direction * design.wind_m_s)
    low, high = np.full(n, 1.0), np.full(n, 25.0)
    for _ in range(50):
        v = 0.5 * (low + high)
        over = force(v, met) * v > eta * power
        low, high = np.where(over, low, v), np.where(over, v, high)
    half_v2 = rng.normal(0.0, 2.0, n)  # a leg is not left at the speed it was entered with
    length, duration = np.full(n, LEG_M), LEG_M / v
    at_wheel = force(v, headwind) * length + effective * half_v2
    per_delay = rng.normal(0.0, 15.0, n)
    meter = 1.0 + wrong["power_scale"]
    work = (at_wheel / eta - offset * duration) / meter - wrong["power_delay_s"] * per_delay

    seen_speed, seen_length = v / speed_scale, length / speed_scale
    airspeed = samples = None
    if design.airspeed:
        scale = 1.0 + rng.normal(0.0, 0.05)
        own = rng.normal(0.0, design.airspeed_position_scale_sd, len(design.cda_m2))
        samples = np.round(duration)
        true = v + headwind
        error = rng.normal(0.0, 0.1) + rng.normal(0.0, 0.3, n) / np.sqrt(samples)
        airspeed = (true + error) / (scale + own[position])
    energies = LegEnergies(
        direction=direction,
        length_m=seen_length,
        duration_s=duration,
        start_s=start,
        work_j=work,
        work_per_delay_w=per_delay,
        half_v2_change=half_v2 / speed_scale**2,
        speed_dx=seen_speed * seen_length,
        altitude_change_m=direction * design.height_m,
        step_speed_m_s=seen_speed,
        step_dx_m=seen_length,
        step_first=np.arange(n, dtype=np.intp),
        step_airspeed_m_s=None,
    )
    return DayInputs(
        key=key,
        energies=energies,
        position=position.astype(np.intp),
        run=run.astype(np.intp),
        density_kg_m3=np.full(n, RHO),
        gravity_m_s2=G,
        rider_mass_kg=RIDER,
        bike_mass_kg=BIKE,
        wheel_inertia_kg_m2=INERTIA,
        wheel_radius_m=RADIUS,
        wheel_drag_area_m2=WHEELS,
        bearing_drag_n=B0,
        bearing_drag_n_s_m=B1,
        drivetrain_efficiency=ETA,
        rolling_resistance=crr_believed,
        rolling_resistance_sd=design.crr_sd,
        rolling_resistance_drift_sd_per_h=design.crr_drift_sd_per_h,
        offset_drift_sd_w_per_h=design.offset_drift_sd_w_per_h,
        height_difference_m=design.height_m + float(rng.normal(0.0, design.height_sd_m)),
        height_difference_sd_m=design.height_sd_m,
        headwind_m_s=design.wind_m_s + float(rng.normal(0.0, design.reading_sd_m_s)),
        headwind_sd_m_s=design.reading_sd_m_s,
        crosswind_squared=design.crosswind_m_s**2,
        systematic_sd=dict(sd),
        instrument=dict(instrument or {}),
        airspeed_position_scale_sd=design.airspeed_position_scale_sd,
        leg_airspeed_m_s=airspeed,
        leg_airspeed_samples=samples,
    )
