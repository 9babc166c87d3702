"""Airspeed of legs as rows beside their energies: the same gusts are in both."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from cda.estimation.day import without_own_wind

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from cda.estimation.day import DayEquations, DayInputs

    Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AirspeedRows:
    """Airspeed readings of m legs and the covariance of their errors; shapes (m,), (m, m).

    `value` is airspeed minus ground speed, the headwind that the leg's rider met [m/s]; `leg` its
    row among the energies; `day_rows` the rows of each day in the stacked system.
    """

    value: Array
    sign: Array
    leg: NDArray[np.intp]
    day_index: NDArray[np.intp]
    day_rows: tuple[tuple[NDArray[np.intp], int], ...]
    scale: Array
    position: Array
    offset: Array
    noise: Array


def airspeed_rows(
    days: Sequence[DayInputs],
    equations: Sequence[DayEquations],
    row_of: Sequence[NDArray[np.intp]],
    n: int,
) -> AirspeedRows | None:
    """Return the airspeed rows of all days, or None where no leg has the channel."""
    values, signs, legs, index, day_rows = [], [], [], [], []
    speeds, positions, noise, sds = [], [], [], []
    at = n
    for i, (day, q, rows) in enumerate(zip(days, equations, row_of, strict=True)):
        if day.leg_airspeed_m_s is None or day.leg_airspeed_samples is None:
            continue
        good = np.isfinite(day.leg_airspeed_m_s)
        e = day.energies
        scale = day.speed_scale + day.shift.get("speed_scale", 0.0)
        speed = e.length_m / e.duration_s * scale
        values.append((day.leg_airspeed_m_s * day.airspeed_scale - speed)[good])
        signs.append(q.leg_wind[good])
        legs.append(rows[good])
        index.append(np.full(int(good.sum()), i))
        # A scale error times the wind of the single leg is left out: kept, the legs' own gusts
        # would tell scale and drag apart through a product that the regressors do not carry.
        speeds.append(without_own_wind(day, day.leg_airspeed_m_s * day.airspeed_scale)[good])
        positions.append(day.position[good])
        noise.append(
            (day.airspeed_noise_sd_m_s / np.sqrt(np.maximum(day.leg_airspeed_samples, 1.0)))[good]
        )
        sds.append(
            np.tile(
                [
                    day.airspeed_scale_sd,
                    day.airspeed_position_scale_sd,
                    day.airspeed_offset_sd_m_s,
                ],
                (int(good.sum()), 1),
            )
        )
        day_rows.append((np.arange(at, at + int(good.sum())), i))
        at += int(good.sum())
    if not values:
        return None
    speed, sd = np.concatenate(speeds), np.concatenate(sds)
    position, day_index = np.concatenate(positions), np.concatenate(index)
    same_day = day_index[:, None] == day_index[None, :]
    same_position = same_day & (position[:, None] == position[None, :])
    outer = np.outer(speed, speed)
    return AirspeedRows(
        value=np.concatenate(values),
        sign=np.concatenate(signs),
        leg=np.concatenate(legs),
        day_index=day_index,
        day_rows=tuple(day_rows),
        scale=np.where(same_day, outer * np.outer(sd[:, 0], sd[:, 0]), 0.0),
        position=np.where(same_position, outer * np.outer(sd[:, 1], sd[:, 1]), 0.0),
        offset=np.where(same_day, np.outer(sd[:, 2], sd[:, 2]), 0.0),
        noise=np.diag(np.concatenate(noise) ** 2),
    )


def stack_airspeed(
    a: AirspeedRows,
    y: Array,
    x: Array,
    components: dict[str, Array],
    fixed: dict[str, Array],
    sign: Array,
    slow: Array,
    cda_column: Array,
    n: int,
) -> tuple[Array, Array, dict[str, Array], dict[str, Array]]:
    """Append the airspeed rows to the system; gusts and slow wind couple them to the energies."""
    m = len(a.value)
    total = n + m
    leg_of = np.concatenate([np.arange(n), a.leg])
    every_sign = np.concatenate([sign, a.sign])
    grown = {key: padded(value, total) for key, value in components.items()}
    # The same wind of a leg is in its energy and in its airspeed; what the energy has beside
    # wind (wobble of the rider, power noise) is a component of its own.
    grown["leg_wind"] = components["leg_wind"][np.ix_(leg_of, leg_of)]
    grown["slow_wind"] = np.outer(every_sign, every_sign) * slow[np.ix_(leg_of, leg_of)]
    grown["leg_drag"] = padded(np.diag(cda_column**2), total)
    fixed = {key: padded(value, total) for key, value in fixed.items()}
    for name, block in (
        ("airspeed scale", a.scale),
        ("airspeed scale of the position", a.position),
        ("airspeed offset", a.offset),
        ("airspeed noise", a.noise),
    ):
        fixed[name] = padded(block, total, at=n)
    return (
        np.concatenate([y, a.value]),
        np.vstack([x, np.zeros((m, x.shape[1]))]),
        grown,
        fixed,
    )


def padded(block: Array, total: int, at: int = 0) -> Array:
    """Return a covariance block placed in a larger one of zeros, shape (total, total)."""
    grown = np.zeros((total, total))
    grown[at : at + len(block), at : at + len(block)] = block
    return grown
