"""Time over the race for every position and draw: flat in closed form, else over the course."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from cda.integration import DIRECTION_NODES, Rides, flat_time, join
from cda.race.response import control_time, fit_response, inputs_of, is_folded, powers
from cda.race.road import RaceRoad, lapped, race_road
from cda.results import Finding

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cda.integration import Road
    from cda.race.draws import Draws
    from cda.race.load import Race

    Array = NDArray[np.float64]

# Draws a position ridden in full, in all at least `PER_TERM` a coefficient of the response;
# and draws ridden in full that the response does not know, to show its error: 200 in all.
DESIGN = 160
PER_TERM = 5
FRESH = 200
# Limits of speed that begin to bind bend the time more than a polynomial does. On many laps of a
# short course all bends come together, but there riding every draw in full costs little: up to
# this many rides times stretches, some 4 s.
RIDES_TIMES_STRETCHES = 3e7
CHUNK = 4096
LARGEST_ERROR_S = 0.5
# Where the response is off by more, fewer draws are taken and each is ridden in full: as many as
# make this many rides times stretches, but not fewer than `FEWEST_DRAWS`.
FULL_RIDES_TIMES_STRETCHES = 6e7
FEWEST_DRAWS = 512
WIDE_S_PER_KM = 1.0
FINE_RIDES = 48
# Costs tried for the break-even power, as parts of that on the flat.
COST_PARTS = np.array([0.0, 0.35, 0.7, 1.0, 1.3, 1.8])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RaceTimes:
    """Times of a race.

    Attributes
    ----------
    held_s : ndarray, shape (positions, 1 + draws)
        Time with each position held wherever it can be; column 0 at the mean of everything. [s]
    draws : Draws
        Those of `held_s`: as given, or the first of them.
    corrected_s : ndarray, shape (positions,), or None
        The same at the mean with other drag areas. [s]
    break_even_w : tuple of float or None
        Power that holding may cost; None for the reference and for slower positions. [W]
    free_gain_s : ndarray, shape (positions,)
        What holding everywhere saves at the mean of everything if it costs no power. [s]
    error_s, saved_error_s : float
        Largest errors of the response at draws it was not fitted to, of a time and of what is
        saved; 0 on a flat road. [s]
    """

    held_s: Array
    draws: Draws
    corrected_s: Array | None
    break_even_w: tuple[float | None, ...]
    free_gain_s: Array
    error_s: float
    saved_error_s: float
    findings: tuple[Finding, ...] = ()


def race_time(race: Race, rides: Rides) -> Array:
    """Compute the time over the race's distance on a flat road; the shape of the rides [s]."""
    return flat_time(rides, race.distance_m)


def race_times(
    race: Race, draws: Draws, *, reference: int, corrected_cda_m2: Array | None = None
) -> RaceTimes:
    """Compute the times of every position and draw.

    Parameters
    ----------
    race : Race
    draws : Draws
    reference : int
        Row of the reference position.
    corrected_cda_m2 : ndarray, shape (positions,), optional
        Drag areas for `corrected_s`. [m^2]
    """
    if race.course is None:
        return _flat(race, draws, reference, corrected_cda_m2)
    return _on_course(race, draws, reference, corrected_cda_m2)


def _flat(race: Race, draws: Draws, reference: int, corrected_cda_m2: Array | None) -> RaceTimes:
    held = race_time(race, draws.rides(draws.cda_m2, draws.power_cost_w, reference=reference))
    corrected = None
    if corrected_cda_m2 is not None:
        rides = draws.rides(
            corrected_cda_m2[:, None],
            draws.power_cost_w[:, :1],
            reference=reference,
            only_mean=True,
        )
        corrected = race_time(race, rides)[:, 0]
    cost = _flat_break_even(race, draws, reference, float(held[reference, 0]))
    free = draws.rides(draws.cda_m2[:, :1], reference=reference, only_mean=True)
    return RaceTimes(
        held_s=held,
        draws=draws,
        corrected_s=corrected,
        break_even_w=_named(cost, reference),
        free_gain_s=held[reference, 0] - race_time(race, free)[:, 0],
        error_s=0.0,
        saved_error_s=0.0,
    )


def _named(cost_w: Array, reference: int) -> tuple[float | None, ...]:
    return tuple(
        None if i == reference or cost <= 1e-6 else float(cost) for i, cost in enumerate(cost_w)
    )


def _flat_break_even(race: Race, draws: Draws, reference: int, today_s: float) -> Array:
    """Return the power at which holding gains nothing, shape (positions,) [W].

    Solved by the secant method for all positions at once: time over the race against cost is
    smooth and rising, and five steps leave less than a thousandth of a watt.
    """
    cda = draws.cda_m2[:, :1]

    def gain(cost: Array) -> Array:
        rides = draws.rides(cda, cost, reference=reference, only_mean=True)
        return np.asarray(today_s - race_time(race, rides), dtype=np.float64)

    cost, step = np.zeros_like(cda), np.full_like(cda, 2.0)
    now = gain(cost)
    for _ in range(6):
        after = gain(cost + step)
        slope = (after - now) / step
        cost, now = cost + step, after
        step = -now / slope
        step = np.where(np.abs(step) < 1e-9, 1e-9, step)
    return np.asarray((cost + step)[:, 0], dtype=np.float64)


def _on_course(
    race: Race, draws: Draws, reference: int, corrected_cda_m2: Array | None
) -> RaceTimes:
    mean = draws.rides(
        draws.cda_m2[reference, :1],
        draws.power_cost_w[reference, :1],
        reference=reference,
        only_mean=True,
    )
    way = race_road(race, mean)
    road, known = way.road, race.direction_known
    folded = is_folded(road, way.held_share)
    everyone = draws.rides(draws.cda_m2, draws.power_cost_w, reference=reference).flat()
    positions, columns = draws.cda_m2.shape
    costs = np.maximum(_flat_break_even(race, draws, reference, _flat_mean(race, mean)), 0.1)
    lots = [
        draws.rides(
            draws.cda_m2[:, :1], costs[:, None] * COST_PARTS, reference=reference, only_mean=True
        ).flat()
    ]
    if corrected_cda_m2 is not None:
        lots.append(
            draws.rides(
                corrected_cda_m2[:, None],
                draws.power_cost_w[:, :1],
                reference=reference,
                only_mean=True,
            ).flat()
        )
    asked = join(lots)
    apart = asked.mass_kg.size
    if _all_in_full(race, way, everyone):
        held = _in_chunks(race, road, everyone).reshape(positions, columns)
        ridden = lapped(race, road, asked)[0]
        error = saved_error = 0.0
        said = f"all {held.size} rides over the course in full"
    else:
        inputs = inputs_of(everyone, road, direction_known=known, folded=folded)
        winds = 2 if known else 0
        fresh = -(-FRESH // positions)
        design = max(DESIGN, -(-PER_TERM * len(powers(inputs.shape[1], winds)) // positions))
        chosen = _chosen(inputs.reshape(positions, columns, -1), min(design, columns // 2), fresh)
        index = (np.arange(positions)[:, None] * columns + chosen).ravel()
        both = join([everyone.take(index), asked])
        inputs_of_both = inputs_of(both, road, direction_known=known, folded=folded)
        times = _ridden(race, road, both, inputs_of_both)
        ridden, exact = times[-apart:], times[:-apart].reshape(positions, -1)
        control = control_time(
            everyone, road, race.distance_m, held_share=way.held_share, folded=folded
        ).reshape(positions, columns)
        log_ratio = np.log(exact / np.take_along_axis(control, chosen, axis=1))
        known_to_fit = np.ones(exact.shape, dtype=bool)
        known_to_fit[:, -fresh:] = False
        fitted = fit_response(
            inputs[index][known_to_fit.ravel()], log_ratio[known_to_fit], winds=winds
        )
        held = control * np.exp(fitted.log_ratio(inputs).reshape(positions, columns))
        off = np.take_along_axis(held, chosen, axis=1) - exact
        error = float(np.max(np.abs(off[~known_to_fit])))
        saved_error = float(np.max(np.abs((off[reference] - off)[~known_to_fit])))
        np.put_along_axis(held, chosen, exact, axis=1)
        said = (
            f"{exact.size} rides over the course in full and a response fitted to them for the "
            f"others; at {positions * fresh} rides it was not fitted to, times are off by at most "
            f"{error:.2f} s and what is saved by {saved_error:.2f} s"
        )
        if max(error, saved_error) > LARGEST_ERROR_S:
            # Limits that begin to bind bend the time more than the response can follow.
            draws = draws.first(_fewer(race, way, positions, columns))
            few = draws.rides(draws.cda_m2, draws.power_cost_w, reference=reference).flat()
            of_few = inputs_of(few, road, direction_known=known, folded=folded)
            held = _ridden(race, road, few, of_few).reshape(positions, -1)
            said = (
                f"all {held.size} rides of {held.shape[1]} draws over the course in full: a "
                f"response fitted to some was off by {max(error, saved_error):.1f} s"
            )
            error = saved_error = 0.0
    by_cost = ridden[: positions * COST_PARTS.size].reshape(positions, -1)
    corrected = None if corrected_cda_m2 is None else ridden[positions * COST_PARTS.size :]

    break_even: list[float | None] = []
    today = held[reference, 0]
    for i in range(positions):
        gain = today - by_cost[i]
        if i == reference or gain[0] <= 1e-3:
            break_even.append(None)
            continue
        power = np.polynomial.Polynomial.fit(gain, costs[i] * COST_PARTS, 3)
        break_even.append(float(power(0.0)))
    large = saved_error > LARGEST_ERROR_S
    finding = Finding(
        severity="warning" if large else "note",
        code="race-response",
        where="course",
        message=said,
        fix="take the ends of the intervals with that error" if large else "",
    )
    return RaceTimes(
        held_s=held,
        draws=draws,
        corrected_s=corrected,
        break_even_w=tuple(break_even),
        free_gain_s=today - by_cost[:, 0],
        error_s=error,
        saved_error_s=saved_error,
        findings=(*way.findings, finding),
    )


def _chosen(inputs: Array, design: int, fresh: int) -> NDArray[np.intp]:
    """Return which draws are ridden, shape (positions, 1 + design + fresh).

    Column 0, the mean of everything; half of the design from the start of the Sobol sequence,
    which is spread evenly; the other half those farthest out, so that the response never
    reaches beyond what it was fitted to; and at the end the fresh ones.
    """
    centred = (inputs - inputs.mean(axis=1, keepdims=True)) / np.maximum(
        inputs.std(axis=1, keepdims=True), 1e-12
    )
    far = np.sum(centred**2, axis=2)
    even = np.arange(1 + design // 2 + fresh)
    order = [row[row >= even.size] for row in np.argsort(-far, axis=1, kind="stable")]
    rows = [
        np.concatenate([even[: even.size - fresh], row[: design - design // 2], even[-fresh:]])
        for row in order
    ]
    return np.stack(rows)


def _all_in_full(race: Race, way: RaceRoad, rides: Rides) -> bool:
    """Say whether every draw is ridden: limits of speed, and not too long a road for it."""
    if not np.any(np.isfinite(way.road.limit_m_s)):
        return False
    windy = bool(np.any(rides.wind_m_s))
    return rides.mass_kg.size * _stretches(race, way, windy) <= RIDES_TIMES_STRETCHES


def _stretches(race: Race, way: RaceRoad, windy: bool) -> int:
    """Return over how many stretches one ride is integrated."""
    each = way.road.length_m.size * (1 if race.settings.laps == 1 else 2)
    return each * (DIRECTION_NODES if windy and not race.direction_known else 1)


def _fewer(race: Race, way: RaceRoad, positions: int, columns: int) -> int:
    """Return how many draws of each position are ridden in full, a power of two."""
    at_once = FULL_RIDES_TIMES_STRETCHES / (positions * _stretches(race, way, True))
    count = FEWEST_DRAWS
    while 2 * count <= min(at_once, columns - 1):
        count *= 2
    return min(count, columns - 1)


def _in_chunks(race: Race, road: Road, rides: Rides) -> Array:
    """Ride all; a chunk stays in the processor's memory."""
    lots = np.array_split(np.arange(rides.mass_kg.size), -(-rides.mass_kg.size // CHUNK))
    return np.concatenate([lapped(race, road, rides.take(lot))[0] for lot in lots])


def _ridden(race: Race, road: Road, rides: Rides, inputs: Array) -> Array:
    """Ride every lot in wide steps, some in fine ones, and take out what the width costs.

    What wide steps get wrong is nearly the same for all rides: it is fitted as a plane in the
    inputs to the rides done both ways.
    """
    wide, _ = lapped(race, road, rides, tolerance_s_per_km=WIDE_S_PER_KM)
    some = np.unique(np.linspace(0, rides.mass_kg.size - 1, FINE_RIDES).astype(np.intp))
    fine, _ = lapped(race, road, rides.take(some))
    spread = inputs.std(axis=0)
    unit = (inputs - inputs.mean(axis=0)) / np.where(spread > 0.0, spread, 1.0)
    plane = np.column_stack([np.ones(len(unit)), unit])
    off = np.log(fine / wide[some])
    slope, *_ = np.linalg.lstsq(plane[some], off, rcond=1e-8)
    return np.asarray(wide * np.exp(plane @ slope), dtype=np.float64)


def _flat_mean(race: Race, mean: Rides) -> float:
    return float(race_time(race, mean).ravel()[0])
