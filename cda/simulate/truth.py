"""What is true of an invented ride, as it is written to truth.json."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from cda.simulate.draws import Draws
    from cda.simulate.ride import Ridden
    from cda.simulate.scenario import Scenario


def truth_of(scenario: Scenario, draws: Draws, ridden: Ridden) -> dict[str, Any]:
    """Return what is true of this ride, ready for truth.json; no coordinates."""
    s, d, ids = scenario, draws, scenario.ids
    runs = []
    run_means: list[tuple[float, str]] = []
    for r, k in enumerate(s.run_order):
        legs = [leg for leg in ridden.legs if leg.run == r + 1]
        mean = float(np.mean([leg.cda_m2 for leg in legs])) if legs else None
        if mean is not None:
            run_means.append((mean, ids[k]))
        runs.append(
            {
                "run": r + 1,
                "position": ids[k],
                "power_w": d.run_power_w[r],
                # What the run itself had: its taking of the position, wobble averaged in.
                "cda_m2": mean,
                "taken_cda_m2": d.position_cda_m2[k] + d.run_deviation_m2[r],
                "start_s": ridden.run_times[r][0],
                "end_s": ridden.run_times[r][1],
            }
        )
    names = []
    for leg in ridden.legs:
        if s.course == "out-and-back":
            names.append("out" if leg.direction > 0 else "back")
        else:
            names.append(
                f"lap {1 + sum(other.run == leg.run for other in ridden.legs[: len(names)])}"
            )
    means = {}
    for name in ids:
        of_runs = [leg_mean for leg_mean, of in run_means if of == name]
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
        "air_density_kg_m3": d.density_kg_m3
        if s.temperature_drift_c_per_h == 0.0
        else float(np.mean(ridden.density_kg_m3)),
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
            "mass_centre_height_m": d.mass_centre_height_m - s.mass_centre_height_m,
            "track_line_m": d.track_line_m,
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
                "leg": names[k],
                "direction": leg.direction,
                "entry_s": leg.entry_s,
                "exit_s": leg.exit_s,
                "headwind_m_s": leg.headwind_m_s,
                "headwind_sd_m_s": leg.headwind_sd_m_s,
                "crosswind_m_s": leg.crosswind_m_s,
                "crosswind_squared_m2_s2": leg.crosswind_squared_m2_s2,
                "air_path_m3_s2": leg.air_path_m3_s2,
                "cda_m2": leg.cda_m2,
                "power_w": leg.power_w,
            }
            for k, leg in enumerate(ridden.legs)
        ],
    }
