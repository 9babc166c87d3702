"""What is drawn for one seed: errors, nuisance parameters, road, wind and the rider's unrest.

Every subject has a random stream of its own, so that turning one knob leaves all others as they
were: the same seed with and without an airspeed channel is the same ride.
"""

from __future__ import annotations

import math
import zlib
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cda.simulate.scenario import Scenario

    Floats = NDArray[np.float64]


def stream(seed: int, subject: str) -> np.random.Generator:
    """Return the random stream of one subject for one seed."""
    return np.random.default_rng([seed, zlib.crc32(subject.encode())])


def log_uniform(value: float | tuple[float, float], rng: np.random.Generator) -> float:
    """Return `value`, or a draw from a log-uniform distribution over the range."""
    if isinstance(value, tuple):
        return float(math.exp(rng.uniform(math.log(value[0]), math.log(value[1]))))
    return float(value)


def uniform(value: float | tuple[float, float], rng: np.random.Generator) -> float:
    """Return `value`, or a draw from a uniform distribution over the range."""
    return float(rng.uniform(*value)) if isinstance(value, tuple) else float(value)


def ou_process(n: int, step_s: float, time_s: float, rng: np.random.Generator) -> Floats:
    """Draw an Ornstein-Uhlenbeck process with unit standard deviation, exact at the steps."""
    from scipy.signal import lfilter

    keep = math.exp(-step_s / time_s)
    shocks = rng.standard_normal(n) * math.sqrt(1.0 - keep * keep)
    shocks[0] = rng.standard_normal()  # starts in its stationary distribution
    return np.asarray(lfilter([1.0], [1.0, -keep], shocks), dtype=np.float64)


def reshape_gusts(unit: Floats, shape: str) -> Floats:
    """Give a unit normal process another marginal distribution, mean 0 and variance 1 kept."""
    if shape == "heavy":  # sinh: kurtosis far above 3, as squally air has
        b = 0.8
        return np.asarray(np.sinh(b * unit) / math.sqrt((math.exp(2.0 * b * b) - 1.0) / 2.0))
    if shape == "skewed":  # shifted log-normal: short strong gusts, long lulls
        s2 = 0.25
        value = np.exp(math.sqrt(s2) * unit)
        return np.asarray(
            (value - math.exp(s2 / 2)) / math.sqrt((math.exp(s2) - 1.0) * math.exp(s2))
        )
    return unit


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Draws:
    """Everything that holds for the whole session, as drawn.

    Scale errors are true over recorded; offsets and drifts of power are true minus recorded,
    so that power at the meter = power_scale * recorded + power_offset_w + drift * hours.
    """

    seed: int
    position_cda_m2: tuple[float, ...]
    run_deviation_m2: tuple[float, ...]
    run_to_run_sd_m2: float
    run_power_w: tuple[float, ...]
    rest_s: tuple[float, ...]
    rider_mass_kg: float
    bike_mass_kg: float
    rolling_resistance: float
    rolling_drift_per_h: float
    drivetrain_efficiency: float
    power_scale: float
    power_offset_w: float
    power_offset_drift_w_per_h: float
    power_delay_s: float
    speed_scale: float
    temperature_c: float
    pressure_hpa: float
    relative_humidity: float
    density_kg_m3: float
    gravity_m_s2: float
    heading_deg: float
    wind_from_deg: float
    gust_time_s: float
    slow_time_s: float
    relief_m: float
    road_step_m: float
    road_start_m: float
    road_height_m: Floats
    altitude_lag_s: float
    altitude_trend_m_per_h: float
    port_error: float
    airspeed_scale: float
    airspeed_position_scale: tuple[float, ...]
    airspeed_offset_m_s: float
    mass_centre_height_m: float
    track_line_m: float


def density_of_moist_air(temperature_c: float, pressure_hpa: float, humidity: float) -> float:
    """Compute air density as a mixture of ideal gases [kg/m^3].

    Written out here on purpose, apart from the rest of the package: specific gas constants
    287.05 and 461.5 J/(kg K); saturation pressure by the Magnus form of WMO-No. 8, annex 4.B.
    """
    vapour_pa = humidity * 611.2 * math.exp(17.62 * temperature_c / (243.12 + temperature_c))
    kelvin = temperature_c + 273.15
    return (pressure_hpa * 100.0 - vapour_pa) / (287.05 * kelvin) + vapour_pa / (461.5 * kelvin)


def air_density(scenario: Scenario, draws: Draws, hours: Floats) -> Floats:
    """Compute the true air density as the morning warms up [kg/m^3]; shape of `hours`."""
    if scenario.temperature_drift_c_per_h == 0.0:
        return np.full(hours.size, draws.density_kg_m3)
    knots = np.linspace(0.0, float(hours[-1]), 50)
    density = [
        density_of_moist_air(
            draws.temperature_c + scenario.temperature_drift_c_per_h * float(h),
            draws.pressure_hpa,
            draws.relative_humidity,
        )
        for h in knots
    ]
    return np.asarray(np.interp(hours, knots, density), dtype=np.float64)


def gravity_at(latitude_deg: float, elevation_m: float) -> float:
    """Compute gravity on the ellipsoid (GRS 80 formula of 1980) less the free-air decrease."""
    s = math.sin(math.radians(latitude_deg)) ** 2
    s2 = math.sin(math.radians(2.0 * latitude_deg)) ** 2
    return 9.780327 * (1.0 + 0.0053024 * s - 0.0000058 * s2) - 3.086e-6 * elevation_m


def draw_road(scenario: Scenario, seed: int) -> tuple[float, float, Floats, float]:
    """Return step, start and heights of a smooth road, and its relief between the gates [m]."""
    rng = stream(seed, "road")
    length, step = scenario.leg_length_m, 1.0
    relief = uniform(scenario.relief_m, rng)
    if scenario.course == "track":
        relief = 0.0
    if scenario.course == "out-and-back":
        start = -math.ceil(scenario.run_out_m) - 20.0
        x = start + step * np.arange(round(length - 2.0 * start) + 1)
        shape = rng.normal(0.0, 1.0) * x / length
        waves = (3.1, 1.7, 1.1, 0.7, 0.45)  # wavelengths in leg lengths, none shorter than ~500 m
        for wave in waves:
            size = rng.normal(0.0, 1.0) * wave**1.2 * 0.35
            shape = shape + size * np.sin(
                2.0 * np.pi * x / (wave * length) + rng.uniform(0, 2 * np.pi)
            )
    else:
        start = 0.0
        x = step * np.arange(round(length) + 1)
        shape = np.zeros(x.size)
        for k in (1, 2, 3):
            shape = shape + rng.normal(0.0, 1.0) / k**1.2 * np.sin(
                2.0 * np.pi * k * x / length + rng.uniform(0, 2 * np.pi)
            )
    timed = shape[(x >= 0.0) & (x <= length)]
    shape = shape - shape[int(np.searchsorted(x, 0.0))]
    return step, float(start), shape * (relief / float(np.ptp(timed))), relief


def draw(scenario: Scenario, seed: int) -> Draws:
    """Draw all that holds for the whole session."""
    s = scenario
    order = s.run_order
    rng = stream(seed, "positions")
    level = float(rng.uniform(*s.cda_level_m2))
    spread = rng.normal(0.0, s.cda_spread_m2, s.n_positions)
    cda = s.cda_m2 if s.cda_m2 is not None else tuple(float(level + d) for d in spread)
    rng = stream(seed, "runs")
    run_sd = s.run_to_run_sd_m2 * math.exp(s.run_to_run_sd_spread * float(rng.standard_normal()))
    deviation = rng.normal(0.0, 1.0, len(order)) * run_sd
    rests = stream(seed, "rests").uniform(*s.rest_s, len(order))
    first = int(stream(seed, "order of powers").integers(len(s.powers_w)))
    powers = list(s.run_powers_w or ())
    taken = [0] * s.n_positions  # each position goes through the powers in turn
    for k in order if s.run_powers_w is None else ():
        if s.power_mode == "position":
            powers.append(s.powers_w[k])
        else:
            powers.append(s.powers_w[(taken[k] + first) % len(s.powers_w)])
        taken[k] += 1

    rng = stream(seed, "systematic errors")
    z = [float(v) for v in rng.standard_normal(24)]
    temperature = s.temperature_c + s.temperature_sd_c * z[0]
    pressure = s.pressure_hpa + s.pressure_sd_hpa * z[1]
    humidity = min(1.0, max(0.0, s.relative_humidity + s.relative_humidity_sd * z[2]))
    nuisance = stream(seed, "nuisance")
    heading = float(nuisance.uniform(0.0, 360.0))
    wind_from = float(nuisance.uniform(0.0, 360.0))
    gust_time = log_uniform(s.gust_time_s, nuisance)
    slow_time = log_uniform(s.slow_time_s, nuisance)
    delay = uniform(s.power_delay_s, nuisance)
    lag = uniform(s.altitude_lag_s, nuisance)
    step, start, height, relief = draw_road(s, seed)
    own = stream(seed, "airspeed positions").standard_normal(s.n_positions)
    track = stream(seed, "track")
    mass_centre = s.mass_centre_height_m + s.mass_centre_height_sd_m * track.standard_normal()
    line = uniform(s.track_line_m, track) if s.course == "track" else 0.0
    return Draws(
        seed=seed,
        position_cda_m2=cda,
        run_deviation_m2=tuple(float(d) for d in deviation),
        run_to_run_sd_m2=run_sd,
        run_power_w=tuple(powers),
        rest_s=tuple(float(r) for r in rests),
        rider_mass_kg=s.rider_mass_kg + s.rider_mass_sd_kg * z[3],
        bike_mass_kg=s.bike_mass_kg + s.bike_mass_sd_kg * z[4],
        rolling_resistance=s.rolling_resistance + s.rolling_resistance_sd * z[5],
        rolling_drift_per_h=s.rolling_drift_per_h + s.rolling_drift_sd_per_h * z[6],
        drivetrain_efficiency=min(
            1.0,
            1.0
            if s.power_location == "hub"
            else s.drivetrain_efficiency + s.drivetrain_efficiency_sd * z[7],
        ),
        power_scale=1.0 + s.power_scale_sd * z[8],
        power_offset_w=s.power_offset_sd_w * z[9],
        power_offset_drift_w_per_h=s.power_offset_drift_w_per_h
        + s.power_offset_drift_sd_w_per_h * z[10],
        power_delay_s=delay,
        speed_scale=1.0 + s.speed_scale_sd * z[11],
        temperature_c=temperature,
        pressure_hpa=pressure,
        relative_humidity=humidity,
        density_kg_m3=density_of_moist_air(temperature, pressure, humidity),
        gravity_m_s2=gravity_at(s.latitude_deg, s.elevation_m),
        heading_deg=heading if s.heading_deg is None else s.heading_deg,
        wind_from_deg=wind_from if s.wind_from_deg is None else s.wind_from_deg,
        gust_time_s=gust_time,
        slow_time_s=slow_time,
        relief_m=relief,
        road_step_m=step,
        road_start_m=start,
        road_height_m=height,
        altitude_lag_s=lag,
        altitude_trend_m_per_h=s.altitude_trend_sd_m_per_h * z[12],
        port_error=s.port_error_sd * z[13],
        airspeed_scale=1.0 + s.airspeed_scale_sd * z[14],
        airspeed_position_scale=tuple(float(1.0 + s.airspeed_position_scale_sd * v) for v in own),
        airspeed_offset_m_s=s.airspeed_offset_sd_m_s * z[15],
        mass_centre_height_m=float(mass_centre),
        track_line_m=line,
    )
