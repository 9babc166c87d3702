"""From a scenario and a seed to a session in memory and its truth."""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from cda.simulate import ride as rides
from cda.simulate.draws import draw, stream
from cda.simulate.instruments import columns, place_on_earth, stamps
from cda.simulate.presses import raw_laps, run_rows
from cda.simulate.ride import ride

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cda.recording import RawLap
    from cda.session import Session
    from cda.simulate.draws import Draws
    from cda.simulate.ride import Ridden
    from cda.simulate.scenario import Scenario

WEATHER_HEIGHT_M = 10.0
RIDER_HEIGHT_M = 1.2
ROUGHNESS_M = 0.03
LEAST_DRIFT_SD_W_PER_H = 0.2  # nobody may promise a zero that never moves
LEAST_ROLLING_DRIFT_SD_PER_H = 0.002


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SimulatedSession:
    """An invented session and its truth.

    Attributes
    ----------
    session : Session
        As `load_session` would give it for the written files.
    truth : dict
        Ready for truth.json; holds no coordinates.
    settings : dict
        The tables of session.toml.
    run_rows : list of dict
        The rows of runs.csv.
    clock_s, columns, raw_laps
        Samples and laps on the recording's clock (Unix time), for the files. [s]
    gates_deg : tuple of (latitude, longitude), or None
        True gates A and B, for tests; None without GPS or on a loop. [deg]
    """

    scenario: Scenario
    seed: int
    session: Session
    truth: dict[str, Any]
    settings: dict[str, Any]
    run_rows: list[dict[str, object]]
    clock_s: NDArray[np.float64]
    columns: dict[str, NDArray[np.float64]]
    raw_laps: tuple[RawLap, ...]
    gates_deg: tuple[tuple[float, float], tuple[float, float]] | None
    ridden: Ridden
    draws: Draws


def simulate_session(
    scenario: Scenario, seed: int, *, name: str = "ride.csv", folder_name: str | None = None
) -> SimulatedSession:
    """Ride a scenario once.

    Parameters
    ----------
    scenario : Scenario
        What may happen.
    seed : int
        Chooses what does; same scenario and seed, same ride.
    name : str
        File name that the recording gets.
    folder_name : str, optional
        What results call the session's folder.

    Raises
    ------
    CourseError
        If the rider comes to a standstill.
    """
    from cda.recording import build_recording
    from cda.session import build_session

    draws = draw(scenario, seed)
    ridden = ride(scenario, draws)
    times = stamps(scenario, ridden)
    data = columns(scenario, draws, ridden, times)
    start = start_utc(scenario)
    clock = start.timestamp() + times
    laps = raw_laps(scenario, draws, ridden, start.timestamp())
    offset = start_offset_s(scenario)
    recording = build_recording(
        name=name,
        sha256=_digest(clock, data),
        format="fit" if name.endswith(".fit") else "csv",
        clock_s=clock,
        columns=data,
        laps=laps,
        utc_offset_s=offset,
    )
    settings = session_tables(scenario, draws, ridden, name)
    rows = run_rows(scenario, draws, ridden, start + timedelta(seconds=offset), recordings=1)
    session = build_session(
        settings, [recording], rows, folder_name=folder_name or f"simulated_{seed}"
    )
    gates = None
    if scenario.gps and scenario.course == "out-and-back":
        ends = np.array([0.0, scenario.leg_length_m])
        latitude, longitude = place_on_earth(scenario, draws, ends, np.zeros(2))
        gates = (
            (float(latitude[0]), float(longitude[0])),
            (float(latitude[1]), float(longitude[1])),
        )
    return SimulatedSession(
        scenario=scenario,
        seed=seed,
        session=session,
        truth=truth_of(scenario, draws, ridden),
        settings=settings,
        run_rows=rows,
        clock_s=clock,
        columns=data,
        raw_laps=laps,
        gates_deg=gates,
        ridden=ridden,
        draws=draws,
    )


def start_utc(scenario: Scenario) -> datetime:
    """Return when the recording starts; the scenario gives local time."""
    from zoneinfo import ZoneInfo

    local = datetime.fromisoformat(f"{scenario.date}T{scenario.start_time}")
    return local.replace(tzinfo=ZoneInfo(scenario.time_zone))


def start_offset_s(scenario: Scenario) -> float:
    """Return local time minus UTC. [s]"""
    offset = start_utc(scenario).utcoffset()
    return 0.0 if offset is None else offset.total_seconds()


def _digest(clock_s: NDArray[np.float64], data: dict[str, NDArray[np.float64]]) -> str:
    """Return a checksum of the samples, in place of that of a file that was never written."""
    sha = hashlib.sha256(clock_s.tobytes())
    for key in sorted(data):
        sha.update(data[key].tobytes())
    return sha.hexdigest()


def session_tables(
    scenario: Scenario, draws: Draws, ridden: Ridden, recording_name: str
) -> dict[str, Any]:
    """Return session.toml's tables: nominal values, with the uncertainty they really have."""
    s = scenario
    tables: dict[str, Any] = {
        "title": s.title,
        "date": s.date,
        "time_zone": s.time_zone,
        "protocol": "out-and-back" if s.course == "out-and-back" else "closed-loop",
        "recordings": [recording_name],
        "rider": {
            "id": "rider-1",
            "mass_kg": s.rider_mass_kg,
            "mass_sd_kg": s.rider_mass_sd_kg,
        },
        "bike": {
            "id": "bike-1",
            "mass_kg": s.bike_mass_kg,
            "mass_sd_kg": s.bike_mass_sd_kg,
            "rolling_resistance": s.rolling_resistance,
            "rolling_resistance_sd": s.rolling_resistance_sd,
            "rolling_resistance_drift_sd_per_h": max(
                math.hypot(s.rolling_drift_per_h, s.rolling_drift_sd_per_h),
                LEAST_ROLLING_DRIFT_SD_PER_H,
            ),
            "drivetrain_efficiency": s.drivetrain_efficiency,
            "drivetrain_efficiency_sd": s.drivetrain_efficiency_sd,
            "wheel_inertia_kg_m2": rides.WHEEL_INERTIA_KG_M2,
            "wheel_radius_m": rides.WHEEL_RADIUS_M,
            "wheel_drag_area_m2": rides.WHEEL_DRAG_AREA_M2,
            "bearing_drag_n": rides.BEARING_DRAG_N,
            "bearing_drag_n_s_m": rides.BEARING_DRAG_N_S_M,
        },
        "power_meter": {
            "id": "meter-1",
            "location": s.power_location,
            "scale_sd": s.power_scale_sd,
            "offset_sd_w": s.power_offset_sd_w,
            "offset_drift_sd_w_per_h": max(
                math.hypot(s.power_offset_drift_w_per_h, s.power_offset_drift_sd_w_per_h),
                LEAST_DRIFT_SD_W_PER_H,
            ),
            "delay_s": 0.0,
            "delay_sd_s": declared_delay_sd_s(s),
        },
        "speed_sensor": {
            "source": s.speed_source,
            "scale": 1.0,
            "scale_sd": s.speed_scale_sd,
        },
        "air": {
            "temperature_c": s.temperature_c,
            "temperature_sd_c": s.temperature_sd_c,
            "pressure_hpa": s.pressure_hpa,
            "pressure_sd_hpa": s.pressure_sd_hpa,
            "relative_humidity": s.relative_humidity,
            "relative_humidity_sd": s.relative_humidity_sd,
        },
    }
    if s.airspeed_noise_m_s is not None:
        tables["airspeed_sensor"] = {
            "scale": 1.0,
            "scale_sd": s.airspeed_scale_sd,
            "position_scale_sd": s.airspeed_position_scale_sd,
            "offset_sd_m_s": s.airspeed_offset_sd_m_s,
            "noise_sd_m_s": s.airspeed_noise_m_s,
        }
    if s.weather_wind:
        tables["wind"] = weather_reading(s, draws)
    if s.course != "out-and-back":
        tables["course"] = {"kind": s.course}
    tables["positions"] = position_tables(s)
    return tables


def declared_delay_sd_s(scenario: Scenario) -> float:
    """Return the standard uncertainty of a delay of 0 that covers what the scenario draws. [s]"""
    delay = scenario.power_delay_s
    largest = max(delay) if isinstance(delay, tuple) else abs(delay)
    return max(scenario.power_delay_declared_sd_s, round(0.6 * largest, 3))


def position_tables(scenario: Scenario) -> list[dict[str, Any]]:
    """Return the [[positions]] tables; the first is the reference."""
    tables = []
    for k, name in enumerate(scenario.ids):
        table: dict[str, Any] = {"id": name}
        for key, values in (
            ("label", scenario.position_labels),
            ("cue", scenario.position_cues),
            ("hold_share", scenario.hold_shares),
            ("power_cost_w", scenario.power_costs_w),
        ):
            if values is not None and values[k] is not None:
                table[key] = values[k]
        if k == 0:
            table["reference"] = True
        tables.append(table)
    return tables


def weather_reading(scenario: Scenario, draws: Draws) -> dict[str, float]:
    """Return what the weather station reads at 10 m, with its own error."""
    rng = stream(draws.seed, "weather")
    up = math.log(WEATHER_HEIGHT_M / ROUGHNESS_M) / math.log(RIDER_HEIGHT_M / ROUGHNESS_M)
    speed = scenario.wind_m_s * up + scenario.weather_wind_speed_sd_m_s * rng.standard_normal()
    direction = draws.wind_from_deg + scenario.weather_wind_from_sd_deg * rng.standard_normal()
    return {
        "speed_m_s": round(max(float(speed), 0.0), 1),
        "speed_sd_m_s": scenario.weather_wind_speed_sd_m_s,
        "from_deg": round(float(direction)) % 360.0,
        "from_sd_deg": scenario.weather_wind_from_sd_deg,
        "height_m": WEATHER_HEIGHT_M,
        "rider_height_m": RIDER_HEIGHT_M,
        "roughness_m": ROUGHNESS_M,
    }


def truth_of(scenario: Scenario, draws: Draws, ridden: Ridden) -> dict[str, Any]:
    """Return what is true of this ride, ready for truth.json; no coordinates."""
    s, d, ids = scenario, draws, scenario.ids
    runs = []
    for r, k in enumerate(s.run_order):
        legs = [leg for leg in ridden.legs if leg.run == r + 1]
        runs.append(
            {
                "run": r + 1,
                "position": ids[k],
                "power_w": d.run_power_w[r],
                # What the run itself had: its taking of the position, wobble averaged in.
                "cda_m2": float(np.mean([leg.cda_m2 for leg in legs])) if legs else None,
                "taken_cda_m2": d.position_cda_m2[k] + d.run_deviation_m2[r],
                "start_s": ridden.run_times[r][0],
                "end_s": ridden.run_times[r][1],
            }
        )
    means = {}
    for k, name in enumerate(ids):
        of_runs = [r["cda_m2"] for r in runs if r["position"] == name and r["cda_m2"] is not None]
        means[name] = float(np.mean(of_runs)) if of_runs else None
    grid = d.road_start_m + d.road_step_m * np.arange(d.road_height_m.size)
    height_b = float(np.interp(s.leg_length_m, grid, d.road_height_m))
    return {
        "schema": 1,
        "kind": "truth",
        "invented": True,
        "seed": d.seed,
        "note": "Judge an estimate by cda_m2, the mean over all takings of a position; "
        "cda_of_runs_m2 is the mean over the runs that happened to be ridden.",
        "reference": ids[0],
        "cda_m2": dict(zip(ids, d.position_cda_m2, strict=True)),
        "cda_of_runs_m2": means,
        "run_to_run_sd_m2": d.run_to_run_sd_m2,
        "rolling_resistance": d.rolling_resistance,
        "rolling_drift_per_h": d.rolling_drift_per_h,
        "height_difference_m": height_b if s.course == "out-and-back" else 0.0,
        "relief_m": d.relief_m,
        "air_density_kg_m3": d.density_kg_m3,
        "gates_along_m": [0.0, s.leg_length_m],
        "wind": {
            "mean_m_s": s.wind_m_s if s.course != "track" else 0.0,
            "from_relative_to_course_deg": (d.wind_from_deg - d.heading_deg) % 360.0,
            "slow_sd_m_s": s.slow_sd_m_s,
            "slow_time_s": d.slow_time_s,
            "gust_sd_m_s": s.gust_sd_m_s,
            "gust_time_s": d.gust_time_s,
        },
        "errors": {
            "rider_mass_kg": d.rider_mass_kg - s.rider_mass_kg,
            "bike_mass_kg": d.bike_mass_kg - s.bike_mass_kg,
            "rolling_resistance": d.rolling_resistance - s.rolling_resistance,
            "drivetrain_efficiency": d.drivetrain_efficiency
            - (1.0 if s.power_location == "hub" else s.drivetrain_efficiency),
            "power_scale": d.power_scale - 1.0,
            "power_offset_w": d.power_offset_w,
            "power_offset_drift_w_per_h": d.power_offset_drift_w_per_h,
            "power_delay_s": d.power_delay_s,
            "speed_scale": d.speed_scale - 1.0,
            "temperature_c": d.temperature_c - s.temperature_c,
            "pressure_hpa": d.pressure_hpa - s.pressure_hpa,
            "relative_humidity": d.relative_humidity - s.relative_humidity,
            "altitude_lag_s": d.altitude_lag_s,
            "altitude_trend_m_per_h": d.altitude_trend_m_per_h,
            "port_error": d.port_error,
            "airspeed_scale": d.airspeed_scale - 1.0,
            "airspeed_position_scale": [v - 1.0 for v in d.airspeed_position_scale],
            "airspeed_offset_m_s": d.airspeed_offset_m_s,
        },
        "values": {
            "rider_mass_kg": d.rider_mass_kg,
            "bike_mass_kg": d.bike_mass_kg,
            "drivetrain_efficiency": d.drivetrain_efficiency,
            "power_scale": d.power_scale,
            "power_offset_w": d.power_offset_w,
            "speed_scale": d.speed_scale,
            "gravity_m_s2": d.gravity_m_s2,
        },
        "runs": runs,
        "legs": [
            {
                "run": leg.run,
                "leg": "out" if leg.direction > 0 else "back",
                "direction": leg.direction,
                "entry_s": leg.entry_s,
                "exit_s": leg.exit_s,
                "headwind_m_s": leg.headwind_m_s,
                "crosswind_m_s": leg.crosswind_m_s,
                "cda_m2": leg.cda_m2,
                "power_w": leg.power_w,
            }
            for leg in ridden.legs
        ],
    }
