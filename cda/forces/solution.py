"""The speed that a power gives: closed cubic root, refined by Newton where there is crosswind.

With a = m g sin + Crr m g cos + b0 + m_e a, k = rho (CdA + F_w) / 2 and u = v + w the road asks

    f(v) = v [a + b1 v + k sqrt(u^2 + c^2) u] - eta P = 0.

For u > 0, f is convex, and without crosswind c a cubic in v whose largest root is wanted.
Crosswind only adds drag, so that root lies right of the one with crosswind, and Newton's method
comes down to it from the right without overshooting.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from cda.air import STANDARD_GRAVITY_M_S2
from cda.air.ranges import as_given
from cda.errors import EstimationError
from cda.forces.terms import checked_inputs, gravity_force, rolling_force

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Array = NDArray[np.float64]

_MOST_STEPS: Final = 100
# Relative length of the last step. Convergence is quadratic: after a step of 1e-9 an error of
# about 1e-18 is left, except near the double root that brakes on a descent can make.
_STEP_TOLERANCE: Final = 1e-9
_STEP_TOLERANCE_DOUBLE_ROOT: Final = 1e-14


class _Road(NamedTuple):
    """Coefficients of f, each of shape (n,) or (1,)."""

    power: Array
    constant: Array
    linear: Array
    aero: Array
    headwind: Array
    crosswind: Array

    def take(self, index: NDArray[np.intp]) -> _Road:
        return _Road(*(x[index] if x.size > 1 else x for x in self))

    def excess(self, v: Array) -> tuple[Array, Array]:
        """Return f and its derivative: power asked minus power given [W], [N]."""
        u = v + self.headwind
        if self.crosswind.any():
            airspeed = np.sqrt(u * u + self.crosswind**2)
            # Calm air on a rider at rest: drag and its slope are 0.
            slope = airspeed + u * u / np.where(airspeed > 0.0, airspeed, 1.0)
        else:
            airspeed = np.abs(u)
            slope = 2.0 * airspeed
        force = self.constant + self.linear * v + self.aero * airspeed * u
        return v * force - self.power, force + v * (self.linear + self.aero * slope)


def _cubic_start(road: _Road) -> Array:
    """Return the largest real root of k v (v + w)^2 + b1 v^2 + a v - eta P."""
    w = road.headwind
    a2 = 2.0 * w + road.linear / road.aero
    a1 = w * w + road.constant / road.aero
    a0 = -road.power / road.aero
    p = a1 - a2 * a2 / 3.0
    q = a2 * (2.0 * a2 * a2 / 27.0 - a1 / 3.0) + a0
    # Depressed cubic t^3 + p t + q by its hyperbolic or trigonometric root: no difference of
    # large cube roots, hence no lost digits.
    size = np.sqrt(np.maximum(np.abs(p), 1e-300) / 3.0)
    ratio = np.clip(q / (2.0 * size**3), -1e300, 1e300)
    with np.errstate(invalid="ignore"):
        root = np.where(
            p >= 0.0,
            -2.0 * size * np.sinh(np.arcsinh(ratio) / 3.0),
            np.where(
                np.abs(ratio) <= 1.0,
                2.0 * size * np.cos(np.arccos(np.clip(-ratio, -1.0, 1.0)) / 3.0),
                -2.0
                * np.sign(ratio)
                * size
                * np.cosh(np.arccosh(np.maximum(np.abs(ratio), 1.0)) / 3.0),
            ),
        )
    return np.asarray(root - a2 / 3.0, dtype=np.float64)


def _largest_root(road: _Road) -> Array:
    """Return the largest v > max(0, -w) with f = 0, shape (n,); NaN where there is none."""
    lowest = np.maximum(0.0, -road.headwind)
    at_lowest, slope_at_lowest = road.excess(lowest)
    # Convex: from below zero f crosses once; from zero or above only if it dips first.
    surely = at_lowest < 0.0
    possible = surely | (slope_at_lowest < 0.0)
    start = _cubic_start(road)
    shape = np.broadcast_shapes(*(x.shape for x in road))
    v = np.broadcast_to(start, shape).copy()
    lowest, surely = np.broadcast_to(lowest, shape), np.broadcast_to(surely, shape)
    v[~np.broadcast_to(possible, shape)] = np.nan
    # Where rounding has put the start left of the root, or of the range, move it to the right.
    behind = np.flatnonzero(surely & ~(v > lowest))
    v[behind] = lowest[behind] + 1e-3
    v[~surely & ~(v > lowest)] = np.nan

    active = np.flatnonzero(np.isfinite(v))
    for _ in range(_MOST_STEPS):
        if active.size == 0:
            break
        here = road if active.size == v.size else road.take(active)
        now = v[active]
        f, slope = here.excess(now)
        with np.errstate(divide="ignore", invalid="ignore"):
            after = now - f / slope
        low, sure = lowest[active], surely[active]
        fails = ~(slope > 0.0) | ~(after > low)
        after = np.where(fails & sure, np.where(f < 0.0, 2.0 * now, 0.5 * (now + low)), after)
        after = np.where(fails & ~sure, np.nan, after)  # f > 0 all the way down: no root
        v[active] = after
        tolerance = np.where(sure, _STEP_TOLERANCE, _STEP_TOLERANCE_DOUBLE_ROOT)
        moving = np.abs(after - now) > tolerance * now
        active = active[moving]
    return v


def speed_at_power(
    power_w: ArrayLike,
    *,
    cda_m2: ArrayLike,
    mass_kg: ArrayLike,
    density_kg_m3: ArrayLike,
    rolling_resistance: ArrayLike,
    gradient: ArrayLike = 0.0,
    headwind_m_s: ArrayLike = 0.0,
    crosswind_m_s: ArrayLike = 0.0,
    efficiency: ArrayLike = 1.0,
    wheel_drag_area_m2: ArrayLike = 0.0,
    bearing_drag_n: ArrayLike = 0.0,
    bearing_drag_n_s_m: ArrayLike = 0.0,
    effective_mass_kg: ArrayLike | None = None,
    acceleration_m_s2: ArrayLike = 0.0,
    gravity_m_s2: ArrayLike = STANDARD_GRAVITY_M_S2,
) -> float | NDArray[np.float64]:
    """Compute the speed that a power at the crank gives.

    All parameters broadcast against each other, shape (...).

    Parameters
    ----------
    power_w : array_like
        Power at the crank. [W]  Below zero: brakes take `efficiency` times its size, as in
        `power_at_speed`.
    cda_m2, mass_kg, density_kg_m3, rolling_resistance, gradient, headwind_m_s, crosswind_m_s, \
efficiency, wheel_drag_area_m2, bearing_drag_n, bearing_drag_n_s_m, effective_mass_kg, \
acceleration_m_s2, gravity_m_s2 : array_like
        As in `power_at_speed`; `cda_m2` plus `wheel_drag_area_m2` above zero.

    Returns
    -------
    speed : float, or ndarray of the broadcast shape
        The root of the power-speed equation with speed and airspeed along the road above zero;
        the faster, stable one where brakes on a descent leave two. [m/s]

    Raises
    ------
    UnitRangeError
        If a value is implausible in its unit.
    EstimationError
        If there is no such root: no power on a road that does not fall, a tailwind that blows
        the rider along faster than the power can, or brakes stronger than the descent.

    Notes
    -----
    Accurate to rounding: without crosswind the closed root of a cubic, refined once or twice.
    """
    x = checked_inputs(
        "speed_at_power",
        {
            "power_w": power_w,
            "cda_m2": cda_m2,
            "mass_kg": mass_kg,
            "density_kg_m3": density_kg_m3,
            "rolling_resistance": rolling_resistance,
            "gradient": gradient,
            "headwind_m_s": headwind_m_s,
            "crosswind_m_s": crosswind_m_s,
            "efficiency": efficiency,
            "wheel_drag_area_m2": wheel_drag_area_m2,
            "bearing_drag_n": bearing_drag_n,
            "bearing_drag_n_s_m": bearing_drag_n_s_m,
            "effective_mass_kg": mass_kg if effective_mass_kg is None else effective_mass_kg,
            "acceleration_m_s2": acceleration_m_s2,
            "gravity_m_s2": gravity_m_s2,
        },
    )
    m, g, slope = x["mass_kg"], x["gravity_m_s2"], x["gradient"]
    drag_area = x["cda_m2"] + x["wheel_drag_area_m2"]
    if not np.all(drag_area > 0.0):
        raise EstimationError(
            "without any drag area no speed can be told from a power",
            where="speed_at_power(cda_m2=...)",
            fix="give a drag area above zero",
        )
    coefficients = (
        x["efficiency"] * x["power_w"],
        gravity_force(m, slope, g)
        + rolling_force(m, x["rolling_resistance"], slope, g)
        + x["bearing_drag_n"]
        + x["effective_mass_kg"] * x["acceleration_m_s2"],
        x["bearing_drag_n_s_m"],
        0.5 * x["density_kg_m3"] * drag_area,
        x["headwind_m_s"],
        x["crosswind_m_s"],
    )
    arrays = [np.asarray(c, dtype=np.float64) for c in coefficients]
    shape = np.broadcast_shapes(*(a.shape for a in arrays))
    road = _Road(
        *(a.reshape(1) if a.size == 1 else np.broadcast_to(a, shape).ravel() for a in arrays)
    )
    v = _largest_root(road)
    missing = np.isnan(v)
    if missing.any():
        first = int(np.flatnonzero(missing)[0])
        values = {name: float(c[first if c.size > 1 else 0]) for name, c in road._asdict().items()}
        count = f"{int(missing.sum())} of {v.size} cases, the first" if v.size > 1 else "the case"
        raise EstimationError(
            f"no speed above zero and above the tailwind balances {count} with "
            f"{values['power']:.4g} W at the wheel, {values['constant']:.4g} N of slope, tyres "
            f"and bearings, and {values['headwind']:.4g} m/s of headwind",
            where="speed_at_power",
            fix="more power, or a weaker tailwind; on a descent, less braking",
        )
    return as_given(v.reshape(shape))
