"""Every knob of an invented test morning, in one frozen record, and the presets."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Literal

from cda.errors import UnitRangeError

Order = Literal["mirrored", "blocks"]
LapMode = Literal["run", "leg", "times", "none"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """One kind of test morning; what is None or a range is drawn anew for each seed.

    A `*_sd` is the standard deviation of something drawn. Wind is the wind at the rider's
    height. Faults are off unless asked for; runs are named by their number, from 1.

    Attributes
    ----------
    n_positions, runs_per_position : int
        Size of the test.
    order : "mirrored", "blocks" or tuple of int
        ABCD DCBA ..., AAA BBB ..., or position indices from 0 in the order ridden.
    position_ids, cda_m2 : tuple or None
        Names and long-run mean drag areas (turning wheels apart); drawn where None. [m^2]
    powers_w, power_mode : tuple of float, str
        "alternating" takes one after the other between runs (which comes first is drawn);
        "position" gives each position its own, by index. `run_powers_w` gives each run its
        own and goes before both. [W]
    course : "out-and-back", "loop" or "track"
        On a loop or track a leg is a lap of `leg_length_m`.
    loop_bend_share : float
        1 is a circle; less is two straights and two half circles.
    bend_radius_m, bend_transition_m, track_line_m : float
        Of a track: bends, the easing into and out of them, and how far outside the measuring
        line the wheels run. [m]
    mass_centre_height_m : float
        Of rider and bike, upright; on a track the rider leans. [m]
    relief_m : float, (low, high)
        Highest minus lowest point of the timed stretch. [m]
    wind_m_s, wind_from_deg : float, float or None
        Mean wind speed [m/s] and where it blows from; drawn from anywhere where None. [deg]
    slow_sd_m_s, slow_time_s, gust_sd_m_s, gust_time_s : float or (low, high)
        Slow part and gusts: standard deviation of each horizontal component, correlation time
        (log-uniform within a range). [m/s, s]
    gust_shape : "normal", "heavy" or "skewed"
        Marginal distribution of the gusts, always with the stated standard deviation.
    temperature_drift_c_per_h, air_reading_interval_s : float, float or None
        The morning warms up; air.csv is read this often instead of once at the start.
    laps : "run", "leg", "times" or "none"
        One lap a run; one lap a leg; no laps but clock times on the run sheet; neither.
    """

    # The test
    n_positions: int = 4
    runs_per_position: int = 6
    order: Order | tuple[int, ...] = "mirrored"
    position_ids: tuple[str, ...] | None = None
    position_labels: tuple[str, ...] | None = None
    position_cues: tuple[str, ...] | None = None
    hold_shares: tuple[float | None, ...] | None = None
    power_costs_w: tuple[float | None, ...] | None = None
    power_cost_sds_w: tuple[float | None, ...] | None = None
    comforts: tuple[float, ...] | None = None
    title: str = "An invented test"
    date: str = "2026-05-09"
    start_time: str = "06:40:00"
    time_zone: str = "Atlantic/Cape_Verde"

    # The rider
    cda_m2: tuple[float, ...] | None = None
    cda_level_m2: tuple[float, float] = (0.24, 0.30)
    cda_spread_m2: float = 0.008
    run_to_run_sd_m2: float = 0.002
    run_to_run_sd_spread: float = 0.2
    wobble_sd_m2: float = 0.003
    wobble_time_s: float = 10.0
    wobble_speed_exponent: float = 0.0
    powers_w: tuple[float, ...] = (190.0, 240.0)
    run_powers_w: tuple[float, ...] | None = None
    power_mode: Literal["alternating", "position"] = "alternating"
    effort_sd: float = 0.05
    effort_time_s: float = 8.0
    effort_per_gradient: float = 0.0
    tiring_per_h: float = 0.0
    start_boost: float = 1.5
    rider_mass_kg: float = 74.0
    bike_mass_kg: float = 9.8
    rest_s: tuple[float, float] = (30.0, 60.0)

    # The road
    course: Literal["out-and-back", "loop", "track"] = "out-and-back"
    leg_length_m: float = 1200.0
    run_out_m: float = 150.0
    legs_per_run: int = 2
    laps_per_run: int = 4
    loop_bend_share: float = 1.0
    bend_radius_m: float = 23.0
    bend_transition_m: float = 10.0
    mass_centre_height_m: float = 1.05
    mass_centre_height_sd_m: float = 0.05
    track_line_m: float | tuple[float, float] = (0.0, 0.3)
    relief_m: float | tuple[float, float] = (0.5, 4.0)
    heading_deg: float | None = None
    elevation_m: float = 60.0
    latitude_deg: float = 40.0
    longitude_deg: float = -31.0

    # The wind
    wind_m_s: float = 1.0
    wind_from_deg: float | None = None
    slow_sd_m_s: float = 0.3
    slow_time_s: float | tuple[float, float] = (300.0, 1800.0)
    gust_sd_m_s: float = 0.3
    gust_time_s: float | tuple[float, float] = (8.0, 60.0)
    gust_shape: Literal["normal", "heavy", "skewed"] = "normal"
    weather_wind: bool = False
    weather_wind_speed_sd_m_s: float = 0.8
    weather_wind_from_sd_deg: float = 20.0

    # Systematic errors: drawn for each seed, and declared in the session as they are drawn
    rider_mass_sd_kg: float = 0.3
    bike_mass_sd_kg: float = 0.1
    rolling_resistance: float = 0.0042
    rolling_resistance_sd: float = 0.0002
    rolling_drift_per_h: float = 0.0
    rolling_drift_sd_per_h: float = 0.0
    drivetrain_efficiency: float = 0.976
    drivetrain_efficiency_sd: float = 0.004
    power_scale_sd: float = 0.01
    power_offset_sd_w: float = 0.5
    power_offset_drift_w_per_h: float = 0.0
    power_offset_drift_sd_w_per_h: float = 0.0
    power_delay_s: float | tuple[float, float] = 0.0
    power_delay_declared_sd_s: float = 0.2
    speed_scale_sd: float = 0.001
    temperature_c: float = 14.0
    temperature_sd_c: float = 0.5
    pressure_hpa: float = 1008.0
    pressure_sd_hpa: float = 0.5
    relative_humidity: float = 0.70
    relative_humidity_sd: float = 0.05
    temperature_drift_c_per_h: float = 0.0
    air_reading_interval_s: float | None = None

    # The instruments
    sample_interval_s: float = 1.0
    gps: bool = True
    gps_noise_m: float = 1.5
    gps_noise_time_s: float = 60.0
    power_location: Literal["crank", "pedal", "hub"] = "crank"
    power_noise: float = 0.04
    power_missing_share: float = 0.0
    speed_source: Literal["wheel", "gps"] = "wheel"
    speed_noise_m_s: float = 0.02
    distance_noise_m: float = 0.3
    altimeter: bool = True
    altitude_step_m: float = 0.2
    altitude_noise_m: float = 0.05
    altitude_trend_sd_m_per_h: float = 2.0
    altitude_wander_sd_m: float = 0.2
    altitude_lag_s: float | tuple[float, float] = (1.0, 4.0)
    port_error_sd: float = 0.05
    laps: LapMode = "run"
    lap_press_sd_s: float = 2.0
    airspeed_noise_m_s: float | None = None
    airspeed_scale_sd: float = 0.05
    airspeed_position_scale_sd: float = 0.005
    airspeed_offset_sd_m_s: float = 0.1
    airspeed_missing_share: float = 0.0
    yaw_channel: bool = False
    yaw_noise_deg: float = 1.0

    # Faults
    lorry_runs: tuple[int, ...] = ()
    lorry_gust_m_s: float = 4.0
    lorry_time_s: float = 10.0
    coast_runs: tuple[int, ...] = ()
    coast_time_s: float = 10.0
    brake_runs: tuple[int, ...] = ()
    sat_up_runs: tuple[int, ...] = ()
    sat_up_cda_m2: float = 0.06
    short_runs: tuple[int, ...] = ()
    automatic_lap_m: float | None = None
    pause_runs: tuple[int, ...] = ()
    pause_s: float = 20.0
    frozen_power_runs: tuple[int, ...] = ()
    late_press_runs: tuple[int, ...] = ()
    late_press_s: float = 25.0
    coasting_shows_offset: bool = False

    def __post_init__(self) -> None:
        """Refuse what cannot be ridden."""
        n = self.n_positions
        checks = [
            (1 <= n <= 26, "n_positions", "between 1 and 26"),
            (1 <= self.runs_per_position <= 60, "runs_per_position", "between 1 and 60"),
            (100.0 <= self.leg_length_m <= 10_000.0, "leg_length_m", "100 to 10 000 m"),
            (0.1 <= self.loop_bend_share <= 1.0, "loop_bend_share", "0.1 to 1"),
            (8.0 <= self.bend_radius_m <= 500.0, "bend_radius_m", "8 to 500 m"),
            (self.legs_per_run in range(2, 21, 2), "legs_per_run", "an even number, 2 to 20"),
            (1 <= self.laps_per_run <= 100, "laps_per_run", "1 to 100"),
            (self.run_out_m >= 60.0, "run_out_m", "60 m or more, for braking and starting"),
            (0.0 <= self.wind_m_s <= 15.0, "wind_m_s", "0 to 15 m/s"),
            (0.1 <= self.sample_interval_s <= 10.0, "sample_interval_s", "0.1 to 10 s"),
            (0.0 <= self.power_missing_share < 1.0, "power_missing_share", "0 to below 1"),
            (all(30.0 <= p <= 1000.0 for p in self.powers_w), "powers_w", "30 to 1000 W each"),
            (bool(self.powers_w), "powers_w", "at least one power"),
        ]
        of_positions = "position_ids position_labels position_cues hold_shares power_costs_w"
        for name in (*of_positions.split(), "power_cost_sds_w", "comforts", "cda_m2"):
            value = getattr(self, name)
            checks.append(
                (value is None or len(value) == n, name, f"one for each of {n} positions")
            )
        if not isinstance(self.order, str):
            good = all(0 <= k < n for k in self.order) and len(self.order) > 0
            checks.append((good, "order", f"position indices from 0 to {n - 1}"))
        if self.run_powers_w is not None:
            good = len(self.run_powers_w) == len(self.run_order)
            good = good and all(30.0 <= p <= 1000.0 for p in self.run_powers_w)
            checks.append((good, "run_powers_w", "30 to 1000 W for each run"))
        if self.power_mode == "position":
            checks.append((len(self.powers_w) == n, "powers_w", f"one for each of {n} positions"))
        for good, name, wanted in checks:
            if not good:
                raise UnitRangeError(
                    f"{name} = {getattr(self, name)!r} cannot be ridden",
                    where=f"Scenario({name}=...)",
                    fix=f"give {wanted}",
                )

    @property
    def ids(self) -> tuple[str, ...]:
        """Return the positions' ids, in order; the first is the reference."""
        if self.position_ids is not None:
            return self.position_ids
        return tuple(f"position-{chr(ord('a') + k)}" for k in range(self.n_positions))

    @property
    def run_order(self) -> tuple[int, ...]:
        """Return the position index of every run, in the order ridden."""
        if not isinstance(self.order, str):
            return self.order
        n, rounds = self.n_positions, self.runs_per_position
        if self.order == "blocks":
            return tuple(k for k in range(n) for _ in range(rounds))
        forward = tuple(range(n))
        return tuple(k for r in range(rounds) for k in (forward if r % 2 == 0 else forward[::-1]))


_BASE: Final = Scenario()
PRESETS: Final[dict[str, Scenario]] = {
    "calm": replace(_BASE, gust_sd_m_s=0.2, slow_sd_m_s=0.2, wind_m_s=0.4),
    "light": replace(_BASE, gust_sd_m_s=0.3, slow_sd_m_s=0.3, wind_m_s=1.0),
    "breeze": replace(_BASE, gust_sd_m_s=0.5, slow_sd_m_s=0.5, wind_m_s=1.0),
    "wind": replace(_BASE, gust_sd_m_s=0.9, slow_sd_m_s=0.7, wind_m_s=2.5),
}
