"""Energy terms of legs, and the virtual elevation they imply.

The energy that a leg's drag must have taken is what is left of the work after kinetic energy,
height, rolling and bearings. All sums run over the samples between the gates; speed, time and
work at the gates are interpolated, never rounded to a sample.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from cda.errors import EstimationError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from cda.legs import Leg

# Weight of the ends of a leg over its middle, the share of the length at either end that has it,
# and the share over which it falls off.
_END, _END_SHARE, _END_RAMP = 2.5, 0.1, 0.04
_END_POWER_WINDOW_S = 5.0  # power at a gate, for what a late power signal costs: mean over this


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LegEnergies:
    """Energy terms of n legs in recorded units; arrays of shape (n,) unless said.

    Where the ends are weighted, every sum but `altitude_change_m` is, `step_dx_m` included.

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
    relief_shift_m : ndarray or None
        Weighted climb by the altimeter less `altitude_change_m`; NaN without altimeter. [m]
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
    relief_shift_m: NDArray[np.float64] | None = None

    def sum_steps(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Sum a quantity of shape (k,) over each leg; shape (n,)."""
        return np.add.reduceat(values, self.step_first)

    def per_step(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Repeat a quantity of shape (n,) for each step of its leg; shape (k,)."""
        counts = np.diff(np.append(self.step_first, self.step_dx_m.size))
        return np.repeat(values, counts)


def end_weights(
    share: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the weight at points of a leg and its integral from the entry on; shapes of `share`.

    Parameters
    ----------
    share : ndarray
        How much of the leg's length lies behind, 0 to 1.

    Notes
    -----
    The best linear estimate of the mean of an Ornstein-Uhlenbeck process over a stretch is not the
    plain mean: its ends count for what lies beyond them (Grenander 1954, Ann. Math. Stat. 25,
    252-272, from memory). Gusts of 8 to 60 s over legs of one to two minutes lose 2 to 5 % of
    their standard deviation when the first and last tenth weigh 2.5 times as much as the middle;
    a sharper weight would gain little more and would lean on the metres beside the gates.
    The mean weight is 1, and weights are the same for both directions of a road.
    """
    edge = np.minimum(share, 1.0 - share)
    flat = _END_SHARE - 0.5 * _END_RAMP
    fallen = np.clip(edge - flat, 0.0, _END_RAMP)
    mean = 1.0 + 2.0 * (_END - 1.0) * _END_SHARE
    value = 1.0 + (_END - 1.0) * (1.0 - fallen / _END_RAMP)
    half = edge + (_END - 1.0) * (np.minimum(edge, flat) + fallen - fallen**2 / (2.0 * _END_RAMP))
    summed = np.where(share <= 0.5, half, mean - half)
    return value / mean, summed / mean


@lru_cache(maxsize=4096)
def leg_mean_share(duration_s: float, time_s: float) -> float:
    """Return which share of its variance a gust process keeps in a leg's weighted mean.

    Parameters
    ----------
    duration_s, time_s : float
        Of the leg; correlation time of the gusts.

    Notes
    -----
    Sum over the exponential covariance of an Ornstein-Uhlenbeck process, with `end_weights`.
    """
    at = (np.arange(120) + 0.5) / 120
    weight = end_weights(at)[0] / 120
    lag = np.abs(at[:, None] - at[None, :]) * (duration_s / time_s)
    return float(weight @ np.exp(-lag) @ weight)


@lru_cache(maxsize=4096)
def leg_end_share(duration_s: float, time_s: float) -> float:
    """Return the covariance of a unit gust process at a leg's end with the leg's weighted mean.

    Parameters
    ----------
    duration_s, time_s : float
        Of the leg; correlation time of the gusts. The means of two legs with a pause between
        them have the covariance of both shares times exp(-pause / time).
    """
    at = (np.arange(120) + 0.5) / 120
    return float(end_weights(at)[0] @ np.exp(-at * (duration_s / time_s)) / 120)


def leg_energies(legs: Sequence[Leg], *, weigh_ends: bool = False) -> LegEnergies:
    """Return the energy terms of legs.

    Parameters
    ----------
    legs : sequence of Leg
        Cut at the gates, power complete.
    weigh_ends : bool
        Weigh every step with `end_weights`: all sums but `altitude_change_m` are weighted. Only
        for legs of one road ridden both ways.

    Raises
    ------
    EstimationError
        If there is no leg.
    """
    if not legs:
        raise EstimationError("no leg to estimate from", fix="see the findings on the runs")
    names = (
        "length",
        "duration",
        "start",
        "work",
        "delay",
        "kinetic",
        "speed_dx",
        "climb",
        "shift",
    )
    rows: dict[str, list[float]] = {name: [] for name in names}
    speeds, steps, winds, first, count = [], [], [], [], 0
    for leg in legs:
        dt = np.diff(leg.time_s)
        dx = np.abs(np.diff(leg.along_m))
        v = leg.speed_m_s
        mid = 0.5 * (v[1:] + v[:-1])
        duration = float(leg.time_s[-1] - leg.time_s[0])
        weight, fall = np.ones(len(dx)), np.zeros(len(dx))
        at_end = 1.0
        if weigh_ends:
            behind = np.concatenate([[0.0], np.cumsum(dx)]) / max(float(dx.sum()), 1e-9)
            value, summed = end_weights(behind)
            share = np.diff(behind)
            inside = np.interp(0.5 * (behind[1:] + behind[:-1]), behind, value)
            weight = np.where(share > 1e-9, np.diff(summed) / np.maximum(share, 1e-9), inside)
            at_end, fall = float(value[-1]), np.diff(value)
        rows["length"].append(float((weight * dx).sum()))
        rows["duration"].append(float((weight * dt).sum()))
        rows["start"].append(leg.start_s)
        rows["work"].append(float((weight * leg.power_w[1:] * dt).sum()))
        n_end = max(1, round(_END_POWER_WINDOW_S * (len(dt) / max(duration, 1e-9))))
        # The derivative of the weighted work by parts: what enters at the ends, and what moves
        # from weight to weight between them.
        ends = float(np.mean(leg.power_w[-n_end:]) - np.mean(leg.power_w[1 : 1 + n_end]))
        rows["delay"].append(at_end * ends - float((fall * leg.power_w[1:]).sum()))
        rows["kinetic"].append(0.5 * float((weight * np.diff(v * v)).sum()))
        rows["speed_dx"].append(float((weight * mid * dx).sum()))
        climb, shift = np.nan, np.nan
        if leg.altitude_m is not None:
            climb = float(leg.altitude_m[-1] - leg.altitude_m[0])
            shift = float(((weight - 1.0) * np.diff(leg.altitude_m)).sum())
        rows["climb"].append(climb)
        rows["shift"].append(shift)
        speeds.append(mid)
        steps.append(weight * dx)
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
        relief_shift_m=np.array(rows["shift"]),
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
