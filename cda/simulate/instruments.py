"""What the bike computer writes down of the ride: every sensor with its own errors.

Numbers are rounded as a FIT file holds them, so that a ride in memory and the same ride read
back from its file agree.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from cda.simulate.draws import ou_process, stream
from cda.simulate.ride import STEP_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cda.simulate.draws import Draws
    from cda.simulate.ride import Ridden
    from cda.simulate.scenario import Scenario

    Floats = NDArray[np.float64]

# Semi-axes of the WGS 84 ellipsoid, NIMA TR8350.2 (2000), table 3.1 and 3.3
WGS84_A_M = 6_378_137.0
WGS84_E2 = 6.694_379_990_14e-3


def _rounded(values: Floats, grain: float) -> Floats:
    """Return the values as multiples of what the file can hold."""
    return np.asarray(np.round(values / grain) * grain, dtype=np.float64)


def stamps(scenario: Scenario, ridden: Ridden) -> Floats:
    """Return the times of the samples, pauses left out [s]."""
    step = scenario.sample_interval_s
    times = step * np.arange(math.floor(ridden.time_s[-1] / step) + 1)
    keep = np.ones(times.size, dtype=bool)
    for run in scenario.pause_runs:
        legs = [leg for leg in ridden.legs if leg.run == run]
        if legs:
            middle = 0.5 * (legs[0].entry_s + legs[0].exit_s)
            keep &= ~((times > middle) & (times < middle + scenario.pause_s))
    return np.asarray(times[keep])


def place_on_earth(
    scenario: Scenario, draws: Draws, along_m: Floats, lateral_m: Floats
) -> tuple[Floats, Floats]:
    """Return latitude and longitude of places given along and left of the course axis [deg]."""
    heading = math.radians(draws.heading_deg)
    north = along_m * math.cos(heading) + lateral_m * math.sin(heading)
    east = along_m * math.sin(heading) - lateral_m * math.cos(heading)
    latitude = math.radians(scenario.latitude_deg)
    w = 1.0 - WGS84_E2 * math.sin(latitude) ** 2
    meridian = WGS84_A_M * (1.0 - WGS84_E2) / w**1.5 + scenario.elevation_m
    across = WGS84_A_M / math.sqrt(w) + scenario.elevation_m
    turned = north / meridian
    halfway = latitude + 0.5 * turned  # parallels shrink on the way
    return (
        scenario.latitude_deg + np.degrees(turned),
        scenario.longitude_deg + np.degrees(east / (across * np.cos(halfway))),
    )


def power_channel(scenario: Scenario, draws: Draws, ridden: Ridden, times: Floats) -> Floats:
    """Return what the power meter shows: the mean over the interval that ends at the stamp [W]."""
    rng = stream(draws.seed, "power meter")
    grid = ridden.time_s
    zeros = np.zeros(1)
    work = np.concatenate([zeros, np.cumsum(ridden.power_w[1:])]) * STEP_S
    pedalled = np.concatenate([zeros, np.cumsum(ridden.pedalling[1:])]) * STEP_S
    width = scenario.sample_interval_s
    late = times - draws.power_delay_s
    mean = (np.interp(late, grid, work) - np.interp(late - width, grid, work)) / width
    share = (np.interp(late, grid, pedalled) - np.interp(late - width, grid, pedalled)) / width
    if scenario.coasting_shows_offset:
        share = np.ones_like(share)
    offset = draws.power_offset_w + draws.power_offset_drift_w_per_h * times / 3600.0
    shown = (mean - offset * share) / draws.power_scale
    # Noise of one second's mean; a shorter sample holds less of it averaged away.
    noise = scenario.power_noise / math.sqrt(width)
    shown = shown * (1.0 + noise * rng.standard_normal(times.size))
    shown = np.clip(np.round(shown), 0.0, None)
    for run in scenario.frozen_power_runs:
        start, end = ridden.run_times[run - 1]
        inside = np.flatnonzero((times >= start + 40.0) & (times <= end - 20.0))
        if inside.size:
            shown[inside] = shown[inside[0]]
    missing = stream(draws.seed, "missing power").random(times.size) < scenario.power_missing_share
    shown[missing] = np.nan
    return np.asarray(shown)


def altitude_channel(scenario: Scenario, draws: Draws, ridden: Ridden, times: Floats) -> Floats:
    """Return the barometric altitude: lag, weather trend, error of the port, steps [m]."""
    rng = stream(draws.seed, "altimeter")
    grid = ridden.time_s
    airspeed2 = (
        ridden.speed_m_s * ridden.mass_centre_share + ridden.headwind_m_s
    ) ** 2 + ridden.crosswind_m_s**2
    resting = ridden.run == 0  # standing or walking: the wind was not followed there
    airspeed2 = np.where(resting, 0.0, airspeed2)
    # A port that takes a share of the dynamic pressure: share * ½ρV² is share * V²/(2g) of height.
    raw = ridden.height_m - draws.port_error * airspeed2 / (2.0 * draws.gravity_m_s2)
    keep = math.exp(-STEP_S / max(draws.altitude_lag_s, 1e-3))
    from scipy.signal import lfilter

    lagged, _ = lfilter([1.0 - keep], [1.0, -keep], raw, zi=[keep * raw[0]])
    wander = scenario.altitude_wander_sd_m * ou_process(times.size, 1.0, 600.0, rng)
    shown = (
        np.interp(times, grid, lagged)
        + scenario.elevation_m
        + draws.altitude_trend_m_per_h * times / 3600.0
        + wander
        + scenario.altitude_noise_m * rng.standard_normal(times.size)
    )
    if scenario.altitude_step_m > 0.0:
        shown = np.round(shown / scenario.altitude_step_m) * scenario.altitude_step_m
    return np.asarray(np.round(shown, 3))


def gps_channels(
    scenario: Scenario, draws: Draws, ridden: Ridden, times: Floats
) -> tuple[Floats, Floats, Floats]:
    """Return latitude, longitude [deg] and the speed over ground that GPS would show [m/s]."""
    rng = stream(draws.seed, "gps")
    grid = ridden.time_s
    step, n = scenario.sample_interval_s, times.size
    wander = [
        scenario.gps_noise_m * ou_process(n, step, scenario.gps_noise_time_s, rng)
        + 0.1 * scenario.gps_noise_m * rng.standard_normal(n)
        for _ in range(2)
    ]
    along = np.interp(times, grid, ridden.along_m) + wander[0]
    lateral = np.interp(times, grid, ridden.lateral_m) + wander[1]
    latitude, longitude = place_on_earth(scenario, draws, along, lateral)
    # GPS speed is smoothed over some seconds and has a noise of its own.
    from scipy.signal import lfilter

    keep = math.exp(-step / 1.5)
    smooth = lfilter([1.0 - keep], [1.0, -keep], np.interp(times, grid, ridden.speed_m_s))
    speed = np.clip(smooth + 0.08 * rng.standard_normal(n), 0.0, None)
    grain = 180.0 / 2**31  # semicircles, as positions are stored
    return _rounded(latitude, grain), _rounded(longitude, grain), speed


def airspeed_channels(
    scenario: Scenario, draws: Draws, ridden: Ridden, times: Floats
) -> tuple[Floats, Floats]:
    """Return airspeed along the bike's heading [m/s] and yaw (wind from the right > 0) [deg]."""
    rng = stream(draws.seed, "airspeed sensor")
    grid = ridden.time_s
    order = scenario.run_order
    run = ridden.run[np.minimum((times / STEP_S).astype(int), ridden.run.size - 1)]
    own = np.array([1.0, *(draws.airspeed_position_scale[k] for k in order)])[run]
    own_speed = ridden.speed_m_s * ridden.mass_centre_share
    along = np.interp(times, grid, own_speed + ridden.headwind_m_s)
    across = np.interp(times, grid, ridden.crosswind_m_s)
    shown = (along - draws.airspeed_offset_m_s) / (draws.airspeed_scale * own)
    noise = scenario.airspeed_noise_m_s or 0.0
    shown = shown + noise * rng.standard_normal(times.size)
    yaw = np.degrees(np.arctan2(across, np.clip(along, 0.5, None)))
    yaw = yaw + scenario.yaw_noise_deg * rng.standard_normal(times.size)
    if scenario.airspeed_missing_share > 0.0:
        # Gaps of half a minute: a sensor that lost its radio link, not single dropped samples.
        starts = rng.random(times.size) < scenario.airspeed_missing_share / 30.0
        gone = np.convolve(starts, np.ones(30), mode="full")[: times.size] > 0
        shown[gone], yaw[gone] = np.nan, np.nan
    return _rounded(shown, 0.001), _rounded(yaw, 0.01)


def columns(scenario: Scenario, draws: Draws, ridden: Ridden, times: Floats) -> dict[str, Floats]:
    """Return every channel of the recording at the stamps, in SI units."""
    rng = stream(draws.seed, "speed sensor")
    s, grid, n = scenario, ridden.time_s, times.size
    speed_true = np.interp(times, grid, ridden.speed_m_s)
    path = np.interp(times, grid, ridden.path_m)
    moving = np.clip(speed_true / 2.0, 0.0, 1.0)  # a wheel that stands still makes no noise
    speed = speed_true / draws.speed_scale + s.speed_noise_m_s * moving * rng.standard_normal(n)
    distance = path / draws.speed_scale + s.distance_noise_m * moving * rng.standard_normal(n)
    result = {"power_w": power_channel(s, draws, ridden, times)}
    latitude, longitude, gps_speed = gps_channels(s, draws, ridden, times)
    if s.speed_source == "gps":
        speed = gps_speed
        distance = np.cumsum(speed) * s.sample_interval_s
    result["speed_m_s"] = _rounded(np.clip(speed, 0.0, None), 0.001)
    result["distance_m"] = _rounded(np.maximum.accumulate(np.clip(distance, 0.0, None)), 0.01)
    if s.altimeter:
        result["altitude_m"] = altitude_channel(s, draws, ridden, times)
    if s.gps and s.course != "track":  # no satellites under a roof
        result["latitude_deg"], result["longitude_deg"] = latitude, longitude
    rng = stream(draws.seed, "body")
    pedalling = np.interp(times, grid, ridden.pedalling)
    pace = 86.0 + 3.0 * ou_process(n, s.sample_interval_s, 20.0, rng)
    result["cadence_rpm"] = _rounded(np.where(pedalling > 0.5, pace, 0.0), 1.0)
    result["heart_rate_bpm"] = _heart_rate(ridden, times, rng)
    if s.airspeed_noise_m_s is not None:
        airspeed, yaw = airspeed_channels(s, draws, ridden, times)
        result["airspeed_m_s"] = airspeed
        if s.yaw_channel:
            result["yaw_deg"] = yaw
    return result


def _heart_rate(ridden: Ridden, times: Floats, rng: np.random.Generator) -> Floats:
    """Follow the power with half a minute's delay; shown in reports, never used in estimates."""
    from scipy.signal import lfilter

    target = 85.0 + 0.27 * np.interp(times, ridden.time_s, ridden.power_w)
    step = float(times[1] - times[0])
    keep = math.exp(-step / 30.0)
    rate, _ = lfilter([1.0 - keep], [1.0, -keep], target, zi=[keep * 85.0])
    return np.asarray(np.round(rate + rng.normal(0.0, 0.7, times.size)))
