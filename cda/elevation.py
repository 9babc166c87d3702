"""Energy terms of legs, and the virtual elevation they imply.

The energy that a leg's drag must have taken is what is left of the work after kinetic energy,
height, rolling and bearings. All sums run over the samples between the gates; speed, time and
work at the gates are interpolated, never rounded to a sample.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from cda.errors import EstimationError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from cda.legs import Leg

_END_POWER_WINDOW_S = 5.0  # power at a gate, for what a late power signal costs: mean over this


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LegEnergies:
    """Energy terms of n legs in recorded units; arrays of shape (n,) unless said.

    Attributes
    ----------
    direction : ndarray
        +1 out, -1 back.
    length_m, duration_s : ndarray
        Gate to gate by the wheel. [m], [s]
    start_s : ndarray
        When the leg was entered, in time of the session's first recording. [s]
    work_j : ndarray
        Work at the power meter. [J]
    work_per_delay_w : ndarray
        Change of `work_j` for each second by which power arrives later than assumed. [W]
    half_v2_change : ndarray
        Half of speed squared at the exit minus at the entry. [m^2/s^2]
    speed_dx : ndarray
        Integral of speed over distance. [m^2/s]
    altitude_change_m : ndarray
        Altimeter at the exit minus at the entry, NaN without altimeter. [m]
    step_speed_m_s, step_dx_m : ndarray, shape (k,)
        Speed and length of every step of every leg, leg after leg.
    step_first : ndarray of int, shape (n,)
        Where each leg's steps begin.
    step_airspeed_m_s : ndarray, shape (k,), or None
        Recorded airspeed of every step, NaN where missing.
    """

    direction: NDArray[np.float64]
    length_m: NDArray[np.float64]
    duration_s: NDArray[np.float64]
    start_s: NDArray[np.float64]
    work_j: NDArray[np.float64]
    work_per_delay_w: NDArray[np.float64]
    half_v2_change: NDArray[np.float64]
    speed_dx: NDArray[np.float64]
    altitude_change_m: NDArray[np.float64]
    step_speed_m_s: NDArray[np.float64]
    step_dx_m: NDArray[np.float64]
    step_first: NDArray[np.intp]
    step_airspeed_m_s: NDArray[np.float64] | None

    def sum_steps(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Sum a quantity of shape (k,) over each leg; shape (n,)."""
        return np.add.reduceat(values, self.step_first)

    def per_step(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Repeat a quantity of shape (n,) for each step of its leg; shape (k,)."""
        counts = np.diff(np.append(self.step_first, self.step_dx_m.size))
        return np.repeat(values, counts)


def leg_energies(legs: Sequence[Leg]) -> LegEnergies:
    """Return the energy terms of legs.

    Parameters
    ----------
    legs : sequence of Leg
        Cut at the gates, power complete.

    Raises
    ------
    EstimationError
        If there is no leg.
    """
    if not legs:
        raise EstimationError("no leg to estimate from", fix="see the findings on the runs")
    rows: dict[str, list[float]] = {
        key: []
        for key in ("length", "duration", "start", "work", "delay", "kinetic", "speed_dx", "climb")
    }
    speeds, steps, winds, first, count = [], [], [], [], 0
    for leg in legs:
        dt = np.diff(leg.time_s)
        dx = np.abs(np.diff(leg.along_m))
        v = leg.speed_m_s
        mid = 0.5 * (v[1:] + v[:-1])
        duration = float(leg.time_s[-1] - leg.time_s[0])
        rows["length"].append(float(dx.sum()))
        rows["duration"].append(duration)
        rows["start"].append(leg.start_s)
        rows["work"].append(float((leg.power_w[1:] * dt).sum()))
        n_end = max(1, round(_END_POWER_WINDOW_S * (len(dt) / max(duration, 1e-9))))
        rows["delay"].append(
            float(np.mean(leg.power_w[-n_end:]) - np.mean(leg.power_w[1 : 1 + n_end]))
        )
        rows["kinetic"].append(0.5 * float(v[-1] ** 2 - v[0] ** 2))
        rows["speed_dx"].append(float((mid * dx).sum()))
        climb = np.nan if leg.altitude_m is None else leg.altitude_m[-1] - leg.altitude_m[0]
        rows["climb"].append(float(climb))
        speeds.append(mid)
        steps.append(dx)
        if leg.airspeed_m_s is None:
            winds.append(np.full(len(dx), np.nan))
        else:
            winds.append(0.5 * (leg.airspeed_m_s[1:] + leg.airspeed_m_s[:-1]))
        first.append(count)
        count += len(dx)
    airspeed = np.concatenate(winds)
    return LegEnergies(
        direction=np.array([float(leg.direction) for leg in legs]),
        length_m=np.array(rows["length"]),
        duration_s=np.array(rows["duration"]),
        start_s=np.array(rows["start"]),
        work_j=np.array(rows["work"]),
        work_per_delay_w=np.array(rows["delay"]),
        half_v2_change=np.array(rows["kinetic"]),
        speed_dx=np.array(rows["speed_dx"]),
        altitude_change_m=np.array(rows["climb"]),
        step_speed_m_s=np.concatenate(speeds),
        step_dx_m=np.concatenate(steps),
        step_first=np.array(first, dtype=np.intp),
        step_airspeed_m_s=airspeed if np.isfinite(airspeed).any() else None,
    )


def air_path_integrals(
    energies: LegEnergies,
    headwind_m_s: NDArray[np.float64],
    crosswind_squared: NDArray[np.float64] | float,
    speed_scale: float = 1.0,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    r"""Return the integral of V_a u over distance of each leg, and its slope with the headwind.

    Parameters
    ----------
    energies : LegEnergies
        Of n legs.
    headwind_m_s : ndarray, shape (n,)
        Wind along the road as the rider of each leg meets it; positive slows. [m/s]
    crosswind_squared : float or ndarray, shape (n,)
        Mean of the crosswind squared. [m^2/s^2]
    speed_scale : float
        True over recorded speed; distance has the same scale.

    Returns
    -------
    integral, slope : ndarray, shape (n,)
        [m^3/s^2], and its derivative with respect to the headwind [m^2/s].

    Notes
    -----
    u = v + headwind, V_a = sqrt(u^2 + c^2); the force of the air along the road is
    1/2 rho CdA V_a u (design of the model after Martin et al. 1998,
    :doi:`10.1123/jab.14.3.276`, with the crosswind explicit).
    """
    u = energies.step_speed_m_s * speed_scale + energies.per_step(headwind_m_s)
    c2 = np.broadcast_to(np.asarray(crosswind_squared, dtype=np.float64), headwind_m_s.shape)
    cross = energies.per_step(np.array(c2))
    v_a = np.sqrt(u * u + cross)
    dx = energies.step_dx_m * speed_scale
    # d(V_a u)/du = V_a + u^2/V_a; V_a is never 0 on a ride, but a standing sample may come near
    slope = v_a + u * u / np.maximum(v_a, 1e-6)
    return energies.sum_steps(v_a * u * dx), energies.sum_steps(slope * dx)


def virtual_rise_m(
    leg: Leg,
    *,
    weight_n: float,
    effective_mass_kg: float,
    wheel_power_scale: float,
    wheel_power_offset_w: float,
    rolling_force_n: float,
    bearing_drag_n: float,
    bearing_drag_n_s_m: float,
    density_kg_m3: float,
    cda_with_wheels_m2: float,
    headwind_m_s: float,
    crosswind_squared: float,
) -> NDArray[np.float64]:
    """Return the virtual elevation of one leg from its entry on, in riding order.

    The height the road would have to have if the assumed forces were right: the energy equation
    of the leg divided by the weight, summed step by step; shape (m,), in metres.
    """
    dt = np.diff(leg.time_s)
    dx = np.abs(np.diff(leg.along_m))
    v = leg.speed_m_s
    mid = 0.5 * (v[1:] + v[:-1])
    u = mid + headwind_m_s
    air = 0.5 * density_kg_m3 * cda_with_wheels_m2 * np.sqrt(u * u + crosswind_squared) * u
    work = (wheel_power_scale * leg.power_w[1:] + wheel_power_offset_w) * dt
    kinetic = 0.5 * effective_mass_kg * np.diff(v * v)
    resist = (rolling_force_n + bearing_drag_n + bearing_drag_n_s_m * mid + air) * dx
    return np.concatenate([[0.0], np.cumsum((work - kinetic - resist) / weight_n)])
