"""One test day in the model: its inputs, and its energy equations in wind units.

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
from cda.errors import EstimationError
from cda.estimation.laps import Laps, lap_integrals

if TYPE_CHECKING:
    from collections.abc import Mapping

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
    leg_crosswind_squared: Array | None = None  # read by a yaw channel, leg by leg
    leg_wind_change_m_s: Array | None = None  # reading at each leg less its mean, against "out"
    leg_wind_change_sd: float = 0.0  # relative: the road need not see what the station sees
    leg_warmth_c: Array | None = None  # air above the temperature that Crr is meant for
    rolling_per_c: float = 0.0
    shift: Mapping[str, float] = field(default_factory=dict)
    laps: Laps | None = None  # of a loop or track; None out and back
    leg_wind_scale: float = 1.0  # this day's gusts and slow wind over those of the pooled days
    slow_wind_scale: float = 1.0
    # Height that a leg with weighted ends climbs beyond the gates' difference: relief between them.
    relief_shift_m: float = 0.0

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
    "rolling_per_c": "rolling resistance per degree",
    "wind_squared": "wind round the loop",
    "lean": "lean in the bends",
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

    Raises
    ------
    EstimationError
        If the wind pushes the rider along or CdA is below zero: the equation has no meaning there.
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
    area = cda_m2[day.position] + day.wheel_drag_area_m2
    if day.laps is None:
        along = wind_m_s + (0.0 if day.leg_wind_change_m_s is None else day.leg_wind_change_m_s)
        across: Array | float = crosswind_squared
        if day.leg_crosswind_squared is not None:
            read = day.leg_crosswind_squared + shift.get("crosswind_squared", 0.0)
            across = np.maximum(read, 0.0)
        air, slope = air_path_integrals(e, e.direction * along, across, scale)
        wheels, load, per_length = air, length, np.ones_like(length)
    else:
        air, wheels, slope, load = lap_integrals(day, area, wind_m_s, crr, crosswind_squared)
        per_length = length  # legs of two and of three laps: smoothed for each metre
    if day.leg_warmth_c is not None:
        per_c = day.rolling_per_c + shift.get("rolling_per_c", 0.0)
        load = load * (1.0 + per_c * day.leg_warmth_c)
    if not (air.min() > 0.0 and area.min() > 0.0):
        raise EstimationError(
            f"wind of {wind_m_s:.3g} m/s and CdA of {cda_m2.min():.3g} m²: no drag to be measured",
            where=f"session {day.key}",
            fix="check masses, the power meter's zero, the wind and the runs' laps or times",
        )
    air, wheels = air + extra * length, wheels + extra * length
    energy = (
        eta * work
        - effective * scale**2 * e.half_v2_change
        - day.bearing_drag_n * length
        - day.bearing_drag_n_s_m * e.speed_dx * scale**2
        - crr * weight * load
        - e.direction * weight * (height_m + day.relief_shift_m)
        - 0.5 * rho * (cda_m2[day.position] * air + day.wheel_drag_area_m2 * wheels)
    )
    per_wind = 0.5 * rho * area * slope
    # Smooth over everything but the wind of the single leg.
    smooth = without_own_wind(
        day, np.column_stack([0.5 * rho * air / per_wind, per_length / per_wind])
    )
    smooth_air, smooth_unit = smooth[:, 0], smooth[:, 1] / per_length
    return DayEquations(
        residual=energy / per_wind,
        cda=smooth_air,
        height=e.direction * weight * smooth_unit,
        wind=e.direction.copy(),
        crr=weight * load * smooth_unit,
        leg_wind=e.direction.copy(),
        offset_w=eta * e.duration_s * smooth_unit,
        energy_per_wind=per_wind,
    )


def without_own_wind(day: DayInputs, values: Array) -> Array:
    """Predict positive leg quantities from position, direction and power alone.

    Shape (n,) or (n, k) in and out. NaN marks legs without the quantity: they are predicted from
    the others.
    """
    e = day.energies
    log_power = np.log(np.maximum(e.work_j / e.duration_s, 1.0))
    columns = [(day.position == p).astype(float) for p in np.unique(day.position)]
    if np.ptp(e.direction) > 0:
        columns.append(e.direction)
    if np.std(log_power) > 0.02 and len(values) > len(columns) + 4:
        columns.append(log_power - log_power.mean())
    design = np.column_stack(columns)
    good = np.isfinite(values.reshape(len(values), -1)).all(axis=1)
    coefficient, *_ = np.linalg.lstsq(design[good], np.log(values[good]), rcond=None)
    return np.asarray(np.exp(design @ coefficient))


def shifted(day: DayInputs, name: str, amount: float) -> DayInputs:
    """Return the day with one systematic input moved by `amount`."""
    return replace(day, shift={**day.shift, name: day.shift.get(name, 0.0) + amount})
