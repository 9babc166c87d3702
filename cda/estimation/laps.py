r"""Laps of a loop in the model: wind round a loop, and a leaning rider on a track.

**Wind round a loop.** With tangent t and steady wind W blowing from an angle phi off the way,
u = v + W cos(phi) and the crosswind is W sin(phi). To second order in W/v

    V_a u = v^2 + 2 v W cos(phi) + W^2 (1 + cos(phi)^2) / 2.

Round a closed loop the mean of cos(phi) is 0: the mean wind along the way drops out, and with it
every way to tell it. Two terms stay. W^2 (1 + m)/2, with m the mean of cos(phi)^2: 1/2 round a
circle or over all directions of the wind (so 3/4 W^2), up to 1 (so W^2) on a long loop along the
wind, down to 0 (W^2/2) across it. And 2 W mean(v cos(phi)), below 0, for the rider is slow in the
headwind: linearised about steady riding at constant power, m_e dv/dt = P/v - F, speed answers a
headwind of angular frequency w in phase by

    a = a0 / (1 + (w tau)^2),  a0 = 2 F_a / (3 F_a + F_r),  tau = m_e v / (3 F_a + F_r),

with F_a the force of the air and F_r that of tyres and hubs, so that the mean is -a W m and
W^2 (3/4 - a) remains round a circle: 0.3 W^2 on 1.5 km, 0.6 W^2 on 600 m. Where bearings and the
wind's direction are known nothing of this is assumed: V_a u is summed over the recorded speeds.

**Lean.** On a bend of radius R the wheels' way is longer than that of the mass centre, which lies
h sin(lean) further in: its speed is k v with k = 1 - h sin(lean)/R, and in balance
tan(lean) = (k v)^2 / (g k R). Tyres carry 1/cos(lean) of the weight; drag works on the mass
centre's way: k^3 v^2 for each metre of the wheels. Going in, the mass centre sinks and speed rises
at the same energy. (Lean and load from the balance of moments on a point mass.)
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cda.elevation import LegEnergies
    from cda.estimation.day import DayInputs

    Array = NDArray[np.float64]

# Nodes and weights of a normal distribution, exact to the fifth power (Gauss-Hermite).
_DIRECTIONS: Final = ((0.0, 2.0 / 3.0), (np.sqrt(3.0), 1.0 / 6.0), (-np.sqrt(3.0), 1.0 / 6.0))
_LEAN_ROUNDS: Final = 12


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LoopWind:
    """Wind over a loop at rider height.

    Attributes
    ----------
    directed_m_s : float
        Speed of the part whose direction is known. [m/s]
    from_rad, from_sd_rad : float
        Where it blows from, clockwise from true north, and the standard uncertainty. [rad]
    other_m2_s2 : float
        Mean square of the part from anywhere. [m^2/s^2]
    step_bearing_rad : ndarray, shape (k,), or None
        Direction of travel at every step; None: the loop is taken as a circle, the wind as from
        anywhere.
    """

    directed_m_s: float
    from_rad: float
    from_sd_rad: float
    other_m2_s2: float
    step_bearing_rad: Array | None

    @property
    def squared(self) -> float:
        """Return the mean square of the whole wind [m^2/s^2]."""
        return self.directed_m_s**2 + self.other_m2_s2


@dataclass(frozen=True, slots=True, kw_only=True)
class Bends:
    """Bends of a track: radius [m], share of the lap, height of the mass centre upright [m]."""

    radius_m: float
    share: float
    mass_centre_height_m: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Laps:
    """What makes a day of laps: one lap's length [m], the wind (None indoors), the bends."""

    lap_m: float
    wind: LoopWind | None
    bends: Bends | None


class LapIntegrals(NamedTuple):
    """Integrals over the wheels' way of n legs, each of shape (n,).

    `air` for 1 m^2 of the rider and `wheels` for 1 m^2 at the axles [m^3/s^2]; `slope` of `air` by
    a headwind [m^2/s]; `load` the length times the load of the tyres over the weight [m].
    """

    air: Array
    wheels: Array
    slope: Array
    load: Array


def lap_integrals(
    day: DayInputs, area_m2: Array, headwind_m_s: float, crr: float, crosswind_squared: float
) -> LapIntegrals:
    """Return the air's and the tyres' part of every leg of laps.

    Parameters
    ----------
    day : DayInputs
        With `laps`.
    area_m2 : ndarray, shape (n,)
        Drag area with wheels. [m^2]
    headwind_m_s : float
        Mean wind against the way round the loop, near 0. [m/s]
    crr : float
    crosswind_squared : float
        Of gusts. [m^2/s^2]
    """
    laps, e = day.laps, day.energies
    assert laps is not None
    scale = day.speed_scale + day.shift.get("speed_scale", 0.0)
    v = e.step_speed_m_s * scale
    dx = e.step_dx_m * scale
    length = e.length_m * scale
    wind = laps.wind
    extra = np.zeros_like(length)
    if wind is None:
        air, slope = _sums(e, v + headwind_m_s, crosswind_squared, dx)
    else:
        grown = max(wind.squared + day.shift.get("wind_squared", 0.0), 0.0) / wind.squared
        other, directed = grown * wind.other_m2_s2, np.sqrt(grown) * wind.directed_m_s
        if wind.step_bearing_rad is None:
            other, directed = other + directed**2, 0.0
        air, slope = np.zeros_like(length), np.zeros_like(length)
        for node, weight in _DIRECTIONS if directed > 0.0 else ((0.0, 1.0),):
            u, cross = v + headwind_m_s, crosswind_squared
            if directed > 0.0:
                assert wind.step_bearing_rad is not None
                angle = wind.from_rad + node * wind.from_sd_rad - wind.step_bearing_rad
                u = u + directed * np.cos(angle)
                cross = cross + (directed * np.sin(angle)) ** 2
            one, its_slope = _sums(e, u, cross, dx)
            air, slope = air + weight * one, slope + weight * its_slope
        extra = other * (0.75 - _answer_in_phase(day, area_m2, crr, laps.lap_m)) * length
    air, wheels, load = air + extra, air + extra, length
    if laps.bends is not None:
        bends = laps.bends
        height = bends.mass_centre_height_m * (1.0 + day.shift.get("lean", 0.0))
        of_mass, of_axles, of_load = bend_factors(
            e.sum_steps(v * v * dx) / length,
            bends,
            height_m=height,
            axle_m=day.wheel_radius_m,
            wheel_mass_share=day.wheel_inertia_kg_m2 / day.wheel_radius_m**2 / day.mass_kg,
            gravity_m_s2=day.gravity_m_s2,
        )
        wheels = air * of_axles
        air, slope, load = air * of_mass, slope * of_mass, load * of_load
    return LapIntegrals(air, wheels, slope, load)


def _sums(
    e: LegEnergies, u: Array, crosswind_squared: Array | float, dx: Array
) -> tuple[Array, Array]:
    v_a = np.sqrt(u * u + crosswind_squared)
    return e.sum_steps(v_a * u * dx), e.sum_steps((v_a + u * u / np.maximum(v_a, 1e-6)) * dx)


def _answer_in_phase(day: DayInputs, area_m2: Array, crr: float, lap_m: float) -> Array:
    """Return by how much speed falls for each m/s of headwind, in phase, round a loop; (n,)."""
    v = day.energies.length_m / day.energies.duration_s
    air = 0.5 * day.density_kg_m3 * area_m2 * v * v
    rest = crr * day.mass_kg * day.gravity_m_s2 + day.bearing_drag_n
    steady = 2.0 * air / (3.0 * air + rest)
    time_s = day.mass_kg * v / (3.0 * air + rest)
    turns = 2.0 * np.pi * v / lap_m * time_s
    return np.asarray(steady / (1.0 + turns * turns))


def bend_factors(
    mean_v2: Array,
    bends: Bends,
    *,
    height_m: float,
    axle_m: float,
    wheel_mass_share: float,
    gravity_m_s2: float,
) -> tuple[Array, Array, Array]:
    """Return what lean makes of drag at the mass centre, drag at the axles, and tyre load.

    Parameters
    ----------
    mean_v2 : ndarray, shape (n,)
        Wheel speed squared, mean over the way. [m^2/s^2]
    bends : Bends
    height_m, axle_m : float
        Of the mass centre and the axles above the ground, upright. [m]
    wheel_mass_share : float
        I/r^2 of both wheels over the mass.
    gravity_m_s2 : float

    Returns
    -------
    of_mass, of_axles, of_load : ndarray, shape (n,)
        Factors on integrals that take the wheels' speed everywhere; 1 without bends.
    """
    b, radius = bends.share, bends.radius_m
    straight, bend = mean_v2.copy(), mean_v2.copy()
    share = np.ones_like(mean_v2)
    for _ in range(_LEAN_ROUNDS):
        tangent = bend * share / (gravity_m_s2 * radius)
        cosine = 1.0 / np.sqrt(1.0 + tangent * tangent)
        sine = tangent * cosine
        share = 1.0 - height_m * sine / radius
        sunk = 2.0 * gravity_m_s2 * height_m * (1.0 - cosine)
        bend = ((1.0 + wheel_mass_share) * straight + sunk) / (share**2 + wheel_mass_share)
        straight = mean_v2 / ((1.0 - b) + b * bend / straight)
    axle = 1.0 - axle_m * sine / radius
    rest = (1.0 - b) * straight
    return (
        (rest + b * share**3 * bend) / mean_v2,
        (rest + b * axle**3 * bend) / mean_v2,
        (1.0 - b) + b / cosine,
    )
