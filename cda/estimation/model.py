"""The joint model of all legs: residuals, fixed effects and covariance components.

Every leg gives one energy equation. It is divided by how the leg's energy answers to wind along
the road, so that gusts and slow wind enter as wind speeds with mean zero. Regressors are smoothed
over what is not wind (position, direction, power): speed answers the wind, and a regressor that
carries the wind of its own leg would be correlated with the leg's error and bias CdA.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from cda.elevation import LegEnergies, air_path_integrals

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DayInputs:
    """Everything one test day brings to the model: legs, inputs and their standard uncertainties.

    Arrays have shape (n,), one element a leg; a `*_sd` is a standard uncertainty.
    `instrument` gives each systematic input the id of what it belongs to: inputs of two days with
    the same id share one error.
    """

    key: str
    energies: LegEnergies
    position: NDArray[np.intp]
    run: NDArray[np.intp]
    density_kg_m3: Array
    gravity_m_s2: float
    rider_mass_kg: float
    bike_mass_kg: float
    wheel_inertia_kg_m2: float
    wheel_radius_m: float
    wheel_drag_area_m2: float
    bearing_drag_n: float
    bearing_drag_n_s_m: float
    drivetrain_efficiency: float
    rolling_resistance: float
    rolling_resistance_sd: float
    rolling_resistance_drift_sd_per_h: float
    offset_drift_sd_w_per_h: float
    height_difference_m: float | None
    height_difference_sd_m: float
    headwind_m_s: float | None
    headwind_sd_m_s: float
    crosswind_squared: float
    systematic_sd: Mapping[str, float]
    instrument: Mapping[str, str]
    power_scale: float = 1.0
    power_offset_w: float = 0.0
    speed_scale: float = 1.0
    airspeed_scale: float = 1.0
    airspeed_scale_sd: float = 0.05
    airspeed_position_scale_sd: float = 0.005
    airspeed_offset_sd_m_s: float = 0.1
    airspeed_noise_sd_m_s: float = 0.3
    leg_airspeed_m_s: Array | None = None
    leg_airspeed_samples: Array | None = None
    shift: Mapping[str, float] = field(default_factory=dict)

    @property
    def mass_kg(self) -> float:
        """Return rider and bike together, with whatever shift is applied."""
        return (
            self.rider_mass_kg
            + self.bike_mass_kg
            + self.shift.get("rider_mass_kg", 0.0)
            + self.shift.get("bike_mass_kg", 0.0)
        )


# Systematic inputs that are shifted one by one to see what they do to CdA.
SYSTEMATIC_INPUTS = {
    "power_scale": "power meter scale",
    "power_offset_w": "power meter zero",
    "power_delay_s": "power delay",
    "drivetrain_efficiency": "drivetrain efficiency",
    "speed_scale": "speed scale",
    "rider_mass_kg": "rider mass",
    "bike_mass_kg": "bike mass",
    "density_relative": "air density",
    "crosswind_squared": "crosswind",
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DayEquations:
    """Linearised equations of one day at the current fixed effects, in wind units [m/s].

    `residual` (n,), `cda` (n,) regressor of the leg's own position, `height`, `wind`, `crr` (n,);
    `leg_wind` (n,) the sign and size with which wind along the axis enters (all near +-1).
    """

    residual: Array
    cda: Array
    height: Array
    wind: Array
    crr: Array
    leg_wind: Array
    offset_w: Array
    energy_per_wind: Array


def day_equations(
    day: DayInputs, cda_m2: Array, height_m: float, wind_m_s: float, crr: float, extra: float
) -> DayEquations:
    """Return residual and regressors of one day.

    Parameters
    ----------
    day : DayInputs
    cda_m2 : ndarray, shape (positions,)
        Without the wheels. [m^2]
    height_m, wind_m_s, crr : float
        Gate B above gate A [m]; mean wind along the axis against "out" [m/s]; Crr.
    extra : float
        Variance of slow wind along the road, which drag feels beside the mean. [m^2/s^2]
    """
    e, shift = day.energies, day.shift
    scale = day.speed_scale + shift.get("speed_scale", 0.0)
    mass = day.mass_kg
    effective = mass + day.wheel_inertia_kg_m2 / day.wheel_radius_m**2
    eta = day.drivetrain_efficiency + shift.get("drivetrain_efficiency", 0.0)
    work = (day.power_scale + shift.get("power_scale", 0.0)) * (
        e.work_j + shift.get("power_delay_s", 0.0) * e.work_per_delay_w
    ) + (day.power_offset_w + shift.get("power_offset_w", 0.0)) * e.duration_s
    length = e.length_m * scale
    weight = mass * day.gravity_m_s2
    rho = day.density_kg_m3 * (1.0 + shift.get("density_relative", 0.0))
    crosswind_squared = max(day.crosswind_squared + shift.get("crosswind_squared", 0.0), 0.0)
    air, slope = air_path_integrals(e, e.direction * wind_m_s, crosswind_squared, scale)
    air = air + extra * length
    area = cda_m2[day.position] + day.wheel_drag_area_m2
    energy = (
        eta * work
        - effective * scale**2 * e.half_v2_change
        - day.bearing_drag_n * length
        - day.bearing_drag_n_s_m * e.speed_dx * scale**2
        - crr * weight * length
        - e.direction * weight * height_m
        - 0.5 * rho * area * air
    )
    per_wind = 0.5 * rho * area * slope
    # Smooth over everything but the wind of the single leg.
    smooth_air = _without_own_wind(day, 0.5 * rho * air / per_wind)
    smooth_unit = _without_own_wind(day, 1.0 / per_wind)
    return DayEquations(
        residual=energy / per_wind,
        cda=smooth_air,
        height=e.direction * weight * smooth_unit,
        wind=e.direction.copy(),
        crr=weight * length * smooth_unit,
        leg_wind=e.direction.copy(),
        offset_w=eta * e.duration_s * smooth_unit,
        energy_per_wind=per_wind,
    )


def _without_own_wind(day: DayInputs, values: Array) -> Array:
    """Predict a positive leg quantity from position, direction and power alone."""
    e = day.energies
    log_power = np.log(np.maximum(e.work_j / e.duration_s, 1.0))
    columns = [(day.position == p).astype(float) for p in np.unique(day.position)]
    if np.ptp(e.direction) > 0:
        columns.append(e.direction)
    if np.std(log_power) > 0.02 and len(values) > len(columns) + 4:
        columns.append(log_power - log_power.mean())
    design = np.column_stack(columns)
    coefficient, *_ = np.linalg.lstsq(design, np.log(values), rcond=None)
    return np.asarray(np.exp(design @ coefficient))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class System:
    """All days stacked: rows are legs, then airspeed readings of legs, then prior beliefs."""

    y: Array
    x: Array
    components: tuple[Array, ...]
    component_names: tuple[str, ...]
    fixed: tuple[Array, ...]
    fixed_names: tuple[str, ...]
    names: tuple[str, ...]
    n_legs: int
    equations: tuple[DayEquations, ...]


def fixed_effect_names(days: Sequence[DayInputs], positions: Sequence[str]) -> tuple[str, ...]:
    """Return the names of the fixed effects: CdA of each position, then three a day."""
    per_day = [f"{day.key}:{what}" for day in days for what in ("height", "wind", "crr")]
    return (*positions, *per_day)


def build_system(
    days: Sequence[DayInputs],
    positions: Sequence[str],
    beta: Array,
    *,
    slow_time_s: float,
    slow_variance: float,
    by_run: bool = False,
) -> System:
    """Stack the days' equations at the fixed effects `beta`; see the module's docstring."""
    n_pos = len(positions)
    names = fixed_effect_names(days, positions)
    equations = tuple(
        day_equations(
            day,
            beta[:n_pos],
            float(beta[n_pos + 3 * i]),
            float(beta[n_pos + 3 * i + 1]),
            float(beta[n_pos + 3 * i + 2]),
            slow_variance,
        )
        for i, day in enumerate(days)
    )
    n = sum(len(q.residual) for q in equations)
    x = np.zeros((n, len(names)))
    row_of, at = [], 0
    for i, (day, q) in enumerate(zip(days, equations, strict=True)):
        rows = np.arange(at, at + len(q.residual))
        x[rows, day.position] = q.cda
        x[rows, n_pos + 3 * i] = q.height
        x[rows, n_pos + 3 * i + 1] = q.wind
        x[rows, n_pos + 3 * i + 2] = q.crr
        row_of.append(rows)
        at += len(rows)
    y = np.concatenate([q.residual for q in equations])
    cda_column = np.concatenate([q.cda for q in equations])
    day_of = np.concatenate([np.full(len(r), i) for i, r in enumerate(row_of)])
    run_of = np.concatenate([day.run for day in days])
    position_of = np.concatenate([day.position for day in days])
    start = np.concatenate([day.energies.start_s for day in days])
    sign = np.concatenate([q.leg_wind for q in equations])
    same_day = day_of[:, None] == day_of[None, :]
    same_run = same_day & (run_of[:, None] == run_of[None, :])
    outer_cda = np.outer(cda_column, cda_column)
    lag = np.abs(start[:, None] - start[None, :])
    slow = np.where(same_day, np.exp(-lag / slow_time_s), 0.0)
    components = {
        "leg_wind": np.eye(n),
        "run": np.where(same_run, outer_cda, 0.0),
        "slow_wind": np.outer(sign, sign) * slow,
    }
    if len(days) > 1:
        same_position = position_of[:, None] == position_of[None, :]
        components["position_by_day"] = np.where(same_day & same_position, outer_cda, 0.0)
        components["day"] = np.where(same_day, outer_cda, 0.0)
    if by_run:
        del components["run"]
    fixed = dict(_drift(days, equations, row_of, n))
    small = sum(fixed.values()) if fixed else np.zeros((n, n))
    assert isinstance(small, np.ndarray)

    airspeed = _airspeed_rows(days, equations, row_of, n)
    if airspeed is not None:
        y, x, components, fixed = _stack_airspeed(
            airspeed, y, x, components, fixed, sign, slow, cda_column, n
        )
        x[n:, :] = 0.0
        for rows, i in airspeed.day_rows:
            x[rows, n_pos + 3 * i + 1] = airspeed.sign[rows - n]
        wind_at = np.array([beta[n_pos + 3 * int(i) + 1] for i in airspeed.day_index])
        y[n:] = airspeed.value - airspeed.sign * wind_at
    y, x, components, fixed = _stack_priors(days, beta, n_pos, y, x, components, fixed)
    return System(
        y=y,
        x=x,
        components=tuple(components.values()),
        component_names=tuple(components),
        fixed=tuple(fixed.values()),
        fixed_names=tuple(fixed),
        names=names,
        n_legs=n,
        equations=equations,
    )


def _drift(
    days: Sequence[DayInputs],
    equations: Sequence[DayEquations],
    row_of: Sequence[NDArray[np.intp]],
    n: int,
) -> dict[str, Array]:
    """Covariance of the slow drifts of power zero and Crr: linear plus random walk, as declared.

    Half of the declared variance at one hour is given to each kind of drift. Drift is counted
    from the middle of the test: its level there belongs to the offset and to Crr themselves.
    """
    zero, rolling = np.zeros((n, n)), np.zeros((n, n))
    for day, q, rows in zip(days, equations, row_of, strict=True):
        hours = (day.energies.start_s - day.energies.start_s.mean()) / 3600.0
        first = hours - hours.min()
        walk = np.minimum.outer(first, first)
        centred = walk - walk.mean(0) - walk.mean(1)[:, None] + walk.mean()
        shape = 0.5 * np.outer(hours, hours) + 0.5 * centred
        block = np.ix_(rows, rows)
        zero[block] = np.outer(q.offset_w, q.offset_w) * shape * day.offset_drift_sd_w_per_h**2
        sd = day.rolling_resistance * day.rolling_resistance_drift_sd_per_h
        rolling[block] = np.outer(q.crr, q.crr) * shape * sd**2
    return {"power zero drift": zero, "rolling resistance drift": rolling}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Airspeed:
    value: Array
    sign: Array
    leg: NDArray[np.intp]
    day_index: NDArray[np.intp]
    day_rows: tuple[tuple[NDArray[np.intp], int], ...]
    scale: Array
    position: Array
    offset: Array
    noise: Array


def _airspeed_rows(
    days: Sequence[DayInputs],
    equations: Sequence[DayEquations],
    row_of: Sequence[NDArray[np.intp]],
    n: int,
) -> _Airspeed | None:
    values, signs, legs, index, day_rows = [], [], [], [], []
    speeds, positions, noise, sds = [], [], [], []
    at = n
    for i, (day, q, rows) in enumerate(zip(days, equations, row_of, strict=True)):
        if day.leg_airspeed_m_s is None or day.leg_airspeed_samples is None:
            continue
        good = np.isfinite(day.leg_airspeed_m_s)
        e = day.energies
        speed = e.length_m / e.duration_s * day.speed_scale
        values.append((day.leg_airspeed_m_s * day.airspeed_scale - speed)[good])
        signs.append(q.leg_wind[good])
        legs.append(rows[good])
        index.append(np.full(int(good.sum()), i))
        speeds.append((day.leg_airspeed_m_s * day.airspeed_scale)[good])
        positions.append(day.position[good])
        noise.append(
            (day.airspeed_noise_sd_m_s / np.sqrt(np.maximum(day.leg_airspeed_samples, 1.0)))[good]
        )
        sds.append(
            np.tile(
                [
                    day.airspeed_scale_sd,
                    day.airspeed_position_scale_sd,
                    day.airspeed_offset_sd_m_s,
                ],
                (int(good.sum()), 1),
            )
        )
        day_rows.append((np.arange(at, at + int(good.sum())), i))
        at += int(good.sum())
    if not values:
        return None
    speed, sd = np.concatenate(speeds), np.concatenate(sds)
    position, day_index = np.concatenate(positions), np.concatenate(index)
    same_day = day_index[:, None] == day_index[None, :]
    same_position = same_day & (position[:, None] == position[None, :])
    outer = np.outer(speed, speed)
    return _Airspeed(
        value=np.concatenate(values),
        sign=np.concatenate(signs),
        leg=np.concatenate(legs),
        day_index=day_index,
        day_rows=tuple(day_rows),
        scale=np.where(same_day, outer * np.outer(sd[:, 0], sd[:, 0]), 0.0),
        position=np.where(same_position, outer * np.outer(sd[:, 1], sd[:, 1]), 0.0),
        offset=np.where(same_day, np.outer(sd[:, 2], sd[:, 2]), 0.0),
        noise=np.diag(np.concatenate(noise) ** 2),
    )


def _stack_airspeed(
    a: _Airspeed,
    y: Array,
    x: Array,
    components: dict[str, Array],
    fixed: dict[str, Array],
    sign: Array,
    slow: Array,
    cda_column: Array,
    n: int,
) -> tuple[Array, Array, dict[str, Array], dict[str, Array]]:
    m = len(a.value)
    total = n + m
    leg_of = np.concatenate([np.arange(n), a.leg])
    every_sign = np.concatenate([sign, a.sign])
    same_leg = leg_of[:, None] == leg_of[None, :]
    grown = {key: _pad(value, total) for key, value in components.items()}
    # The same wind of a leg is in its energy and in its airspeed; what the energy has beside
    # wind (wobble of the rider, power noise) is a component of its own.
    grown["leg_wind"] = same_leg * 1.0
    grown["slow_wind"] = np.outer(every_sign, every_sign) * slow[np.ix_(leg_of, leg_of)]
    grown["leg_drag"] = _pad(np.diag(cda_column**2), total)
    fixed = {key: _pad(value, total) for key, value in fixed.items()}
    for name, block in (
        ("airspeed scale", a.scale),
        ("airspeed scale of the position", a.position),
        ("airspeed offset", a.offset),
        ("airspeed noise", a.noise),
    ):
        fixed[name] = _pad(block, total, at=n)
    return (
        np.concatenate([y, a.value]),
        np.vstack([x, np.zeros((m, x.shape[1]))]),
        grown,
        fixed,
    )


def _stack_priors(
    days: Sequence[DayInputs],
    beta: Array,
    n_pos: int,
    y: Array,
    x: Array,
    components: dict[str, Array],
    fixed: dict[str, Array],
) -> tuple[Array, Array, dict[str, Array], dict[str, Array]]:
    """Add what was believed or measured beside the legs as rows of their own."""
    rows, values, sds, labels = [], [], [], []
    for i, day in enumerate(days):
        at = n_pos + 3 * i
        beliefs = [
            (at + 2, day.rolling_resistance, day.rolling_resistance_sd, "rolling resistance"),
        ]
        if day.height_difference_m is not None:
            beliefs.append(
                (at, day.height_difference_m, day.height_difference_sd_m, "height difference")
            )
        else:
            beliefs.append((at, 0.0, day.height_difference_sd_m, "height difference"))
        beliefs.append(
            (at + 1, day.headwind_m_s or 0.0, day.headwind_sd_m_s, "weather reading of wind")
        )
        for column, value, sd, label in beliefs:
            row = np.zeros(x.shape[1])
            row[column] = 1.0
            rows.append(row)
            values.append(value - beta[column])
            sds.append(sd)
            labels.append(label)
    n, total = len(y), len(y) + len(rows)
    grown = {key: _pad(value, total) for key, value in components.items()}
    fixed = {key: _pad(value, total) for key, value in fixed.items()}
    for k, (sd, label) in enumerate(zip(sds, labels, strict=True)):
        block = fixed.setdefault(label, np.zeros((total, total)))
        block[n + k, n + k] = sd**2
    return np.concatenate([y, values]), np.vstack([x, np.array(rows)]), grown, fixed


def _pad(block: Array, total: int, at: int = 0) -> Array:
    grown = np.zeros((total, total))
    grown[at : at + len(block), at : at + len(block)] = block
    return grown


def shifted(day: DayInputs, name: str, amount: float) -> DayInputs:
    """Return the day with one systematic input moved by `amount`."""
    return replace(day, shift={**day.shift, name: day.shift.get(name, 0.0) + amount})
