"""The terms of the power-speed equation, and the power that a speed takes.

Signs: speed is along the road and above zero; a headwind above zero slows the rider; a gradient
above zero climbs; every force above zero slows the rider.  The terms check nothing, so that
inner loops can use them; `power_at_speed` checks units and broadcasts.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, cast

import numpy as np

from cda.air import STANDARD_GRAVITY_M_S2
from cda.air.ranges import as_given, require_range

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import ArrayLike, NDArray

    Values = float | NDArray[np.float64]

_PLAUSIBLE: Final[Mapping[str, tuple[float, float, str]]] = {
    "speed_m_s": (0.0, 50.0, "give m/s: km/h divided by 3.6"),
    "power_w": (-3000.0, 3000.0, "give watts"),
    "cda_m2": (0.0, 2.0, "give the drag area in m²: 0.2 to 0.4 for a rider"),
    "mass_kg": (20.0, 400.0, "give rider, bicycle and all that is carried, in kg"),
    "density_kg_m3": (0.3, 1.6, "give kg/m³, about 1.2: cda.air_density"),
    "rolling_resistance": (0.0, 0.1, "give Crr as a share of the weight: 0.004, not 0.4 %"),
    "gradient": (-1.0, 1.0, "give rise over run: 0.05 for 5 %"),
    "headwind_m_s": (-40.0, 40.0, "give m/s: km/h divided by 3.6"),
    "crosswind_m_s": (-40.0, 40.0, "give m/s: km/h divided by 3.6"),
    "efficiency": (0.5, 1.0, "give a share: 0.976 for 97.6 %"),
    "wheel_drag_area_m2": (0.0, 0.2, "give m²: about 0.004 for two wheels"),
    "bearing_drag_n": (0.0, 10.0, "give N: about 0.09"),
    "bearing_drag_n_s_m": (0.0, 1.0, "give N s/m: about 0.009"),
    "effective_mass_kg": (20.0, 500.0, "give kg: mass plus inertia of the wheels over radius²"),
    "acceleration_m_s2": (-15.0, 15.0, "give m/s²"),
    "gravity_m_s2": (9.7, 9.9, "give m/s²: cda.air.normal_gravity"),
}


def effective_mass(mass_kg: Values, wheel_inertia_kg_m2: Values, wheel_radius_m: Values) -> Values:
    """Return mass plus what the turning wheels add against acceleration [kg]."""
    return mass_kg + wheel_inertia_kg_m2 / wheel_radius_m**2


def aero_force(
    speed_m_s: Values,
    headwind_m_s: Values,
    crosswind_m_s: Values,
    drag_area_m2: Values,
    density_kg_m3: Values,
) -> Values:
    r"""Return the drag along the road [N].

    :math:`\frac12 \rho A V_a u` with u = speed + headwind, V_a = sqrt(u² + crosswind²); below
    zero, a push, where a tailwind is faster than the rider.  `drag_area_m2` is CdA plus wheels.
    """
    along = speed_m_s + headwind_m_s
    return cast(
        "Values", 0.5 * density_kg_m3 * drag_area_m2 * np.hypot(along, crosswind_m_s) * along
    )


def rolling_force(
    mass_kg: Values, rolling_resistance: Values, gradient: Values, gravity_m_s2: Values
) -> Values:
    """Return the rolling resistance of the tyres, Crr m g cos(atan gradient) [N]."""
    return cast(
        "Values", rolling_resistance * mass_kg * gravity_m_s2 / np.sqrt(1.0 + np.square(gradient))
    )


def bearing_force(speed_m_s: Values, bearing_drag_n: Values, bearing_drag_n_s_m: Values) -> Values:
    """Return the drag of the hub bearings as a force at the road [N]."""
    return bearing_drag_n + bearing_drag_n_s_m * speed_m_s


def gravity_force(mass_kg: Values, gradient: Values, gravity_m_s2: Values) -> Values:
    """Return the weight along the road, m g sin(atan gradient), above zero uphill [N]."""
    return cast("Values", mass_kg * gravity_m_s2 * gradient / np.sqrt(1.0 + np.square(gradient)))


def checked_inputs(where: str, values: Mapping[str, ArrayLike]) -> dict[str, NDArray[np.float64]]:
    """Return the inputs as arrays, or refuse the first that is implausible in its unit."""
    checked = {}
    for name, value in values.items():
        low, high, fix = _PLAUSIBLE[name]
        checked[name] = require_range(
            value,
            low,
            high,
            what=f"{name} = {{:g}} is outside {low:g} to {high:g}",
            where=where,
            fix=fix,
        )
    return checked


def power_at_speed(
    speed_m_s: ArrayLike,
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
    r"""Compute the power at the crank that a speed takes.

    All parameters broadcast against each other, shape (...).

    Parameters
    ----------
    speed_m_s : array_like
        Ground speed, 0 to 50. [m/s]
    cda_m2 : array_like
        Drag area of rider and bicycle along the road, without the turning wheels. [m^2]
    mass_kg : array_like
        Rider, bicycle and all that is carried. [kg]
    density_kg_m3 : array_like
        Density of the air. [kg/m^3]
    rolling_resistance : array_like
        Crr, resistance over weight on the road. [-]
    gradient : array_like, default 0.0
        Rise over run, above zero uphill. [-]
    headwind_m_s : array_like, default 0.0
        Wind along the road at the rider, above zero slows. [m/s]
    crosswind_m_s : array_like, default 0.0
        Wind across the road at the rider, either sign. [m/s]
    efficiency : array_like, default 1.0
        Power at the wheel over power at the crank. [-]
    wheel_drag_area_m2 : array_like, default 0.0
        Drag area of the turning wheels. [m^2]
    bearing_drag_n, bearing_drag_n_s_m : array_like, default 0.0
        Hub bearings: the constant part [N] and the part that grows with speed [N s/m].
    effective_mass_kg : array_like or None, default None
        Mass against acceleration, with the turning wheels; None takes `mass_kg`. [kg]
    acceleration_m_s2 : array_like, default 0.0
        [m/s^2]
    gravity_m_s2 : array_like, default 9.80665
        [m/s^2]

    Returns
    -------
    power : float, or ndarray of the broadcast shape
        [W]  Below zero where gravity, wind or braking give more than is lost: brakes must then
        take `efficiency` times its size.  It is divided by `efficiency` there too, so that this
        function and `speed_at_power` undo each other everywhere.

    Raises
    ------
    UnitRangeError
        If a value is implausible in its unit.

    Notes
    -----
    .. math:: \eta P = v \left[\tfrac12 \rho (C_dA + F_w) V_a u + C_{rr} m g \cos\theta + b_0
        + b_1 v + m g \sin\theta + m_e a\right]

    References
    ----------
    .. [1] J. C. Martin, D. L. Milliken, J. E. Cobb, K. L. McFadden and A. R. Coggan,
       "Validation of a mathematical model for road cycling power", J. Appl. Biomech. 14,
       276-291, 1998. :doi:`10.1123/jab.14.3.276`  Crosswind is added here; they used the wind
       along the road alone.
    """
    x = checked_inputs(
        "power_at_speed",
        {
            "speed_m_s": speed_m_s,
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
    v, m, g, slope = x["speed_m_s"], x["mass_kg"], x["gravity_m_s2"], x["gradient"]
    force = (
        aero_force(
            v,
            x["headwind_m_s"],
            x["crosswind_m_s"],
            x["cda_m2"] + x["wheel_drag_area_m2"],
            x["density_kg_m3"],
        )
        + rolling_force(m, x["rolling_resistance"], slope, g)
        + bearing_force(v, x["bearing_drag_n"], x["bearing_drag_n_s_m"])
        + gravity_force(m, slope, g)
        + x["effective_mass_kg"] * x["acceleration_m_s2"]
    )
    return as_given(np.asarray(v * force / x["efficiency"], dtype=np.float64))
