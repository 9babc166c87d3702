"""The ride itself: forward integration in time with a sum of forces of its own.

Nothing here comes from the rooms that analyse a ride, so that a wrong sign or a forgotten term
there cannot hide. The rider's power turns into speed; the recording is made from that later.
The road is a path of one-metre cells: every run starts with a turn from standstill, rides out,
turns and rides back (or rides its laps), brakes and stands.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from cda.errors import CourseError
from cda.simulate.draws import ou_process, reshape_gusts, stream

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cda.simulate.draws import Draws
    from cda.simulate.scenario import Scenario

    Floats = NDArray[np.float64]

STEP_S = 0.25
LEAD_IN_S = 30.0
TURN_RADIUS_M = 2.5
TURN_SPEED_M_S = 3.0
BRAKING_M_S2 = 2.0
LARGEST_DRIVE_N = 110.0
CRAWL_M_S = 0.4
# Wheels and hubs of the bike, as the session file says by default
# (Martin et al. 1998, values from memory).
WHEEL_INERTIA_KG_M2 = 0.14
WHEEL_RADIUS_M = 0.335
WHEEL_DRAG_AREA_M2 = 0.0044
BEARING_DRAG_N = 0.091
BEARING_DRAG_N_S_M = 0.0087


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Path:
    """The way of one run in cells of one metre; arrays of shape (cells + 1,).

    `along_m` is the place along the course axis (on a loop: round the loop), `lateral_m` to its
    left; `heading_rad` is anticlockwise from the axis; gates are in path metres, entry and exit
    of each leg.
    """

    along_m: Floats
    lateral_m: Floats
    height_m: Floats
    heading_rad: Floats
    speed_limit_m_s: Floats
    drive: Floats
    legs: tuple[tuple[float, float, int], ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ridden:
    """The whole morning on a grid of `STEP_S`; arrays of shape (n,).

    `speed_m_s`, `path_m` and `along_m` are states at the stamp; `power_w` (made by the rider) is
    the mean over the step that ends there; `headwind_m_s`, `crosswind_m_s` and `cda_m2` acted
    in the step that starts there.
    """

    time_s: Floats
    speed_m_s: Floats
    path_m: Floats
    along_m: Floats
    lateral_m: Floats
    height_m: Floats
    power_w: Floats
    pedalling: Floats
    headwind_m_s: Floats
    crosswind_m_s: Floats
    cda_m2: Floats
    rolling: Floats
    run: NDArray[np.int64]
    legs: tuple[RiddenLeg, ...]
    run_times: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RiddenLeg:
    """One leg as it was ridden: true gate times and true means between them."""

    run: int
    direction: int
    entry_s: float
    exit_s: float
    headwind_m_s: float
    crosswind_m_s: float
    cda_m2: float
    power_w: float


def _speed_limits(limit: Floats, *, deceleration: float) -> Floats:
    """Lower the limits ahead of each slow place so that it is reached by braking steadily."""
    squared = limit**2
    for i in range(squared.size - 2, -1, -1):
        squared[i] = min(squared[i], squared[i + 1] + 2.0 * deceleration)
    return np.asarray(np.sqrt(squared))


def out_and_back_path(
    scenario: Scenario, draws: Draws, rng: np.random.Generator, *, short: bool
) -> Path:
    """Lay the way of one run: turn, out, turn, back; `short` turns before gate B."""
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
    limit = np.full(along.size, 60.0)
    limit[:half_circle] = TURN_SPEED_M_S
    first_turn = half_circle + there.size
    limit[first_turn : first_turn + half_circle] = TURN_SPEED_M_S
    limit[-1] = CRAWL_M_S
    drive = np.ones(along.size)
    boost = min(100, int(0.65 * out))
    for turned in (0, first_turn):
        drive[turned : turned + half_circle + boost] = scenario.start_boost
    for end in (first_turn, along.size):
        off = int(rng.uniform(0.25, 0.5) * min(out, 150.0))  # rolls, then brakes
        drive[end - off : end] = 0.0
    drive[first_turn : first_turn + half_circle] = 0.3
    gate_a = half_circle + out
    # The cell of the turn's first metre of the way back lies at along = far.
    back_start = first_turn + half_circle
    legs: tuple[tuple[float, float, int], ...] = (
        (gate_a, gate_a + length, 1),
        (back_start + far - length, back_start + far, -1),
    )
    return Path(
        along_m=along,
        lateral_m=lateral,
        height_m=height,
        heading_rad=heading,
        speed_limit_m_s=_speed_limits(limit, deceleration=BRAKING_M_S2),
        drive=drive,
        legs=() if short else legs,
    )


def loop_path(scenario: Scenario, draws: Draws, rng: np.random.Generator) -> Path:
    """Lay the way of one run on a loop (a circle) or track (two straights, two bends)."""
    length, laps = scenario.leg_length_m, scenario.laps_per_run
    lead = min(length / 2, 200.0)
    cells = round(lead + laps * length + 100.0)
    q = np.arange(cells + 1, dtype=np.float64)
    around = np.mod(q - lead, length)
    height = np.interp(around, np.arange(draws.road_height_m.size), draws.road_height_m)
    heading = 2.0 * math.pi * around / length
    if scenario.course == "track":
        part = np.mod(around / length, 0.5) * 2.0  # 0 to 1 over one straight and one bend
        bend = np.clip((part - 0.45) / 0.55, 0.0, 1.0)
        heading = math.pi * (bend + (around >= length / 2))
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
        speed_limit_m_s=_speed_limits(limit, deceleration=BRAKING_M_S2),
        drive=drive,
        legs=tuple((lead + k * length, lead + (k + 1) * length, 1) for k in range(laps)),
    )


def wind_vectors(scenario: Scenario, draws: Draws, n: int) -> tuple[Floats, Floats]:
    """Return the wind's components along and left of the course axis, where it blows to. [m/s]"""
    if scenario.course == "track":
        return np.zeros(n), np.zeros(n)
    seed = draws.seed
    towards = math.radians(draws.wind_from_deg + 180.0 - draws.heading_deg)  # clockwise
    parts = []
    for name, mean in (("along", math.cos(towards)), ("across", -math.sin(towards))):
        slow = ou_process(n, STEP_S, draws.slow_time_s, stream(seed, f"slow wind {name}"))
        gust = ou_process(n, STEP_S, draws.gust_time_s, stream(seed, f"gusts {name}"))
        parts.append(
            scenario.wind_m_s * mean
            + scenario.slow_sd_m_s * slow
            + scenario.gust_sd_m_s * reshape_gusts(gust, scenario.gust_shape)
        )
    return parts[0], parts[1]


def ride(scenario: Scenario, draws: Draws) -> Ridden:
    """Ride every run of the scenario in order, resting between them."""
    s = scenario
    order = s.run_order
    rng = stream(draws.seed, "riding")
    paths = []
    for r in range(len(order)):
        if s.course == "out-and-back":
            short = (r + 1) in s.short_runs
            paths.append(out_and_back_path(s, draws, rng, short=short))
        else:
            paths.append(loop_path(s, draws, rng))
    slowest_m_s = 3.0  # bound of the grid; who is slower on average is not riding a test
    bound_s = LEAD_IN_S + sum(p.along_m.size / slowest_m_s for p in paths) + sum(draws.rest_s)
    n = int(bound_s / STEP_S) + 1
    wind_x, wind_y = wind_vectors(s, draws, n)
    effort = s.effort_sd * ou_process(n, STEP_S, s.effort_time_s, stream(draws.seed, "effort"))
    wobble = s.wobble_sd_m2 * ou_process(n, STEP_S, s.wobble_time_s, stream(draws.seed, "wobble"))
    hours = np.arange(n) * (STEP_S / 3600.0)
    rolling = draws.rolling_resistance * (1.0 + draws.rolling_drift_per_h * hours)
    tired = np.clip(1.0 - s.tiring_per_h * hours, 0.2, None)
    state = _State(n)
    lists = _Lists(
        wind_x=wind_x.tolist(),
        wind_y=wind_y.tolist(),
        effort=((1.0 + effort) * tired).tolist(),
        wobble=wobble.tolist(),
        rolling=rolling.tolist(),
    )
    k = round(LEAD_IN_S / STEP_S)
    path_done = 0.0
    run_times: list[tuple[float, float]] = []
    ridden_legs: list[RiddenLeg] = []
    for r, path in enumerate(paths):
        cda = draws.position_cda_m2[order[r]] + draws.run_deviation_m2[r]
        first = k
        faults = _faults(s, r + 1, path)
        k = _ride_run(s, draws, path, lists, state, k, draws.run_power_w[r], cda, faults)
        q = np.asarray(state.q[first : k + 1])
        cells = np.arange(path.along_m.size)
        state.along[first : k + 1] = np.interp(q, cells, path.along_m)
        state.lateral[first : k + 1] = np.interp(q, cells, path.lateral_m)
        state.height[first : k + 1] = np.interp(q, cells, path.height_m)
        state.path[first : k + 1] = path_done + q
        path_done += q[-1]
        state.run[first : k + 1] = r + 1
        run_times.append((first * STEP_S, k * STEP_S))
        ridden_legs += _true_legs(path, state, first, k, r + 1)
        rest = int(draws.rest_s[r] / STEP_S)
        for array in (state.along, state.lateral, state.height, state.path):
            array[k : k + rest + 1] = array[k]
        k += rest
    lead = round(LEAD_IN_S / STEP_S)
    for array in (state.along, state.lateral, state.height, state.path):
        array[:lead] = array[lead]
    end = k
    return Ridden(
        time_s=np.arange(end) * STEP_S,
        speed_m_s=np.asarray(state.v[:end]),
        path_m=state.path[:end],
        along_m=state.along[:end],
        lateral_m=state.lateral[:end],
        height_m=state.height[:end],
        power_w=np.asarray(state.p[:end]),
        pedalling=(np.asarray(state.p[:end]) > 0.0).astype(np.float64),
        headwind_m_s=np.asarray(state.head[:end]),
        crosswind_m_s=np.asarray(state.cross[:end]),
        cda_m2=np.asarray(state.cda[:end]),
        rolling=rolling[:end],
        run=state.run[:end],
        legs=tuple(ridden_legs),
        run_times=tuple(run_times),
    )


class _Lists:
    """Noise as plain lists: indexing them in the loop is several times faster than arrays."""

    __slots__ = ("effort", "rolling", "wind_x", "wind_y", "wobble")

    def __init__(self, **lists: list[float]) -> None:
        for name, values in lists.items():
            setattr(self, name, values)

    effort: list[float]
    rolling: list[float]
    wind_x: list[float]
    wind_y: list[float]
    wobble: list[float]


class _State:
    """What the loop fills in, step by step."""

    def __init__(self, n: int) -> None:
        self.v, self.q, self.p = [0.0] * n, [0.0] * n, [0.0] * n
        self.head, self.cross, self.cda = [0.0] * n, [0.0] * n, [0.0] * n
        self.along, self.lateral = np.zeros(n), np.zeros(n)
        self.height, self.path = np.zeros(n), np.zeros(n)
        self.run = np.zeros(n, dtype=np.int64)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Faults:
    """Faults of one run, in path metres from where they start; None: not in this run."""

    lorry_m: float | None = None
    coast_m: float | None = None
    brake_m: float | None = None
    sat_up_m: float | None = None


def _faults(scenario: Scenario, run: int, path: Path) -> _Faults:
    if not path.legs:
        return _Faults()
    entry, leave, _ = path.legs[0]
    middle = entry + 0.45 * (leave - entry)
    return _Faults(
        lorry_m=middle if run in scenario.lorry_runs else None,
        coast_m=middle if run in scenario.coast_runs else None,
        brake_m=middle if run in scenario.brake_runs else None,
        sat_up_m=middle if run in scenario.sat_up_runs else None,
    )


def _ride_run(
    s: Scenario,
    draws: Draws,
    path: Path,
    noise: _Lists,
    state: _State,
    k: int,
    power_w: float,
    cda_m2: float,
    faults: _Faults,
) -> int:
    """Integrate one run from standstill to standstill; return the step index at its end.

    Forces on the rider, positive backwards: ½ ρ (CdA + F_w) V_a u of the air, with u = v + headwind
    and V_a the length of the airspeed vector; Crr m g cosθ; m g sinθ; hub bearings. What the legs
    push forward beyond that speeds up m + I/r².
    """
    mass = draws.rider_mass_kg + draws.bike_mass_kg
    inertia = mass + WHEEL_INERTIA_KG_M2 / WHEEL_RADIUS_M**2
    weight = mass * draws.gravity_m_s2
    rise = np.diff(path.height_m, append=path.height_m[-1])  # per metre of road
    uphill = (weight * rise).tolist()  # rise per metre of road is sinθ
    gradient = rise.tolist()
    normal = (weight * np.sqrt(1.0 - rise**2)).tolist()
    ch, sh = np.cos(path.heading_rad).tolist(), np.sin(path.heading_rad).tolist()
    limits, drive = path.speed_limit_m_s.tolist(), path.drive.tolist()
    half_density, efficiency = 0.5 * draws.density_kg_m3, draws.drivetrain_efficiency
    exponent, answer = s.wobble_speed_exponent, s.effort_per_gradient
    wind_x, wind_y, effort = noise.wind_x, noise.wind_y, noise.effort
    wobble, rolling = noise.wobble, noise.rolling
    vs, qs, ps, heads, crosses, cdas = (
        state.v,
        state.q,
        state.p,
        state.head,
        state.cross,
        state.cda,
    )
    end, last, dt = path.along_m.size - 1.0, len(vs) - 2, STEP_S
    v, q = 0.0, 0.0
    vs[k], qs[k] = v, q
    coast_until = brake_until = sat_until = lorry_start = -1
    coast_m, brake_m, sat_m, lorry_m = (
        faults.coast_m,
        faults.brake_m,
        faults.sat_up_m,
        faults.lorry_m,
    )
    faulty = not (coast_m is brake_m is sat_m is lorry_m is None)
    while q < end:
        if k >= last:
            raise CourseError(
                "the ride comes to a standstill in this wind or on this hill",
                where="simulate",
                fix="take less wind, a flatter road or more power",
            )
        i = int(q)
        c, d = ch[i], sh[i]
        x, y = wind_x[k], wind_y[k]
        head = -(x * c + y * d)
        cross = y * c - x * d
        area = cda_m2 + (wobble[k] * (v * 0.1) ** exponent if exponent else wobble[k])
        power = power_w * effort[k] * drive[i]
        if answer:
            power *= 1.0 + answer * gradient[i]
        if faulty:
            if coast_m is not None and coast_until < 0 and q >= coast_m:
                coast_until = k + int(s.coast_time_s / dt)
            if brake_m is not None and brake_until < 0 and q >= brake_m:
                brake_until = k + int(3.0 / dt)
            if sat_m is not None and sat_until < 0 and q >= sat_m:
                sat_until = k + int(20.0 / dt)
            if lorry_m is not None and lorry_start < 0 and q >= lorry_m:
                lorry_start = k
            if k < coast_until or k < brake_until:
                power = 0.0
            if k < sat_until:
                area += s.sat_up_cda_m2
            if lorry_start >= 0:  # overtaken: its wake drags the air along
                head -= s.lorry_gust_m_s * math.exp(-(k - lorry_start) * dt / s.lorry_time_s)
        u = v + head
        if power < 0.0:
            power = 0.0
        push = efficiency * power
        push = push / v if push < LARGEST_DRIVE_N * v else LARGEST_DRIVE_N * (power > 0.0)
        resist = (
            half_density * (area + WHEEL_DRAG_AREA_M2) * math.sqrt(u * u + cross * cross) * u
            + rolling[k] * normal[i]
            + uphill[i]
            + (BEARING_DRAG_N + BEARING_DRAG_N_S_M * v if v > 0.0 else 0.0)
        )
        v_new = v + (push - resist) / inertia * dt
        if v_new > limits[i]:
            v_new = max(limits[i], v - 2.0 * BRAKING_M_S2 * dt)
        if k < brake_until:
            v_new = max(CRAWL_M_S, v_new - BRAKING_M_S2 * dt)
        if v_new < CRAWL_M_S:
            v_new = CRAWL_M_S
        mean_v = 0.5 * (v + v_new)
        heads[k], crosses[k], cdas[k] = head, cross, area
        k += 1
        ps[k] = push * mean_v / efficiency
        q += mean_v * dt
        v = v_new
        vs[k], qs[k] = v, q
    vs[k], qs[k] = 0.0, end
    return k


def _true_legs(path: Path, state: _State, first: int, last: int, run: int) -> list[RiddenLeg]:
    """Return exact gate times and the means of what acted between them."""
    q = np.asarray(state.q[first : last + 1])
    time = np.arange(first, last + 1) * STEP_S
    legs = []
    for entry_m, exit_m, direction in path.legs:
        entry, leave = (float(np.interp(g, q, time)) for g in (entry_m, exit_m))
        inside = slice(math.ceil(entry / STEP_S), max(math.ceil(leave / STEP_S), 1))
        energy = np.concatenate([[0.0], np.cumsum(state.p[first + 1 : last + 1])]) * STEP_S
        work = np.interp(leave, time, energy) - np.interp(entry, time, energy)
        legs.append(
            RiddenLeg(
                run=run,
                direction=direction,
                entry_s=entry,
                exit_s=leave,
                headwind_m_s=float(np.mean(state.head[inside])),
                crosswind_m_s=float(np.mean(state.cross[inside])),
                cda_m2=float(np.mean(state.cda[inside])),
                power_w=float(work / (leave - entry)),
            )
        )
    return legs
