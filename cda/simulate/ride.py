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
from cda.simulate.draws import air_density, ou_process, reshape_gusts, stream
from cda.simulate.lean import Leaning
from cda.simulate.way import BRAKING_M_S2, CRAWL_M_S, Path, loop_path, out_and_back_path

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cda.simulate.draws import Draws
    from cda.simulate.scenario import Scenario

    Floats = NDArray[np.float64]

STEP_S = 0.25
LEAD_IN_S = 30.0
LARGEST_DRIVE_N = 110.0
# Wheels and hubs of the bike, as the session file says by default
# (Martin et al. 1998, values from memory).
WHEEL_INERTIA_KG_M2 = 0.14
WHEEL_RADIUS_M = 0.335
WHEEL_DRAG_AREA_M2 = 0.0044
BEARING_DRAG_N = 0.091
BEARING_DRAG_N_S_M = 0.0087


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ridden:
    """The whole morning on a grid of `STEP_S`; arrays of shape (n,).

    `speed_m_s`, `path_m` and `along_m` are states at the stamp; `power_w` (made by the rider) is
    the mean over the step that ends there; `headwind_m_s`, `crosswind_m_s` and `cda_m2` acted
    in the step that starts there. `mass_centre_share` is the mass centre's speed over the wheels',
    below 1 where the rider leans in a track's bend.
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
    density_kg_m3: Floats
    run: NDArray[np.int64]
    mass_centre_share: Floats
    legs: tuple[RiddenLeg, ...]
    run_times: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RiddenLeg:
    """One leg as it was ridden: true gate times and true means over time between them.

    `air_path_m3_s2` is the integral of V_a u over distance: with it, drag takes exactly
    half density times drag area times this.
    """

    run: int
    direction: int
    entry_s: float
    exit_s: float
    headwind_m_s: float
    headwind_sd_m_s: float
    crosswind_m_s: float
    crosswind_squared_m2_s2: float
    air_path_m3_s2: float
    cda_m2: float
    power_w: float


def wind_vectors(scenario: Scenario, draws: Draws, n: int) -> tuple[Floats, Floats]:
    """Return the wind's components along and left of the course axis, where it blows to [m/s]."""
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
    hours = np.arange(n, dtype=np.float64) * (STEP_S / 3600.0)
    rolling = draws.rolling_resistance * (1.0 + draws.rolling_drift_per_h * hours)
    density = air_density(s, draws, hours)
    tired = np.clip(1.0 - s.tiring_per_h * hours, 0.2, None)
    state = _State(n)
    lists = _Lists(
        wind_x=wind_x.tolist(),
        wind_y=wind_y.tolist(),
        effort=((1.0 + effort) * tired).tolist(),
        wobble=wobble.tolist(),
        rolling=rolling.tolist(),
        half_density=(0.5 * density).tolist(),
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
        time_s=np.arange(end, dtype=np.float64) * STEP_S,
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
        rolling=np.asarray(rolling[:end], dtype=np.float64),
        density_kg_m3=density[:end],
        run=state.run[:end],
        mass_centre_share=np.asarray(state.share[:end]),
        legs=tuple(ridden_legs),
        run_times=tuple(run_times),
    )


class _Lists:
    """Noise as plain lists: indexing them in the loop is several times faster than arrays."""

    __slots__ = ("effort", "half_density", "rolling", "wind_x", "wind_y", "wobble")

    def __init__(self, **lists: list[float]) -> None:
        for name, values in lists.items():
            setattr(self, name, values)

    effort: list[float]
    half_density: list[float]
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
        self.share = [1.0] * n


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
    half_density, efficiency = noise.half_density, draws.drivetrain_efficiency
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
    end, last, dt, half_step = path.along_m.size - 1.0, len(vs) - 2, STEP_S, 0.5 * STEP_S
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
    bend = None if path.curvature_1_m is None else path.curvature_1_m.tolist()
    shares, share, axle, cosine, energy = state.share, 1.0, 1.0, 1.0, 0.0
    leaning = Leaning(
        mass_kg=mass,
        wheel_mass_kg=WHEEL_INERTIA_KG_M2 / WHEEL_RADIUS_M**2,
        height_m=draws.mass_centre_height_m,
        axle_m=WHEEL_RADIUS_M,
        gravity_m_s2=draws.gravity_m_s2,
    )
    if bend is not None:
        energy = leaning.energy(v, bend[0])
    while q < end:
        if k >= last:
            raise CourseError(
                "the ride comes to a standstill in this wind or on this hill",
                where="simulate",
                fix="take less wind, a flatter road or more power",
            )
        i = int(q + v * half_step)  # the cell in the middle of the step
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
        hubs = BEARING_DRAG_N + BEARING_DRAG_N_S_M * v if v > 0.0 else 0.0
        if bend is None:
            resist = (
                half_density[k] * (area + WHEEL_DRAG_AREA_M2) * math.sqrt(u * u + cross * cross) * u
                + rolling[k] * normal[i]
                + uphill[i]
                + hubs
            )
            v_new = v + (push - resist) / inertia * dt
        else:  # forces as the wheels' way feels them: work over the wheels' metres
            share, axle, cosine = leaning.lean(v, bend[i])
            drag = half_density[k] * (area * share**3 + WHEEL_DRAG_AREA_M2 * axle**3) * v * v
            resist = drag + rolling[k] * weight / cosine + hubs
            energy += (push - resist) * v * dt
            v_new = leaning.speed(energy, bend[min(int(q + v * dt), len(bend) - 1)], v)
            shares[k] = share
        if v_new > limits[i]:
            v_new = max(limits[i], v - 2.0 * BRAKING_M_S2 * dt)
        if k < brake_until:
            v_new = max(CRAWL_M_S, v_new - BRAKING_M_S2 * dt)
        if v_new < CRAWL_M_S:
            v_new = CRAWL_M_S
        mean_v = 0.5 * (v + v_new)
        if bend is not None:  # the work over the metres of the step; brakes take what they take
            energy += (push - resist) * (mean_v - v) * dt
            if v_new > limits[i] - 1e-9 or v_new <= CRAWL_M_S or k < brake_until:
                energy = leaning.energy(v_new, bend[min(int(q + v * dt), len(bend) - 1)])
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
        head, cross = np.asarray(state.head[inside]), np.asarray(state.cross[inside])
        start = np.arange(inside.start, inside.stop) * STEP_S
        v = np.interp(start + 0.5 * STEP_S, time, np.asarray(state.v[first : last + 1]))
        u = v + head
        # The steps' mean times the exact length: the gates fall inside steps.
        share = np.asarray(state.share[inside])  # of a leaning rider; 1 on a road
        air = np.sum(np.hypot(u, cross) * u * v * share**3) / np.sum(v) * (exit_m - entry_m)
        legs.append(
            RiddenLeg(
                run=run,
                direction=direction,
                entry_s=entry,
                exit_s=leave,
                headwind_m_s=float(np.mean(head)),
                headwind_sd_m_s=float(np.std(head)),
                crosswind_m_s=float(np.mean(cross)),
                crosswind_squared_m2_s2=float(np.mean(cross**2)),
                air_path_m3_s2=float(air),
                cda_m2=float(np.mean(state.cda[inside])),
                power_w=float(work / (leave - entry)),
            )
        )
    return legs
