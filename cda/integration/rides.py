"""Many rides at once: one array entry a ride, everything the equation of motion needs."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING

import numpy as np

from cda.forces import speed_at_power

if TYPE_CHECKING:
    from numpy.typing import NDArray

# Half of the circle is enough on a straight flat road: wind from the left costs what wind from
# the right costs.  The mean of a smooth periodic function converges faster than any power of
# the number of nodes; 8 are good to 0.01 s over 180 km at half the rider's speed of wind.
DIRECTION_NODES = 8


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rides:
    """Rides over the same road, one entry each; arrays of shape (n,), or scalars for all.

    Attributes
    ----------
    cda_held_m2, cda_other_m2 : ndarray
        Drag area where the position is held, and where it is not; without the wheels. [m^2]
    power_w : ndarray
        Power as the power meter shows it, before the ratio by gradient. [W]
    power_cost_w : ndarray
        What holding the position takes off, while it is held, as the meter shows it. [W]
    power_gain, power_offset_w : ndarray
        Power at the road = power_gain * shown power + power_offset_w. [-], [W]
    rolling_resistance : ndarray
        Crr. [-]
    mass_kg : ndarray
        Rider, bicycle and all that is carried. [kg]
    density_kg_m3 : ndarray
        Density of the air at the height the reading belongs to. [kg/m^3]
    wind_m_s, wind_from_deg : ndarray
        Wind at the rider's height and where it blows from, clockwise from north; a negative
        speed is wind from the other side. [m/s], [deg]
    wheel_drag_area_m2, bearing_drag_n, bearing_drag_n_s_m : float
        Turning wheels and hub bearings. [m^2], [N], [N s/m]
    rotating_mass_kg : float
        Inertia of the wheels over radius squared. [kg]
    gravity_m_s2 : float
        [m/s^2]
    """

    cda_held_m2: NDArray[np.float64]
    cda_other_m2: NDArray[np.float64]
    power_w: NDArray[np.float64]
    power_cost_w: NDArray[np.float64]
    power_gain: NDArray[np.float64]
    power_offset_w: NDArray[np.float64]
    rolling_resistance: NDArray[np.float64]
    mass_kg: NDArray[np.float64]
    density_kg_m3: NDArray[np.float64]
    wind_m_s: NDArray[np.float64]
    wind_from_deg: NDArray[np.float64]
    wheel_drag_area_m2: float
    bearing_drag_n: float
    bearing_drag_n_s_m: float
    rotating_mass_kg: float
    gravity_m_s2: float

    @property
    def varying(self) -> tuple[str, ...]:
        """Return the names of the fields that are arrays."""
        return tuple(f.name for f in fields(self) if f.type != "float")

    def flat(self) -> Rides:
        """Return the same rides with every array broadcast to one shape (n,)."""
        arrays = np.broadcast_arrays(*(getattr(self, name) for name in self.varying))
        columns = {
            name: np.array(array, dtype=np.float64).ravel()
            for name, array in zip(self.varying, arrays, strict=True)
        }
        return replace(self, **columns)  # type: ignore[arg-type]

    def take(self, index: NDArray[np.intp]) -> Rides:
        """Return some of the rides, after `flat`."""
        columns = {name: getattr(self, name)[index] for name in self.varying}
        return replace(self, **columns)

    def with_values(self, **values: object) -> Rides:
        """Return the same rides with some fields replaced."""
        return replace(self, **values)  # type: ignore[arg-type]


def join(rides: list[Rides]) -> Rides:
    """Return all rides of several lots, one after the other; the constants of the first."""
    lots = [lot.flat() for lot in rides]
    columns = {
        name: np.concatenate([getattr(lot, name) for lot in lots]) for name in lots[0].varying
    }
    return replace(lots[0], **columns)  # type: ignore[arg-type]


def steady_speed(
    rides: Rides,
    *,
    headwind_m_s: NDArray[np.float64] | float = 0.0,
    crosswind_m_s: NDArray[np.float64] | float = 0.0,
    gradient: float = 0.0,
    held: bool = True,
) -> NDArray[np.float64]:
    """Return the speed at which all forces balance, shape of the rides [m/s]."""
    shown = rides.power_w - (rides.power_cost_w if held else 0.0)
    return np.asarray(
        speed_at_power(
            rides.power_gain * shown + rides.power_offset_w,
            cda_m2=rides.cda_held_m2 if held else rides.cda_other_m2,
            mass_kg=rides.mass_kg,
            density_kg_m3=rides.density_kg_m3,
            rolling_resistance=rides.rolling_resistance,
            gradient=gradient,
            headwind_m_s=headwind_m_s,
            crosswind_m_s=crosswind_m_s,
            efficiency=1.0,
            wheel_drag_area_m2=rides.wheel_drag_area_m2,
            bearing_drag_n=rides.bearing_drag_n,
            bearing_drag_n_s_m=rides.bearing_drag_n_s_m,
            gravity_m_s2=rides.gravity_m_s2,
        ),
        dtype=np.float64,
    )


def flat_time(
    rides: Rides, distance_m: float, *, nodes: int = DIRECTION_NODES
) -> NDArray[np.float64]:
    """Compute the time over a flat road, averaged over all directions of the wind.

    Parameters
    ----------
    rides : Rides
        Arrays that broadcast together to shape (...); `wind_from_deg` is not used.
    distance_m : float
        Length of the road. [m]
    nodes : int
        Directions of the road against the wind, spread over half a circle.

    Returns
    -------
    time : ndarray, shape (...)
        Distance times the mean of 1 / speed over directions. [s]

    Notes
    -----
    Steady state: a flat road at constant power gives no reason to speed up or slow down except
    the start, which all positions share.  What is averaged is the time, not the speed and not
    the drag: into the wind the rider spends longer.
    """
    wind = np.asarray(rides.wind_m_s, dtype=np.float64)
    if not np.any(wind):
        return distance_m / steady_speed(rides)
    slowness = np.zeros(())
    for angle in np.pi * (np.arange(nodes) + 0.5) / nodes:
        speed = steady_speed(
            rides, headwind_m_s=wind * np.cos(angle), crosswind_m_s=wind * np.sin(angle)
        )
        slowness = slowness + 1.0 / speed
    return np.asarray(distance_m * slowness / nodes, dtype=np.float64)
