"""The way of one run in one-metre cells: height, heading, speed limits, where the rider pedals."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cda.simulate.draws import Draws
    from cda.simulate.scenario import Scenario

    Floats = NDArray[np.float64]

TURN_RADIUS_M = 2.5
TURN_SPEED_M_S = 3.0
BRAKING_M_S2 = 2.0
CRAWL_M_S = 0.4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Path:
    """The way of one run in cells of one metre; arrays of shape (cells + 1,).

    `along_m` is the place along the course axis (on a loop: round the loop), `lateral_m` to its
    left; `heading_rad` is anticlockwise from the axis; gates are in path metres, entry and exit
    of each leg; `curvature_1_m` is there where the rider's lean is part of the ride. [1/m]
    """

    along_m: Floats
    lateral_m: Floats
    height_m: Floats
    heading_rad: Floats
    speed_limit_m_s: Floats
    drive: Floats
    legs: tuple[tuple[float, float, int], ...]
    curvature_1_m: Floats | None = None


def _speed_limits(limit: Floats, *, deceleration: float) -> Floats:
    """Lower the limits ahead of each slow place so that it is reached by braking steadily."""
    ahead = 2.0 * deceleration * np.arange(limit.size)
    squared = np.minimum.accumulate((limit**2 + ahead)[::-1])[::-1] - ahead
    return np.asarray(np.sqrt(squared))


def out_and_back_path(
    scenario: Scenario, draws: Draws, rng: np.random.Generator, *, short: bool
) -> Path:
    """Lay the way of one run: turn, out, turn, back, and again; `short` turns before gate B."""
    rounds = scenario.legs_per_run // 2
    length, out = scenario.leg_length_m, scenario.run_out_m
    far = length + out - (0.35 * length + out if short else 0.0)
    half_circle = round(math.pi * TURN_RADIUS_M)
    angle = (np.arange(half_circle) + 0.5) / half_circle * math.pi
    there = np.arange(-out, far, 1.0)
    back = there[::-1] + 1.0
    along = np.concatenate(
        [
            -out - TURN_RADIUS_M * np.sin(angle),
            there,
            far + TURN_RADIUS_M * np.sin(angle),
            back,
            [-out],
        ]
    )
    lateral = np.concatenate(
        [
            TURN_RADIUS_M * np.cos(angle),
            np.full(there.size, -TURN_RADIUS_M),
            -TURN_RADIUS_M * np.cos(angle),
            np.full(back.size + 1, TURN_RADIUS_M),
        ]
    )
    heading = np.concatenate(
        [math.pi + angle, np.zeros(there.size), angle, np.full(back.size + 1, math.pi)]
    )
    # Heights change along the straight parts only; in a turn the rider stays at the end's height.
    straight = np.clip(along, -out, far)
    grid = draws.road_start_m + draws.road_step_m * np.arange(draws.road_height_m.size)
    height = np.interp(straight, grid, draws.road_height_m)
    one = along.size - 1  # cells of one way out and back
    along, lateral, heading, height = (
        np.append(np.tile(cells[:-1], rounds), cells[-1])
        for cells in (along, lateral, heading, height)
    )
    limit = np.full(along.size, 60.0)
    drive = np.ones(along.size)
    boost = min(100, int(0.65 * out))
    legs: list[tuple[float, float, int]] = []
    for start in range(0, rounds * one, one):
        turn = start + half_circle + there.size
        last = along.size if start + one == rounds * one else start + one
        for turned in (start, turn):
            limit[turned : turned + half_circle] = TURN_SPEED_M_S
            drive[turned : turned + half_circle + boost] = scenario.start_boost
        for end in (turn, last):
            off = int(rng.uniform(0.25, 0.5) * min(out, 150.0))  # rolls, then brakes
            drive[end - off : end] = 0.0
        drive[turn : turn + half_circle] = 0.3
        gate_a = start + half_circle + out
        # The cell of the turn's first metre of the way back lies at along = far.
        back_start = turn + half_circle
        legs += [
            (gate_a, gate_a + length, 1),
            (back_start + far - length, back_start + far, -1),
        ]
    limit[-1] = CRAWL_M_S
    return Path(
        along_m=along,
        lateral_m=lateral,
        height_m=height,
        heading_rad=heading,
        speed_limit_m_s=_speed_limits(limit, deceleration=BRAKING_M_S2),
        drive=drive,
        legs=() if short else tuple(legs),
    )


def bends(scenario: Scenario, lap_m: float) -> tuple[float, float]:
    """Return radius of the bends and length of each easing into and out of them [m].

    A loop is a circle, or two straights and two half circles by `loop_bend_share`; a track has
    bends of `bend_radius_m`, tighter where a short lap asks for it.
    """
    if scenario.course == "loop":
        return scenario.loop_bend_share * lap_m / (2.0 * math.pi), 0.0
    radius = min(scenario.bend_radius_m, 0.85 * lap_m / (2.0 * math.pi))
    return radius, min(scenario.bend_transition_m, 0.48 * lap_m - math.pi * radius)


def loop_path(scenario: Scenario, draws: Draws, rng: np.random.Generator) -> Path:
    """Lay the way of one run on a loop or track: two straights, two bends; a circle is all bend."""
    # Who rides outside the measuring line turns the same angle on a longer way.
    length = scenario.leg_length_m + 2.0 * math.pi * draws.track_line_m
    laps = scenario.laps_per_run
    lead = min(length / 2, 200.0)
    cells = round(lead + laps * length + 100.0)
    q = np.arange(cells + 1, dtype=np.float64)
    around = np.mod(q - lead, length)
    stretch = scenario.leg_length_m / length
    height = np.interp(around * stretch, np.arange(draws.road_height_m.size), draws.road_height_m)
    radius, easing = bends(scenario, length)
    # Each half lap: half a straight, a bend whose curvature rises and falls, half a straight.
    half = np.mod(around, 0.5 * length)
    from_middle = np.abs(half - 0.25 * length)
    flat = 0.5 * (math.pi * radius - easing)
    share = np.clip((flat + easing - from_middle) / max(easing, 1e-6), 0.0, 1.0)
    if easing == 0.0:
        share = (from_middle <= flat).astype(np.float64)
    fine = np.linspace(0.0, length, 20 * round(length) + 1)
    middle = np.abs(np.mod(fine, 0.5 * length) - 0.25 * length)
    turning = np.clip((flat + easing - middle) / max(easing, 1e-6), 0.0, 1.0)
    turned = np.concatenate([[0.0], np.cumsum(0.5 * (turning[1:] + turning[:-1]))])
    heading = np.interp(around, fine, turned / turned[-1] * 2.0 * math.pi)
    limit = np.full(cells + 1, 60.0)
    limit[-1] = CRAWL_M_S
    drive = np.ones(cells + 1)
    drive[: int(0.6 * lead)] = scenario.start_boost
    drive[cells - int(rng.uniform(40, 70)) :] = 0.0
    step_x, step_y = np.cos(heading), np.sin(heading)
    x = np.concatenate([[0.0], np.cumsum(step_x[:-1])])
    y = np.concatenate([[0.0], np.cumsum(step_y[:-1])])
    return Path(
        along_m=x,
        lateral_m=y,
        height_m=height,
        heading_rad=heading,
        curvature_1_m=share / radius if scenario.course == "track" else None,
        speed_limit_m_s=_speed_limits(limit, deceleration=BRAKING_M_S2),
        drive=drive,
        legs=tuple((lead + k * length, lead + (k + 1) * length, 1) for k in range(laps)),
    )
