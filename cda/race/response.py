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

    from cda.integration import Rides, Road

    Array = NDArray[np.float64]


def control_time(
    rides: Rides, road: Road, distance_m: float, *, held_share: float, folded: bool
) -> Array:
    """Return the time over a flat road, the reference's where a position is not held [s].

    It depends on nothing but what `inputs_of` lists.
    """
    if folded:
        return flat_time(rides.with_values(power_w=rides.power_w * road.power_ratio[0]), distance_m)
    held = flat_time(rides, distance_m)
    if held_share == 1.0:
        return held
    other = rides.with_values(
        cda_held_m2=rides.cda_other_m2, power_cost_w=np.zeros_like(rides.power_cost_w)
    )
    return held_share * held + (1.0 - held_share) * flat_time(other, distance_m)


def inputs_of(rides: Rides, road: Road, *, direction_known: bool, folded: bool) -> Array:
    """Return what a time depends on, the wind first, shape (rides, inputs).

    Parameters
    ----------
    rides : Rides
        After `flat`.
    road : Road
    direction_known : bool
        Then the wind is its two components, else the square of its speed: a mean over all
        directions is the same for wind from the other side.
    folded : bool
        See `is_folded`.
    """
    wheels = rides.wheel_drag_area_m2
    angle = np.radians(rides.wind_from_deg)
    wind = (
        [rides.wind_m_s * np.cos(angle), rides.wind_m_s * np.sin(angle)]
        if direction_known
        else [rides.wind_m_s**2]
    )
    columns = [
        *wind,
        np.log(rides.density_kg_m3 * (rides.cda_held_m2 + wheels)),
        rides.rolling_resistance,
        rides.mass_kg,
    ]
    if folded:
        shown = rides.power_w * road.power_ratio[0] - rides.power_cost_w
        at_road = rides.power_gain * shown + rides.power_offset_w
        return np.column_stack([*columns, np.log(np.maximum(at_road, 1.0))])
    columns += [
        # gain (ratio power - cost) + offset = (gain power) (ratio - cost / power) + offset
        np.log(np.maximum(rides.power_gain * rides.power_w, 1.0)),
        rides.power_cost_w / np.maximum(rides.power_w, 1.0),
        rides.power_offset_w,
        np.log((rides.cda_other_m2 + wheels) / (rides.cda_held_m2 + wheels)),
    ]
    if np.isfinite(road.power_limit_w):
        # A limit in shown watts tells power from gain, and bends the time where it begins to bind.
        columns += [np.log(rides.power_gain), limited_power(rides.power_w, road)]
    return np.column_stack(columns)


def is_folded(road: Road, held_share: float) -> bool:
    """Say whether power acts through a single number, the steady power at the road.

    So it is where every position is held everywhere and power is nowhere changed.
    """
    return held_share == 1.0 and np.ptp(road.power_ratio) == 0.0 and np.isinf(road.power_limit_w)


def limited_power(power_w: Array, road: Road) -> Array:
    """Return the mean over the road of log(power ridden / power asked for), shape (rides,)."""
    order = np.argsort(road.power_ratio)
    ratio = road.power_ratio[order]
    weight = road.length_m[order] / road.length_m.sum()
    log_ratio = np.log(np.maximum(ratio, 1e-6))
    above = np.append(np.cumsum(weight[::-1])[::-1], 0.0)
    asked = np.append(np.cumsum((weight * log_ratio)[::-1])[::-1], 0.0)
    allowed = road.power_limit_w / np.maximum(power_w, 1.0)
    first = np.searchsorted(ratio, allowed, side="right")
    return np.asarray(above[first] * np.log(allowed) - asked[first], dtype=np.float64)


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
    from scipy.linalg import lstsq

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
    # Pivoted QR: ten times as fast as singular values, and as good for terms that are far apart.
    coefficients, *_ = lstsq(features, log_ratio, cond=1e-10, lapack_driver="gelsy")
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
    """Return every term at every point, shape (points, terms); the constant is the empty product.

    Each term is one factor more than one that stands before it in the list.
    """
    terms = powers(x.shape[1], winds)
    row = {which: j for j, which in enumerate(terms)}
    columns, values = np.ascontiguousarray(x.T), np.empty((len(terms), len(x)))
    values[0] = 1.0
    for j, which in enumerate(terms[1:], start=1):
        np.multiply(values[row[which[:-1]]], columns[which[-1]], out=values[j])
    return values.T
