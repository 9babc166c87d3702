"""The other free time of a race: swim line, turns, climb entry, run line, transitions.

Every line is a range with its basis in words, from the coach's own inputs. Turns and climbs are
ridden by the same integration as the race, in the reference position at race power, flat and
calm but for the climb itself. Where neither side of a line is given as a range, its low end is
half of the gain: not every turn comes off as practised.
"""

from __future__ import annotations

from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from cda.integration import integrate, plain_road
from cda.results import LedgerLine
from cda.results.numbers import fixed

if TYPE_CHECKING:
    from collections.abc import Callable

    from cda.integration import Rides
    from cda.race import RaceSettings

RUN_OUT_M = 2500.0  # enough for every speed to come back to the steady one


def ledger_lines(settings: RaceSettings, reference: Rides) -> tuple[LedgerLine, ...]:
    """Return the lines of a race file, in the order of the race day.

    Parameters
    ----------
    settings : RaceSettings
        Tables that are not there give no line.
    reference : Rides
        One ride: the reference position at race power, everything at its mean.
    """
    lines = []
    if settings.swim:
        swim = settings.swim
        whole = swim.distance_m / 100.0 * swim.pace_s_per_100_m
        lines.append(
            _line(
                "swim",
                lambda now, then: whole * (now - then) / 100.0,
                (swim.extra_distance_percent, swim.extra_distance_practised_percent),
                f"{_span(swim.extra_distance_percent)} % beyond the line of "
                f"{swim.distance_m:g} m at {swim.pace_s_per_100_m:g} s per 100 m",
                halve=False,
            )
        )
    if settings.turns:
        turns = settings.turns
        lines.append(
            _line(
                "turns",
                lambda entry, now, then, b_now, b_then: (
                    turns.count
                    * (
                        turn_loss(reference, entry, now, b_now)
                        - turn_loss(reference, entry, then, b_then)
                    )
                ),
                (
                    turns.entry_speed_m_s,
                    turns.speed_now_m_s,
                    turns.speed_practised_m_s,
                    turns.deceleration_now_m_s2,
                    turns.deceleration_practised_m_s2,
                ),
                f"{turns.count} turns at {_span(turns.speed_practised_m_s)} instead of "
                f"{_span(turns.speed_now_m_s)} m/s from {_span(turns.entry_speed_m_s)} m/s, "
                "braking and speeding up again at race power",
            )
        )
    if settings.climbs:
        climbs = settings.climbs
        lines.append(
            _line(
                "climbs",
                lambda entry, now, then: (
                    climbs.count
                    * (
                        climb_time(reference, climbs.height_m, climbs.gradient, entry, now)
                        - climb_time(reference, climbs.height_m, climbs.gradient, entry, then)
                    )
                ),
                (
                    climbs.entry_speed_m_s,
                    climbs.lost_pedalling_now_s,
                    climbs.lost_pedalling_practised_s,
                ),
                f"{climbs.count} climbs of {climbs.height_m:g} m at {100 * climbs.gradient:g} %: "
                f"{_span(climbs.lost_pedalling_practised_s)} instead of "
                f"{_span(climbs.lost_pedalling_now_s)} s without pedalling at the foot",
            )
        )
    if settings.run:
        run = settings.run
        whole_run = run.distance_m / 1000.0 * run.pace_s_per_km
        lines.append(
            _line(
                "run",
                lambda now, then: whole_run * (now - then) / 100.0,
                (run.extra_distance_percent, run.extra_distance_practised_percent),
                f"{_span(run.extra_distance_percent)} % beyond the measured line of "
                f"{run.distance_m / 1000.0:g} km at {run.pace_s_per_km:g} s per km",
                halve=False,
            )
        )
    if settings.transitions:
        changes = settings.transitions
        lines.append(
            _line(
                "transitions",
                lambda now, then: now - then,
                (changes.now_s, changes.practised_s),
                f"{_span(changes.practised_s)} s instead of {_span(changes.now_s)} s",
            )
        )
    return tuple(lines)


def _line(
    item: str,
    worth: Callable[..., float],
    ranges: tuple[tuple[float, float], ...],
    basis: str,
    *,
    halve: bool = True,
) -> LedgerLine:
    """Return low and high of a worth over all corners of its ranges."""
    values = [worth(*corner) for corner in product(*(sorted(set(ends)) for ends in ranges))]
    low, high = min(values), max(values)
    if halve and len(values) == 1:
        low, high = sorted((0.5 * high, high))
        basis += "; the low end is half of that"
    return LedgerLine(item=item, saved_low_s=float(low), saved_high_s=float(high), basis=basis)


def _span(ends: tuple[float, float]) -> str:
    low, high = ends
    text = f"{low:g}" if low == high else f"{low:g} to {high:g}"
    return text.replace("-", fixed(-1.0, 0)[0])


def turn_loss(
    reference: Rides, entry_m_s: float, slowest_m_s: float, deceleration_m_s2: float
) -> float:
    """Compute what one turn costs against riding on at the steady speed [s].

    Braking at a steady rate from entry to the slowest speed, then race power over
    `RUN_OUT_M`; against race power from the entry speed over the same road.
    """
    braking_m = (entry_m_s**2 - slowest_m_s**2) / (2.0 * deceleration_m_s2)
    braking_s = (entry_m_s - slowest_m_s) / deceleration_m_s2
    pieces = np.full(100, RUN_OUT_M / 100)
    after = integrate(reference, plain_road(pieces, np.zeros(100)), start_m_s=slowest_m_s)
    whole = np.full(100, (RUN_OUT_M + braking_m) / 100)
    through = integrate(reference, plain_road(whole, np.zeros(100)), start_m_s=entry_m_s)
    return float(braking_s + after.time_s[0] - through.time_s[0])


def climb_time(
    reference: Rides, height_m: float, gradient: float, entry_m_s: float, lost_s: float
) -> float:
    """Compute the time over a climb and `RUN_OUT_M` beyond it [s].

    For `lost_s` from the foot the rider does not pedal; then race power.
    """
    length = height_m / gradient
    stretch = 1.0  # fine enough to end the coasting within a tenth of a second
    speed, spent, along = entry_m_s, 0.0, 0.0
    coasting = reference.flat().with_values(
        power_w=np.zeros(1), power_cost_w=np.zeros(1), power_offset_w=np.zeros(1)
    )
    slowest = 1.5  # nobody lets the bicycle roll slower than that before pedalling again
    while spent < lost_s and along + stretch < length and speed > slowest:
        rolled = integrate(coasting, plain_road([stretch], [gradient]), start_m_s=speed)
        step = float(rolled.time_s[0])
        if spent + step > lost_s:
            stretch *= (lost_s - spent) / step
            rolled = integrate(coasting, plain_road([stretch], [gradient]), start_m_s=speed)
            spent, step = lost_s, float(rolled.time_s[0])
            along, speed = along + stretch, float(rolled.end_speed_m_s[0])
            total = lost_s
            break
        spent, along, speed = spent + step, along + stretch, float(rolled.end_speed_m_s[0])
        total = spent
    else:
        total = spent
    up = np.full(100, (length - along) / 100)
    beyond = np.full(100, RUN_OUT_M / 100)
    road = plain_road(
        np.concatenate([up, beyond]), np.concatenate([np.full(100, gradient), np.zeros(100)])
    )
    return float(total + integrate(reference, road, start_m_s=speed).time_s[0])
