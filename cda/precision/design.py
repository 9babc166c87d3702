"""A test that may be ridden, and its hypothetical legs as the regression takes them in."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from cda.elevation import LegEnergies
from cda.errors import EstimationError
from cda.estimation import DayInputs
from cda.forces import speed_at_power

if TYPE_CHECKING:
    from collections.abc import Mapping

# Wind at rider height -> its gusts and its slow part (s.d. along the road), over open land in
# the morning; common practice, no source. [m/s]
_WIND_M_S: Final = (0.0, 0.4, 1.0, 2.5, 5.0)
_GUST_SD_M_S: Final = (0.1, 0.2, 0.4, 0.9, 1.7)
_SLOW_SD_M_S: Final = (0.1, 0.2, 0.4, 0.7, 1.2)
# Correlation times of wind outdoors; common practice, no source. [s]
GUST_TIME_S: Final = (8.0, 60.0)
SLOW_TIME_S: Final = (300.0, 1800.0)
# Indoors with doors shut and nobody else on the track; common practice, no source. [m/s]
_INDOOR_GUST_SD_M_S: Final = 0.05
# What a leg costs beside its length: braking, turning and speeding up. [s]
TURN_S: Final = 42.0
# Wind averaged round a loop: V_a u = v^2 + 3/4 w^2, as if the wind blew across with 3/2 w^2.
LAP_CROSSWIND_SHARE: Final = 1.5
_CLOSED: Final = 1e-4  # [m], [m/s] a lap has neither height difference nor mean wind along it


def gusts_of_wind(wind_m_s: float) -> tuple[float, float]:
    """Return the s.d. of gusts and of slow wind usual with a mean wind at rider height [m/s]."""
    gust = float(np.interp(wind_m_s, _WIND_M_S, _GUST_SD_M_S))
    return gust, float(np.interp(wind_m_s, _WIND_M_S, _SLOW_SD_M_S))


@dataclass(frozen=True, slots=True, kw_only=True)
class Design:
    """A test that may be ridden, and the air and instruments it is ridden with.

    A `*_sd` is a standard deviation or standard uncertainty.

    Attributes
    ----------
    order : tuple of int
        Position of each run, from 0, in the order ridden.
    course : "out-and-back", "loop" or "track"
        On a loop or track a leg is a lap, all in one direction; a track has no wind.
    length_m, legs_per_run : float, int
        Timed stretch and legs of one run; on a loop or track one lap and the laps of a run. [m]
    run_powers_w : tuple of float
        Power of the runs, taken in turn. [W]
    wind_m_s, gust_sd_m_s, slow_sd_m_s : float
        At rider height: mean wind from anywhere, gusts and slow part along the road. [m/s]
    power_noise : float
        Of one second's power, relative; white.
    gust_time_s, slow_time_s : (float, float)
        Range of their correlation times, log-uniform: nobody knows the day's own. [s]
    run_to_run_sd_m2, wobble_sd_m2, wobble_time_s : float
        Between takings of a position; within a leg, with its correlation time. [m^2], [s]
    airspeed_noise_m_s : float or None
        Noise of an airspeed channel; None: there is none. [m/s]
    """

    order: tuple[int, ...]
    course: Literal["out-and-back", "loop", "track"] = "out-and-back"
    length_m: float = 1200.0
    legs_per_run: int = 2
    run_powers_w: tuple[float, ...] = (190.0, 240.0)
    rest_s: float = 45.0
    turn_s: float = TURN_S
    wind_m_s: float = 1.0
    gust_sd_m_s: float = 0.4
    slow_sd_m_s: float = 0.4
    gust_time_s: tuple[float, float] = GUST_TIME_S
    slow_time_s: tuple[float, float] = SLOW_TIME_S
    run_to_run_sd_m2: float = 0.002
    wobble_sd_m2: float = 0.003
    wobble_time_s: float = 10.0
    power_noise: float = 0.04
    cda_m2: float = 0.27
    rider_mass_kg: float = 75.0
    rider_mass_sd_kg: float = 0.3
    bike_mass_kg: float = 9.8
    bike_mass_sd_kg: float = 0.1
    density_kg_m3: float = 1.21
    density_relative_sd: float = 0.003
    rolling_resistance: float = 0.0042
    rolling_resistance_sd: float = 0.0003
    rolling_resistance_drift_sd_per_h: float = 0.01
    drivetrain_efficiency: float = 0.976
    drivetrain_efficiency_sd: float = 0.005
    power_scale_sd: float = 0.015
    power_offset_sd_w: float = 1.0
    power_offset_drift_sd_w_per_h: float = 1.0
    power_delay_sd_s: float = 0.5
    speed_scale_sd: float = 0.003
    height_sd_m: float = 0.22
    airspeed_noise_m_s: float | None = None
    airspeed_scale_sd: float = 0.05
    airspeed_position_scale_sd: float = 0.005
    airspeed_offset_sd_m_s: float = 0.1

    def __post_init__(self) -> None:
        """Refuse a design that compares nothing or cannot be ridden."""
        if not self.order or set(self.order) != set(range(max(self.order) + 1)):
            raise EstimationError(
                f"the order {self.order} leaves out a position", where="Design(order=...)",
                fix="number positions from 0, each ridden at least once",
            )  # fmt: skip
        legs, length = self.legs_per_run, self.length_m
        both_ways = self.round or (legs >= 2 and legs % 2 == 0)
        if not (100.0 <= length <= 10_000.0 and legs >= 1 and both_ways):
            raise EstimationError(
                f"{legs} laps of {length:g} m are no run" if self.round
                else f"{legs} legs of {length:g} m are not out and back",
                where="Design(length_m=..., legs_per_run=...)",
                fix="give 100 to 10 000 m and an even number of legs, or one lap at least",
            )  # fmt: skip

    @property
    def round(self) -> bool:
        """Return whether legs are laps in one direction."""
        return self.course != "out-and-back"

    @property
    def n_positions(self) -> int:
        """Return how many positions are compared."""
        return max(self.order) + 1

    @property
    def leg_s(self) -> float:
        """Return the mean time over a leg in calm air [s]."""
        return float(np.mean([self.length_m / self.speed_m_s(p) for p in self.run_powers_w]))

    @property
    def run_s(self) -> float:
        """Return the time that a run takes with its turns and the rest after it [s]."""
        return self.legs_per_run * (self.leg_s + self.turn_s) + self.rest_s

    @property
    def duration_min(self) -> float:
        """Return the time from the first start to the last end, warming up left out [min]."""
        return (len(self.order) * self.run_s - self.rest_s) / 60.0

    def speed_m_s(self, power_w: float, headwind_m_s: float = 0.0) -> float:
        """Return the speed that a power gives on the flat [m/s]."""
        return float(
            speed_at_power(
                power_w,
                cda_m2=self.cda_m2 + 0.0044,
                mass_kg=self.rider_mass_kg + self.bike_mass_kg,
                density_kg_m3=self.density_kg_m3,
                rolling_resistance=self.rolling_resistance,
                headwind_m_s=headwind_m_s,
                efficiency=self.drivetrain_efficiency,
            )
        )


def in_wind(design: Design, wind_m_s: float) -> Design:
    """Return the design in another wind, with the gusts that are usual in it; none indoors."""
    if design.course == "track":
        return replace(design, wind_m_s=0.0, gust_sd_m_s=_INDOOR_GUST_SD_M_S, slow_sd_m_s=0.0)
    gust, slow = gusts_of_wind(wind_m_s)
    return replace(design, wind_m_s=wind_m_s, gust_sd_m_s=gust, slow_sd_m_s=slow)


def hypothetical_day(design: Design) -> DayInputs:
    """Return the day's inputs with steady legs, as the regression takes them in."""
    along = along_m_s(design)
    pinned = _CLOSED if design.round else None
    rows: dict[str, list[float]] = {k: [] for k in ("direction", "duration", "start", "speed")}
    powers, position, run, clock = [], [], [], 0.0
    speeds = {
        (power, direction): design.speed_m_s(power, direction * along)
        for power in set(design.run_powers_w)
        for direction in (1.0, -1.0)
    }
    for number, who in enumerate(design.order):
        power = design.run_powers_w[number % len(design.run_powers_w)]
        for leg in range(design.legs_per_run):
            direction = 1.0 if design.round or leg % 2 == 0 else -1.0
            speed = speeds[(power, direction)]
            rows["direction"].append(direction)
            rows["speed"].append(speed)
            rows["duration"].append(design.length_m / speed)
            rows["start"].append(clock)
            powers.append(power)
            position.append(who)
            run.append(number)
            clock += design.length_m / speed + design.turn_s
        clock += design.rest_s
    value = {key: np.array(column) for key, column in rows.items()}
    n = len(powers)
    length = np.full(n, design.length_m)
    mean_w = np.array(powers)
    airspeed = design.airspeed_noise_m_s
    energies = LegEnergies(
        direction=value["direction"],
        length_m=length,
        duration_s=value["duration"],
        start_s=value["start"],
        work_j=mean_w * value["duration"],
        # Efforts waver: powers of five seconds at both ends differ by about 6 % of the mean.
        work_per_delay_w=0.06 * mean_w * np.where(np.arange(n) % 2 == 0, 1.0, -1.0),
        half_v2_change=np.zeros(n),
        speed_dx=value["speed"] * length,
        altitude_change_m=np.full(n, np.nan),
        step_speed_m_s=value["speed"],
        step_dx_m=length,
        step_first=np.arange(n, dtype=np.intp),
        step_airspeed_m_s=None,
    )
    gusts2 = design.gust_sd_m_s**2
    cross2 = (
        LAP_CROSSWIND_SHARE * (design.wind_m_s**2 + 2.0 * gusts2)
        if design.round
        else 0.5 * design.wind_m_s**2 + gusts2
    )
    return DayInputs(
        key="plan",
        energies=energies,
        position=np.array(position, dtype=np.intp),
        run=np.array(run, dtype=np.intp),
        density_kg_m3=np.full(n, design.density_kg_m3),
        gravity_m_s2=9.81,
        rider_mass_kg=design.rider_mass_kg,
        bike_mass_kg=design.bike_mass_kg,
        wheel_inertia_kg_m2=0.14,
        wheel_radius_m=0.335,
        wheel_drag_area_m2=0.0044,
        bearing_drag_n=0.091,
        bearing_drag_n_s_m=0.0087,
        drivetrain_efficiency=design.drivetrain_efficiency,
        rolling_resistance=design.rolling_resistance,
        rolling_resistance_sd=max(design.rolling_resistance_sd, 1e-7),
        rolling_resistance_drift_sd_per_h=design.rolling_resistance_drift_sd_per_h,
        offset_drift_sd_w_per_h=design.power_offset_drift_sd_w_per_h,
        height_difference_m=0.0,
        height_difference_sd_m=pinned or design.height_sd_m,
        headwind_m_s=None,
        headwind_sd_m_s=pinned or 5.0,  # no weather reading: the wind along the road is free
        crosswind_squared=cross2,
        systematic_sd=_systematic(design, cross2),
        instrument={},
        airspeed_scale_sd=design.airspeed_scale_sd,
        airspeed_position_scale_sd=design.airspeed_position_scale_sd,
        airspeed_offset_sd_m_s=design.airspeed_offset_sd_m_s,
        airspeed_noise_sd_m_s=airspeed or 0.3,
        leg_airspeed_m_s=(
            None if airspeed is None else value["speed"] + value["direction"] * along
        ),
        leg_airspeed_samples=None if airspeed is None else value["duration"],
    )


def _systematic(design: Design, cross2: float) -> Mapping[str, float]:
    return {
        "power_scale": design.power_scale_sd,
        "power_offset_w": design.power_offset_sd_w,
        "power_delay_s": design.power_delay_sd_s,
        "drivetrain_efficiency": design.drivetrain_efficiency_sd,
        "speed_scale": design.speed_scale_sd,
        "rider_mass_kg": design.rider_mass_sd_kg,
        "bike_mass_kg": design.bike_mass_sd_kg,
        "density_relative": design.density_relative_sd,
        "crosswind_squared": cross2,
    }


def along_m_s(design: Design) -> float:
    """Return the usual part along the road of a wind from anywhere (root mean square) [m/s]."""
    if design.round:
        return 0.0
    return float(design.wind_m_s / np.sqrt(2.0))
