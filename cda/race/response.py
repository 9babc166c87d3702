"""Times of many draws over a course: some ridden in full, a smooth response for the rest.

What is fitted is the logarithm of the time over the course against that over a flat road of the
same length, which is known in closed form for every draw: a number near one that varies little.
It is a polynomial in the whitened inputs, by least squares over the rides of a design.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations_with_replacement
from typing import TYPE_CHECKING

import numpy as np

from cda.integration import flat_time

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cda.integration import Rides

    Array = NDArray[np.float64]


def control_time(rides: Rides, distance_m: float, held_share: float) -> Array:
    """Return the time over a flat road, the reference's where a position is not held [s]."""
    held = flat_time(rides, distance_m)
    if held_share == 1.0:
        return held
    other = rides.with_values(
        cda_held_m2=rides.cda_other_m2, power_cost_w=np.zeros_like(rides.power_cost_w)
    )
    return held_share * held + (1.0 - held_share) * flat_time(other, distance_m)


def inputs_of(rides: Rides, *, direction_known: bool, folded: bool) -> Array:
    """Return what a time depends on, the wind first, shape (rides, inputs).

    Parameters
    ----------
    rides : Rides
        After `flat`.
    direction_known : bool
        Then the wind is its two components, else its speed.
    folded : bool
        Every position is held everywhere at steady power: the drag area where it is not held
        has no effect, and cost and offset act through the power at the road alone.
    """
    shown = rides.power_w - rides.power_cost_w if folded else rides.power_w
    road_power = rides.power_gain * shown + rides.power_offset_w
    wheels = rides.wheel_drag_area_m2
    angle = np.radians(rides.wind_from_deg)
    wind = (
        [rides.wind_m_s * np.cos(angle), rides.wind_m_s * np.sin(angle)]
        if direction_known
        else [rides.wind_m_s]
    )
    columns = [
        *wind,
        np.log(rides.density_kg_m3 * (rides.cda_held_m2 + wheels)),
        np.log(np.maximum(road_power, 1.0)),
        rides.rolling_resistance,
        rides.mass_kg,
    ]
    if not folded:
        columns += [
            np.log(rides.density_kg_m3 * (rides.cda_other_m2 + wheels)),
            rides.power_cost_w,
            rides.power_offset_w,
        ]
    return np.column_stack(columns)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Response:
    """A fitted response: `log_ratio` of inputs, shape (rides, inputs) to (rides,)."""

    centre: Array
    whiten: Array
    winds: int
    coefficients: Array

    def log_ratio(self, inputs: Array) -> Array:
        """Return log(time over the course / time over the flat road)."""
        x = (inputs - self.centre) @ self.whiten
        return np.concatenate(
            [
                _features(part, self.winds) @ self.coefficients
                for part in np.array_split(x, max(1, len(x) // 8192))
            ]
        )


def fit_response(inputs: Array, log_ratio: Array, *, winds: int) -> Response:
    """Fit by least squares; inputs that do not vary are left out.

    Parameters
    ----------
    inputs : ndarray, shape (rides, inputs)
    log_ratio : ndarray, shape (rides,)
    winds : int
        How many of the first columns are wind: they are drawn apart from all the others, and
        bend the time more.
    """
    centre = inputs.mean(axis=0)
    scale = inputs.std(axis=0)
    varies = scale > 1e-9 * np.maximum(1.0, np.abs(centre))
    unit = np.where(varies, scale, 1.0)
    wind = np.flatnonzero(varies[:winds])
    others = winds + np.flatnonzero(varies[winds:])
    correlation = np.cov(((inputs - centre) / unit)[:, others], rowvar=False, ddof=0)
    values, vectors = np.linalg.eigh(np.atleast_2d(correlation))
    keep = values > 1e-9
    whiten = np.zeros((inputs.shape[1], wind.size + int(np.sum(keep))))
    whiten[wind, np.arange(wind.size)] = 1.0 / unit[wind]
    whiten[others, wind.size :] = vectors[:, keep] / np.sqrt(values[keep]) / unit[others, None]
    features = _features((inputs - centre) @ whiten, wind.size)
    coefficients, *_ = np.linalg.lstsq(features, log_ratio, rcond=1e-10)
    return Response(
        centre=centre,
        whiten=whiten,
        winds=int(wind.size),
        coefficients=np.asarray(coefficients, dtype=np.float64),
    )


def powers(inputs: int, winds: int) -> list[tuple[int, ...]]:
    """Return the terms: all to the third degree, of the wind to the sixth, mixed to the fifth."""
    kept = [
        which
        for degree in range(4)
        for which in combinations_with_replacement(range(inputs), degree)
    ]
    for degree in (4, 5, 6):
        kept += list(combinations_with_replacement(range(winds), degree))
    for degree in (3, 4):
        for which in combinations_with_replacement(range(winds), degree):
            kept += [(*which, k) for k in range(winds, inputs)]
    return kept


def _features(x: Array, winds: int) -> Array:
    # The constant is the empty product.
    return np.column_stack(
        [np.prod(x[:, list(which)], axis=1) for which in powers(x.shape[1], winds)]
    )
