"""All days stacked into one linear mixed model: rows, fixed effects, covariance components."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from cda.elevation import leg_end_share, leg_mean_share
from cda.estimation.airspeed import airspeed_rows, padded, stack_airspeed
from cda.estimation.day import DayEquations, DayInputs, day_equations

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

GUST_TIMES_S: Final = (8.0, 60.0)  # correlation times of gusts
STRAIGHT_DRIFT: Final = 0.8  # share of a drift's variance at one hour that is a straight line
_TIMES: Final = 2  # correlation times of gusts taken between the two

# Correlation of the Crr errors of two days on the same bicycle: one value was believed for both;
# the rest is that tyres are pumped anew (common practice, no source).
SAME_TYRES: Final = 0.95


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class System:
    """All days stacked: rows are legs, then airspeed readings of legs, then prior beliefs."""

    y: Array
    x: Array
    components: tuple[Array, ...]
    component_names: tuple[str, ...]
    fixed: tuple[Array, ...]
    fixed_names: tuple[str, ...]
    names: tuple[str, ...]
    n_legs: int
    equations: tuple[DayEquations, ...]


def fixed_effect_names(days: Sequence[DayInputs], positions: Sequence[str]) -> tuple[str, ...]:
    """Return the names of the fixed effects: CdA of each position, then three a day."""
    per_day = [f"{day.key}:{what}" for day in days for what in ("height", "wind", "crr")]
    return (*positions, *per_day)


def build_system(
    days: Sequence[DayInputs],
    positions: Sequence[str],
    beta: Array,
    *,
    slow_times_s: Sequence[float],
    slow_variance: float,
    gust_times_s: tuple[float, float] = GUST_TIMES_S,
    by_run: bool = False,
) -> System:
    """Stack the days' equations at the fixed effects `beta`; see the module's docstring.

    Correlation times are not known: the covariances of slow wind and gusts are averaged over
    `slow_times_s`, and over times between the two `gust_times_s`.
    """
    n_pos = len(positions)
    names = fixed_effect_names(days, positions)
    equations = tuple(
        day_equations(
            day,
            beta[:n_pos],
            float(beta[n_pos + 3 * i]),
            float(beta[n_pos + 3 * i + 1]),
            float(beta[n_pos + 3 * i + 2]),
            slow_variance * day.slow_wind_scale**2,
        )
        for i, day in enumerate(days)
    )
    n = sum(len(q.residual) for q in equations)
    x = np.zeros((n, len(names)))
    row_of, at = [], 0
    for i, (day, q) in enumerate(zip(days, equations, strict=True)):
        rows = np.arange(at, at + len(q.residual))
        x[rows, day.position] = q.cda
        x[rows, n_pos + 3 * i] = q.height
        x[rows, n_pos + 3 * i + 1] = q.wind
        x[rows, n_pos + 3 * i + 2] = q.crr
        row_of.append(rows)
        at += len(rows)
    y = np.concatenate([q.residual for q in equations])
    cda_column = np.concatenate([q.cda for q in equations])
    day_of = np.concatenate([np.full(len(r), i) for i, r in enumerate(row_of)])
    run_of = np.concatenate([day.run for day in days])
    position_of = np.concatenate([day.position for day in days])
    sign = np.concatenate([q.leg_wind for q in equations])
    same_day = day_of[:, None] == day_of[None, :]
    same_run = same_day & (run_of[:, None] == run_of[None, :])
    outer_cda = np.outer(cda_column, cda_column)
    legs_of = [len(day.run) for day in days]
    gusty = np.repeat([day.leg_wind_scale for day in days], legs_of)
    breezy = np.repeat([day.slow_wind_scale for day in days], legs_of)
    gusts, slow = np.zeros((n, n)), np.zeros((n, n))
    for day, rows in zip(days, row_of, strict=True):
        block = np.ix_(rows, rows)
        if day.laps is None:
            # Gusts by what is left of them over a leg, slow wind by what it is at a moment.
            of_gusts = _leg_means(day, np.geomspace(*gust_times_s, 2 * _TIMES + 1)[1::2].tolist())
            gusts[block] = of_gusts / of_gusts[0, 0]
            slow[block] = _leg_means(day, slow_times_s)
        else:  # a lap meets the wind from all sides: what is left of gusts is each lap's own
            start = day.energies.start_s
            lag = np.abs(start[:, None] - start[None, :])
            gusts[block] = np.eye(len(rows))
            slow[block] = np.mean([np.exp(-lag / time) for time in slow_times_s], axis=0)
    slow *= np.outer(breezy, breezy)
    components = {
        "leg_wind": np.outer(sign * gusty, sign * gusty) * gusts,
        "run": np.where(same_run, outer_cda, 0.0),
        "slow_wind": np.outer(sign, sign) * slow,
    }
    if len(days) > 1:
        same_position = position_of[:, None] == position_of[None, :]
        components["position_by_day"] = np.where(same_day & same_position, outer_cda, 0.0)
        components["day"] = np.where(same_day, outer_cda, 0.0)
    if by_run:
        del components["run"]
    fixed = dict(_drift(days, equations, row_of, n)) | _changing_wind(days, row_of, n)
    small = sum(fixed.values()) if fixed else np.zeros((n, n))
    assert isinstance(small, np.ndarray)

    airspeed = airspeed_rows(days, equations, row_of, n)
    if airspeed is not None:
        y, x, components, fixed = stack_airspeed(
            airspeed, y, x, components, fixed, sign, slow, cda_column, n
        )
        x[n:, :] = 0.0
        for rows, i in airspeed.day_rows:
            x[rows, n_pos + 3 * i + 1] = airspeed.sign[rows - n]
        wind_at = np.array([beta[n_pos + 3 * int(i) + 1] for i in airspeed.day_index])
        y[n:] = airspeed.value - airspeed.sign * wind_at
    y, x, components, fixed = _stack_priors(days, beta, n_pos, y, x, components, fixed)
    return System(
        y=y,
        x=x,
        components=tuple(components.values()),
        component_names=tuple(components),
        fixed=tuple(fixed.values()),
        fixed_names=tuple(fixed),
        names=names,
        n_legs=n,
        equations=equations,
    )


def _leg_means(day: DayInputs, times_s: Sequence[float]) -> Array:
    """Return the covariance of a unit wind process's weighted means over a day's legs, (n, n).

    Ornstein-Uhlenbeck, averaged over correlation times. Both sides of a turn see the same wind,
    from ahead on one leg and from behind on the other: the signs are the caller's.
    """
    start = day.energies.start_s
    duration = float(round(np.mean(day.energies.duration_s)))
    pause = np.maximum(np.abs(start[:, None] - start[None, :]) - duration, 0.0)
    covariance = np.mean(
        [leg_end_share(duration, time) ** 2 * np.exp(-pause / time) for time in times_s], axis=0
    )
    np.fill_diagonal(covariance, np.mean([leg_mean_share(duration, time) for time in times_s]))
    return np.asarray(covariance)


def _drift(
    days: Sequence[DayInputs],
    equations: Sequence[DayEquations],
    row_of: Sequence[NDArray[np.intp]],
    n: int,
) -> dict[str, Array]:
    """Covariance of the slow drifts of power zero and Crr: linear plus random walk, as declared.

    What is declared is a rate: most of the variance at one hour goes on as a straight line, the
    rest wanders. Drift is counted from the first leg on: the meter was zeroed and the tyres were
    judged before it.
    """
    zero, rolling = np.zeros((n, n)), np.zeros((n, n))
    for day, q, rows in zip(days, equations, row_of, strict=True):
        hours = (day.energies.start_s - day.energies.start_s.min()) / 3600.0
        straight = STRAIGHT_DRIFT * np.outer(hours, hours)
        shape = straight + (1.0 - STRAIGHT_DRIFT) * np.minimum.outer(hours, hours)
        block = np.ix_(rows, rows)
        zero[block] = np.outer(q.offset_w, q.offset_w) * shape * day.offset_drift_sd_w_per_h**2
        sd = day.rolling_resistance * day.rolling_resistance_drift_sd_per_h
        rolling[block] = np.outer(q.crr, q.crr) * shape * sd**2
    return {"power zero drift": zero, "rolling resistance drift": rolling}


def _changing_wind(
    days: Sequence[DayInputs], row_of: Sequence[NDArray[np.intp]], n: int
) -> dict[str, Array]:
    """Covariance of how far the road did not see the changes that a weather station read."""
    total = np.zeros((n, n))
    for day, rows in zip(days, row_of, strict=True):
        if day.leg_wind_change_m_s is not None:
            missed = day.leg_wind_change_sd * day.energies.direction * day.leg_wind_change_m_s
            total[np.ix_(rows, rows)] = np.outer(missed, missed)
    return {"weather reading of wind": total} if total.any() else {}


def _stack_priors(
    days: Sequence[DayInputs],
    beta: Array,
    n_pos: int,
    y: Array,
    x: Array,
    components: dict[str, Array],
    fixed: dict[str, Array],
) -> tuple[Array, Array, dict[str, Array], dict[str, Array]]:
    """Add what was believed or measured beside the legs as rows of their own."""
    rows, values, sds, labels = [], [], [], []
    for i, day in enumerate(days):
        at = n_pos + 3 * i
        beliefs = [
            (at + 2, day.rolling_resistance, day.rolling_resistance_sd, "rolling resistance"),
        ]
        if day.height_difference_m is not None:
            beliefs.append(
                (at, day.height_difference_m, day.height_difference_sd_m, "height difference")
            )
        else:
            beliefs.append((at, 0.0, day.height_difference_sd_m, "height difference"))
        told = "weather reading of wind" if day.laps is None else "mean wind round the lap"
        beliefs.append((at + 1, day.headwind_m_s or 0.0, day.headwind_sd_m_s, told))
        for column, value, sd, label in beliefs:
            row = np.zeros(x.shape[1])
            row[column] = 1.0
            rows.append(row)
            values.append(value - beta[column])
            sds.append(sd)
            labels.append(label)
    n, total = len(y), len(y) + len(rows)
    grown = {key: padded(value, total) for key, value in components.items()}
    fixed = {key: padded(value, total) for key, value in fixed.items()}
    for k, (sd, label) in enumerate(zip(sds, labels, strict=True)):
        block = fixed.setdefault(label, np.zeros((total, total)))
        block[n + k, n + k] = sd**2
    rolling = [k for k, label in enumerate(labels) if label == "rolling resistance"]
    owners = [day.instrument.get("rolling_resistance", day.key) for day in days]
    for i, a in zip(rolling, owners, strict=True):
        for j, b in zip(rolling, owners, strict=True):
            if i != j and a == b:
                fixed["rolling resistance"][n + i, n + j] = SAME_TYRES * sds[i] * sds[j]
    return np.concatenate([y, values]), np.vstack([x, np.array(rows)]), grown, fixed
