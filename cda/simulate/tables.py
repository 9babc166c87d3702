"""The session.toml of an invented ride: nominal values, with the uncertainty they really have."""

from __future__ import annotations

import datetime as dt
import math
from typing import TYPE_CHECKING, Any

from cda.simulate import ride as rides
from cda.simulate.draws import stream
from cda.simulate.way import bends

if TYPE_CHECKING:
    from cda.simulate.draws import Draws
    from cda.simulate.scenario import Scenario

AIR_FILE = "air.csv"
WEATHER_HEIGHT_M = 10.0
RIDER_HEIGHT_M = 1.2
ROUGHNESS_M = 0.03
PROTOCOL_OF = {"out-and-back": "out-and-back", "loop": "closed-loop", "track": "indoor-track"}
LEAST_DRIFT_SD_W_PER_H = 0.2  # nobody may promise a zero that never moves
LEAST_ROLLING_DRIFT_SD_PER_H = 0.002


def session_tables(scenario: Scenario, draws: Draws, recording_name: str) -> dict[str, Any]:
    """Return session.toml's tables: nominal values, with the uncertainty they really have."""
    s = scenario
    tables: dict[str, Any] = {
        "title": s.title,
        "date": dt.date.fromisoformat(s.date),
        "time_zone": s.time_zone,
        "protocol": PROTOCOL_OF[s.course],
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
    if s.air_reading_interval_s is not None:
        for key in ("temperature_c", "pressure_hpa", "relative_humidity"):
            del tables["air"][key]
        tables["air"]["readings"] = AIR_FILE
    if s.airspeed_noise_m_s is not None:
        tables["airspeed_sensor"] = {
            "scale": 1.0,
            "scale_sd": s.airspeed_scale_sd,
            "position_scale_sd": s.airspeed_position_scale_sd,
            "offset_sd_m_s": s.airspeed_offset_sd_m_s,
            "noise_sd_m_s": s.airspeed_noise_m_s,
        }
    if s.weather_wind and s.course != "track":
        tables["wind"] = weather_reading(s, draws)
    if s.course != "out-and-back":
        tables["course"] = course_table(s)
    tables["positions"] = position_tables(s)
    return tables


def course_table(scenario: Scenario) -> dict[str, Any]:
    """Return what is known of a loop or track: its measured lap, and a track's bends."""
    s = scenario
    table: dict[str, Any] = {"kind": s.course}
    if s.course == "track":
        radius, _ = bends(s, s.leg_length_m)
        table |= {
            "lap_length_m": s.leg_length_m,
            "bend_radius_m": round(radius, 2),
            "bend_share": round(2.0 * math.pi * radius / s.leg_length_m, 3),
            "mass_centre_height_m": s.mass_centre_height_m,
        }
    elif not s.gps:
        table["lap_length_m"] = s.leg_length_m
    return table


def air_rows(scenario: Scenario, end_s: float) -> list[dict[str, float]]:
    """Return the readings of the air through the morning; their errors are common, as drawn."""
    s = scenario
    if s.air_reading_interval_s is None:
        return []
    count = int(end_s // s.air_reading_interval_s) + 1
    times = [k * s.air_reading_interval_s for k in range(count)]
    return [
        {
            "time_s": t,
            "temperature_c": round(s.temperature_c + s.temperature_drift_c_per_h * t / 3600.0, 1),
            "pressure_hpa": s.pressure_hpa,
            "relative_humidity": s.relative_humidity,
        }
        for t in times
    ]


def declared_delay_sd_s(scenario: Scenario) -> float:
    """Return the standard uncertainty of a delay of 0 that covers what the scenario draws [s]."""
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
            ("power_cost_sd_w", scenario.power_cost_sds_w),
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
