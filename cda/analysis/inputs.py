"""From a session and its legs to what the regression takes in: air, wind, masses, beliefs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from cda.air import (
    air_density_with_uncertainty,
    normal_gravity,
    station_pressure,
)
from cda.analysis.laps import as_laps, down_to_rider
from cda.analysis.weather import (
    WIND_CHANGE_SD,
    crosswind_from_yaw,
    leg_temperature_c,
    over_time,
    wind_over_time,
)
from cda.elevation import leg_energies, leg_mean_share
from cda.estimation import GUST_TIMES_S, DayInputs

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from cda.elevation import LegEnergies
    from cda.legs import LegSet
    from cda.session import Session
    from cda.session.settings import WindSettings

# Altimeter difference over all legs: what the port's pressure error leaves, whatever the number
# of legs (design of the model: about 0.2 m), and the least that steps and lag leave.
PORT_ERROR_SD_M: Final = 0.2
ALTIMETER_FLOOR_SD_M: Final = 0.08
NO_ALTIMETER_SD_M: Final = 30.0  # no altimeter: the height difference is free
NO_READING_WIND_SD_M_S: Final = 5.0  # no weather reading: the wind along the road is free
# Crosswind that nobody read: wind comes from anywhere, so the part across is taken as large as
# the part along with this floor [m/s]; its square is uncertain by all of itself or more.
CROSSWIND_FLOOR_M_S: Final = 0.4


def day_inputs(session: Session, legs: LegSet, positions: Sequence[str]) -> DayInputs:
    """Gather everything one session brings to the regression.

    Parameters
    ----------
    session : Session
    legs : LegSet
        Its legs.
    positions : sequence of str
        Ids in the order of the estimate.
    """
    s = session.settings
    # Without altimeter the relief between the gates is not known, and round a loop nothing is
    # symmetric: there plain sums.
    out_and_back = legs.kind == "out-and-back"
    weigh = out_and_back and any(
        leg.altitude_m is not None and np.isfinite(leg.altitude_m).all() for leg in legs.legs
    )
    energies = leg_energies(legs.legs, weigh_ends=weigh)
    starts = energies.start_s
    temperature = leg_temperature_c(session, legs.legs)
    density, density_sd = leg_density(session, starts, temperature)
    hub = s.power_meter.location == "hub"
    height, height_sd = _height(session, energies.direction, energies.altitude_change_m)
    read = wind_over_time(session, starts, legs.bearing_deg) if out_and_back else None
    wind = s.wind if read is None else read.mean
    headwind, headwind_sd, cross2, cross2_sd = _wind(wind, legs.bearing_deg)
    yaw = crosswind_from_yaw(legs.legs, s.airspeed_sensor.scale)
    if yaw is not None:
        cross2, cross2_sd = float(np.mean(yaw[0])), yaw[1]
    per_c = s.bike.rolling_resistance_per_c
    believed_at = s.bike.rolling_resistance_at_c
    if believed_at is None:
        believed_at = float(np.mean(temperature))
    airspeed, samples = _leg_airspeed(energies)
    sd = {
        "power_scale": s.power_meter.scale_sd,
        "power_offset_w": s.power_meter.offset_sd_w,
        "power_delay_s": s.power_meter.delay_sd_s,
        "drivetrain_efficiency": 0.0 if hub else s.bike.drivetrain_efficiency_sd,
        "speed_scale": s.speed_sensor.scale_sd,
        "rider_mass_kg": s.rider.mass_sd_kg,
        "bike_mass_kg": s.bike.mass_sd_kg,
        "density_relative": density_sd / float(np.mean(density)),
        "crosswind_squared": cross2_sd,
        "rolling_per_c": 0.0 if per_c is None else s.bike.rolling_resistance_sd_per_c,
    }
    owner = {
        "power_scale": s.power_meter.id,
        "power_offset_w": f"{s.power_meter.id} on {session.key}",  # zeroed anew each day
        "power_delay_s": s.power_meter.id,
        "drivetrain_efficiency": s.bike.id,
        "speed_scale": s.bike.id,
        "bike_mass_kg": s.bike.id,
        "rolling_resistance": s.bike.id,
        "rolling_per_c": s.bike.id,
        "rider_mass_kg": session.key,
        "density_relative": session.key,
        "crosswind_squared": session.key,
    }
    air = s.airspeed_sensor
    inputs = DayInputs(
        key=session.key,
        energies=energies,
        position=np.array([positions.index(leg.position) for leg in legs.legs], dtype=np.intp),
        run=np.array([leg.run for leg in legs.legs], dtype=np.intp),
        density_kg_m3=density,
        gravity_m_s2=gravity_of(session),
        rider_mass_kg=s.rider.mass_kg,
        bike_mass_kg=s.bike.mass_kg,
        wheel_inertia_kg_m2=s.bike.wheel_inertia_kg_m2,
        wheel_radius_m=s.bike.wheel_radius_m,
        wheel_drag_area_m2=s.bike.wheel_drag_area_m2,
        bearing_drag_n=s.bike.bearing_drag_n,
        bearing_drag_n_s_m=s.bike.bearing_drag_n_s_m,
        drivetrain_efficiency=1.0 if hub else s.bike.drivetrain_efficiency,
        rolling_resistance=s.bike.rolling_resistance,
        rolling_resistance_sd=max(s.bike.rolling_resistance_sd, 1e-7),
        rolling_resistance_drift_sd_per_h=s.bike.rolling_resistance_drift_sd_per_h,
        offset_drift_sd_w_per_h=s.power_meter.offset_drift_sd_w_per_h,
        height_difference_m=height,
        height_difference_sd_m=height_sd,
        headwind_m_s=headwind,
        headwind_sd_m_s=headwind_sd,
        crosswind_squared=cross2,
        systematic_sd=sd,
        instrument=owner,
        speed_scale=s.speed_sensor.scale,
        airspeed_scale=air.scale,
        airspeed_scale_sd=max(air.scale_sd, 1e-6),
        airspeed_position_scale_sd=max(air.position_scale_sd, 1e-6),
        airspeed_offset_sd_m_s=max(air.offset_sd_m_s, 1e-4),
        airspeed_noise_sd_m_s=max(air.noise_sd_m_s, 0.02),
        leg_airspeed_m_s=airspeed,
        leg_airspeed_samples=samples,
        leg_crosswind_squared=None if yaw is None else yaw[0],
        leg_wind_change_m_s=None if read is None else read.change_m_s,
        leg_wind_change_sd=WIND_CHANGE_SD,
        leg_warmth_c=None if per_c is None else temperature - believed_at,
        rolling_per_c=per_c or 0.0,
        relief_shift_m=_relief_shift(energies) if weigh else 0.0,
    )
    return inputs if legs.kind == "out-and-back" else as_laps(inputs, session, legs)


def gravity_of(session: Session) -> float:
    """Return normal gravity at the ride, or at 45 degrees where no position is known."""
    recording = session.recordings[0]
    latitude, height = 45.0, 0.0
    if recording.latitude_deg is not None and np.isfinite(recording.latitude_deg).any():
        latitude = float(np.nanmedian(recording.latitude_deg))
    if recording.altitude_m is not None and np.isfinite(recording.altitude_m).any():
        height = float(np.clip(np.nanmedian(recording.altitude_m), -400.0, 5000.0))
    return float(normal_gravity(latitude, height))


def road_elevation_m(session: Session) -> float:
    """Return the height of the road for pressure: as given, else the recording's altitude."""
    given = session.settings.air.elevation_m
    if given is not None:
        return float(given)
    altitude = session.recordings[0].altitude_m
    if altitude is not None and np.isfinite(altitude).any():
        return float(np.clip(np.nanmedian(altitude), -430.0, 5000.0))
    return 0.0


def leg_density(
    session: Session,
    start_s: NDArray[np.float64],
    temperature_c: NDArray[np.float64] | None = None,
) -> tuple[NDArray[np.float64], float]:
    """Return air density for each leg, readings interpolated over time, and its uncertainty.

    Parameters
    ----------
    session : Session
    start_s : ndarray, shape (n,)
        When each leg began. [s]
    temperature_c : ndarray, shape (n,), or None
        At each leg; None takes the readings or the one value. [degC]

    Returns
    -------
    density : ndarray, shape (n,)
        [kg/m^3]
    se : float
        Common standard uncertainty: of the instruments, not of the change. [kg/m^3]
    """
    air = session.settings.air
    if air.density_kg_m3 is not None:
        return np.full(len(start_s), air.density_kg_m3), float(air.density_sd_kg_m3 or 0.0)
    station = air.pressure_hpa
    if station is None:
        assert air.sea_level_pressure_hpa is not None
        station = (
            float(station_pressure(air.sea_level_pressure_hpa * 100.0, road_elevation_m(session)))
            / 100.0
        )
    values = {}
    for name, constant in (
        ("temperature_c", air.temperature_c),
        ("pressure_hpa", station),
        ("relative_humidity", air.relative_humidity),
    ):
        values[name] = over_time(session.air_readings, name, start_s, constant)
    if temperature_c is not None:
        values["temperature_c"] = temperature_c
    answers = [
        air_density_with_uncertainty(
            temperature_c=float(t),
            pressure_hpa=float(p),
            relative_humidity=float(h),
            temperature_sd_c=air.temperature_sd_c,
            pressure_sd_hpa=air.pressure_sd_hpa,
            relative_humidity_sd=air.relative_humidity_sd,
        )
        for t, p, h in dict.fromkeys(zip(*values.values(), strict=True))
    ]
    distinct = dict(zip(dict.fromkeys(zip(*values.values(), strict=True)), answers, strict=True))
    density = np.array([distinct[row].density_kg_m3 for row in zip(*values.values(), strict=True)])
    return density, float(np.mean([a.se_kg_m3 for a in answers]))


def gust_share(energies: LegEnergies) -> float:
    """Return which share of the gusts' variance is left in the means over legs.

    It depends on their correlation time, which is taken as anywhere in its range.
    """
    duration = float(np.mean(energies.duration_s))
    return float(np.mean([leg_mean_share(duration, t) for t in np.geomspace(*GUST_TIMES_S, 7)]))


def _relief_shift(energies: LegEnergies) -> float:
    """Return what the weights of the ends add to the height between the gates, by the altimeter.

    Its error looks like height and wind along the road, which are free: it costs next to nothing.
    """
    shift = energies.relief_shift_m
    assert shift is not None
    signed = energies.direction * shift
    means = [
        float(np.mean(signed[mine]))
        for d in (1.0, -1.0)
        if (mine := (energies.direction == d) & np.isfinite(shift)).any()
    ]
    return float(np.mean(means)) if means else 0.0


def _height(
    session: Session, direction: NDArray[np.float64], change_m: NDArray[np.float64]
) -> tuple[float | None, float]:
    """Return B above A from the altimeter and from the survey together, with its uncertainty."""
    beliefs = []
    signed = (direction * change_m)[np.isfinite(change_m)]
    if len(signed) >= 2:
        # Directions apart: lag and trend enter them with opposite sign and cancel in the mean.
        means, variances = [], []
        for d in (1.0, -1.0):
            mine = (direction * change_m)[(direction == d) & np.isfinite(change_m)]
            if len(mine):
                means.append(float(np.mean(mine)))
                variances.append(float(np.var(mine, ddof=1)) / len(mine) if len(mine) > 1 else 1.0)
        noise = sum(variances) / len(variances) ** 2
        sd = float(np.sqrt(PORT_ERROR_SD_M**2 + max(noise, ALTIMETER_FLOOR_SD_M**2)))
        beliefs.append((float(np.mean(means)), sd))
    course = session.settings.course
    if course is not None and course.height_difference_m is not None:
        beliefs.append((course.height_difference_m, max(course.height_difference_sd_m, 1e-3)))
    if not beliefs:
        return None, NO_ALTIMETER_SD_M
    weight = sum(1.0 / sd**2 for _, sd in beliefs)
    return sum(v / sd**2 for v, sd in beliefs) / weight, float(weight**-0.5)


def _wind(
    wind: WindSettings | None, bearing: float | None
) -> tuple[float | None, float, float, float]:
    """Return the reading's headwind for "out" with its sd, and crosswind squared with its sd."""
    if wind is None:
        # Filled in from the fitted wind by the analysis: here only the floor is known.
        return None, NO_READING_WIND_SD_M_S, CROSSWIND_FLOOR_M_S**2, CROSSWIND_FLOOR_M_S**2
    factor = down_to_rider(wind)
    speed, speed_sd = factor * wind.speed_m_s, factor * wind.speed_sd_m_s
    if wind.from_deg is None or bearing is None:
        # A speed without a direction, or a road without one: either part has half the mean square.
        half = 0.5 * (speed**2 + speed_sd**2)
        return 0.0, float(np.sqrt(half + 0.3**2)), half + CROSSWIND_FLOOR_M_S**2, half
    angle = np.radians(wind.from_deg - bearing)
    spread = np.radians(wind.from_sd_deg)
    # The mean over an uncertain direction is shorter than the vector of the mean direction.
    shorter = float(np.exp(-0.5 * spread**2))
    along, across = shorter * speed * np.cos(angle), shorter * speed * np.sin(angle)
    along_sd = np.hypot(np.cos(angle) * speed_sd, np.sin(angle) * speed * spread)
    across_sd = np.hypot(np.sin(angle) * speed_sd, np.cos(angle) * speed * spread)
    # The reading is at one place and a mean over minutes; the road has its own wind.
    along_sd = float(np.hypot(along_sd, 0.3))
    across2 = float(across**2 + across_sd**2 + CROSSWIND_FLOOR_M_S**2)
    across2_sd = float(
        np.hypot(2.0 * abs(across) * across_sd, across_sd**2) + CROSSWIND_FLOOR_M_S**2
    )
    return float(along), along_sd, across2, across2_sd


def _leg_airspeed(
    energies: LegEnergies,
) -> tuple[NDArray[np.float64] | None, NDArray[np.float64] | None]:
    """Return each leg's mean airspeed over time, and how many samples it rests on."""
    channel = energies.step_airspeed_m_s
    if channel is None:
        return None, None
    good = np.isfinite(channel)
    seconds = energies.step_dx_m / np.maximum(energies.step_speed_m_s, 0.1)
    total = energies.sum_steps(np.where(good, seconds, 0.0))
    # A leg's energy asks for the wind's mean over distance times speed: v dx = v^2 dt. Weighted
    # so, the airspeed sees the same gusts as the energy.
    difference = np.where(good, channel - energies.step_speed_m_s, 0.0)
    weight = np.where(good, energies.step_speed_m_s * energies.step_dx_m, 0.0)
    summed = energies.sum_steps(weight)
    share = total / energies.duration_s
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = energies.sum_steps(difference * weight) / summed
    mean = np.where(share > 0.7, mean + energies.length_m / energies.duration_s, np.nan)
    if not np.isfinite(mean).any():
        return None, None
    # Samples of unequal weight count for less (Kish 1965, Survey Sampling: (sum w)^2 / sum w^2).
    return mean, summed**2 / np.maximum(energies.sum_steps(weight**2), 1e-9)
