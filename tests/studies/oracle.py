r"""What could be known at best: an oracle that knows the wind, and lower bounds of the scatter.

All three use true gates, recorded speed and power, the nominal inputs of the session file, and
generalised least squares in which everything that was drawn enters with the standard deviation it
was drawn with: run-to-run scatter, wobble of CdA, power noise, speed noise at the ends, drifts,
and the systematic inputs (Crr, masses, power scale and zero, efficiency, density, speed scale,
height difference with 0.25 m). CdA of the positions is free.

- The **oracle** gives estimates. It is told the wind along and across at every moment, so that the
  response of each leg's drag to it is exact: what it misses is not wind.
- The **bound of leg totals** is the standard deviation that leg totals leave when the wind is
  unknown but its true covariance is known: gusts and slow wind are Ornstein-Uhlenbeck processes
  with the drawn s.d. and correlation times, averaged over each leg with the weight that its energy
  gives them; the mean wind along the road is free. By the theorem of Gauss, Markov and Aitken no
  linear unbiased estimator on leg totals does better; for normal noise it is the Cramér-Rao bound.
- The **bound of every second** is the same with the seconds inside the legs instead of their
  totals, the shape of the road known (Kalman filter over gusts, slow wind, wobble and the speed
  noise that two neighbouring seconds share): the Cramér-Rao bound of all that is recorded between
  the gates, linearised about the ride as it was. What is recorded outside the gates is not used.

Bounds hold given the ride: the scatter that is in the regressors themselves is not counted.
Gusts that are not normal have the same covariance, and so the same linear bound.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.linalg import cho_factor, cho_solve

if TYPE_CHECKING:
    from cda.simulate import SimulatedSession

HEIGHT_SD_M = 0.25  # as the mark has it
SHARED = ("Crr", "height", "power scale", "power zero", "efficiency", "mass", "density")
SHARED += ("speed scale", "power delay", "zero drift", "Crr drift")
FREE = 1e6  # standard deviation of what is not known at all


@dataclass
class Steps:
    """Energies of all steps of all legs, shape (k,) or (k, q); `leg` (k,) is the leg's row.

    `energy` is what is left for the positions' drag with the wind known; `columns` how it answers
    to one unit of each of `names`, whose standard deviations are `prior`; `wind` how it answers to
    1 m/s along the axis. `power_sd` (k,) is the noise of power; `speed` (k + legs,) joins steps.
    """

    energy: np.ndarray
    columns: np.ndarray
    names: list[str]
    prior: np.ndarray
    leg: np.ndarray
    time_s: np.ndarray
    dt_s: np.ndarray
    area: np.ndarray
    wind: np.ndarray
    power_sd: np.ndarray
    end_sd: np.ndarray
    wobble: np.ndarray


def steps_of(simulated: SimulatedSession) -> Steps:
    """Write down the energy equation of every step of every leg."""
    session, truth, draws = simulated.session, simulated.truth, simulated.draws
    scenario, ridden = simulated.scenario, simulated.ridden
    rec, s = session.recordings[0], session.settings
    t, good = rec.time_s, np.isfinite(rec.power_w)
    work_seen = np.cumsum(np.interp(t, t[good], rec.power_w[good]) * np.diff(t, prepend=t[0]))
    legs = truth["legs"]
    position_of = {r["run"]: r["position"] for r in truth["runs"]}
    ids = [p.id for p in s.positions]
    runs = sorted({leg["run"] for leg in legs})
    length = truth["gates_along_m"][1] - truth["gates_along_m"][0]
    mass = s.rider.mass_kg + s.bike.mass_kg
    effective = mass + s.bike.wheel_inertia_kg_m2 / s.bike.wheel_radius_m**2
    gravity, rho = draws.gravity_m_s2, nominal_density(simulated)
    weight, eta = (
        mass * gravity,
        1.0 if s.power_meter.location == "hub" else s.bike.drivetrain_efficiency,
    )
    height_seen = _height_seen(rec, legs)
    n_pos, n_run = len(ids), len(runs)
    blocks = []
    for k, leg in enumerate(legs):
        t0, t1, sign = leg["entry_s"], leg["exit_s"], leg["direction"]
        grid = np.concatenate([[t0], t[(t > t0) & (t < t1)], [t1]])
        v = np.interp(grid, t, rec.speed_m_s)
        dt, mid = np.diff(grid), 0.5 * (v[1:] + v[:-1])
        middle = 0.5 * (grid[1:] + grid[:-1])
        head = np.interp(middle, ridden.time_s, ridden.headwind_m_s)
        cross = np.interp(middle, ridden.time_s, ridden.crosswind_m_s)
        dx = mid * dt
        road = dx * (length / dx.sum())
        work = np.diff(np.interp(grid, t, work_seen))
        half_v2 = 0.5 * np.diff(v * v)
        u = mid + head
        v_a = np.sqrt(u * u + cross * cross)
        air = 0.5 * rho * v_a * u * dx  # for 1 m^2
        area = leg["cda_m2"] + s.bike.wheel_drag_area_m2
        hours = middle / 3600.0
        energy = (
            eta * work
            - effective * half_v2
            - (s.bike.rolling_resistance * weight + s.bike.bearing_drag_n) * road
            - s.bike.bearing_drag_n_s_m * mid * dx
            - s.bike.wheel_drag_area_m2 * air
            - sign * weight * height_seen * road / length
        )
        x = np.zeros((len(dt), n_pos + n_run + 11))
        x[:, ids.index(position_of[leg["run"]])] = air
        x[:, n_pos + runs.index(leg["run"])] = air
        # How the remaining energy answers where the true input lies above the believed one.
        others = [
            weight * road,
            sign * weight * road / length,
            -eta * work,
            -eta * dt,
            -work,
            gravity * (s.bike.rolling_resistance + sign * height_seen / length) * road + half_v2,
            area * air,
            area * 3.0 * air
            + 2.0 * effective * half_v2
            + s.bike.rolling_resistance * weight * road,
            -eta
            * np.diff(np.interp(grid + 0.5, t, work_seen) - np.interp(grid - 0.5, t, work_seen)),
            -eta * dt * hours,
            weight * s.bike.rolling_resistance * road * hours,
        ]
        x[:, n_pos + n_run :] = np.column_stack(others)
        power = work / dt
        blocks.append(
            (
                energy,
                x,
                np.full(len(dt), k),
                middle,
                dt,
                air,
                sign * 0.5 * rho * area * (v_a + u * u / v_a) * dx,
                eta * scenario.power_noise * power * np.sqrt(dt),
                effective * v * scenario.speed_noise_m_s,
                air * (0.1 * mid) ** scenario.wobble_speed_exponent,
            )
        )
    joined = [np.concatenate(parts) for parts in zip(*blocks, strict=True)]
    rates = s.power_meter.offset_drift_sd_w_per_h, s.bike.rolling_resistance_drift_sd_per_h
    prior = [FREE] * n_pos + [draws.run_to_run_sd_m2] * n_run
    prior += [scenario.rolling_resistance_sd, HEIGHT_SD_M, scenario.power_scale_sd]
    prior += [scenario.power_offset_sd_w, scenario.drivetrain_efficiency_sd]
    prior += [float(np.hypot(scenario.rider_mass_sd_kg, scenario.bike_mass_sd_kg))]
    prior += [density_sd(simulated), scenario.speed_scale_sd, s.power_meter.delay_sd_s, *rates]
    return Steps(
        *joined[:2],
        [*ids, *(f"run {r}" for r in runs), *SHARED],
        np.maximum(np.array(prior), 1e-9),
        *joined[2:],
    )  # fmt: skip


def nominal_density(simulated: SimulatedSession) -> float:
    """Return the density that the session file's air gives [kg/m^3]."""
    from cda.simulate.draws import density_of_moist_air

    s = simulated.scenario
    return density_of_moist_air(s.temperature_c, s.pressure_hpa, s.relative_humidity)


def density_sd(simulated: SimulatedSession) -> float:
    """Return the relative standard uncertainty of density: temperature, pressure, humidity."""
    s = simulated.scenario
    return float(
        np.sqrt(
            (s.temperature_sd_c / 287.0) ** 2
            + (s.pressure_sd_hpa / s.pressure_hpa) ** 2
            + (0.0062 * s.relative_humidity_sd) ** 2
        )
    )


def _height_seen(rec: object, legs: list[dict]) -> float:
    altitude = rec.altitude_m
    if altitude is None:
        return 0.0
    climbs = [
        leg["direction"]
        * float(np.diff(np.interp([leg["entry_s"], leg["exit_s"]], rec.time_s, altitude))[0])
        for leg in legs
    ]
    return float(np.mean(climbs))


def ou_covariance(steps: Steps, weight: np.ndarray, time_s: float) -> np.ndarray:
    """Covariance of the legs' sums of weight times a unit Ornstein-Uhlenbeck process."""
    legs = int(steps.leg[-1]) + 1
    first = np.searchsorted(steps.leg, np.arange(legs))
    last = np.append(first[1:], len(steps.leg)) - 1
    begin, end = steps.time_s[first], steps.time_s[last]
    to_begin = np.add.reduceat(weight * np.exp(-(steps.time_s - begin[steps.leg]) / time_s), first)
    to_end = np.add.reduceat(weight * np.exp(-(end[steps.leg] - steps.time_s) / time_s), first)
    gap = np.maximum(begin[None, :] - end[:, None], 0.0)
    upper = np.triu(np.outer(to_end, to_begin) * np.exp(-gap / time_s), 1)
    covariance = upper + upper.T
    for k in range(legs):
        inside = slice(first[k], last[k] + 1)
        t, w = steps.time_s[inside], weight[inside]
        covariance[k, k] = w @ np.exp(-np.abs(t[:, None] - t[None, :]) / time_s) @ w
    return covariance


def leg_noise(steps: Steps, simulated: SimulatedSession) -> np.ndarray:
    """Covariance of leg totals without wind: wobble, power noise, speed noise at the ends [J^2]."""
    s = simulated.scenario
    legs = int(steps.leg[-1]) + 1
    power = np.bincount(steps.leg, steps.power_sd**2, legs)
    ends = np.array([m[[0, -1]] for m in _split(steps.end_sd, steps, legs)])
    wobble = ou_covariance(steps, steps.wobble, s.wobble_time_s) * s.wobble_sd_m2**2
    return wobble + np.diag(power + (ends**2).sum(axis=1))


def _split(values: np.ndarray, steps: Steps, legs: int) -> list[np.ndarray]:
    counts = np.bincount(steps.leg, minlength=legs) + 1  # one more gate than steps
    return np.split(values, np.cumsum(counts)[:-1])


def _solve(x: np.ndarray, prior: np.ndarray, noise: np.ndarray, y: np.ndarray | None, n: int):
    factor = cho_factor(noise, lower=True)
    information = x.T @ cho_solve(factor, x) + np.diag(prior**-2.0)
    scale = 1.0 / np.sqrt(np.diag(information))
    covariance = np.linalg.inv(information * np.outer(scale, scale)) * np.outer(scale, scale)
    beta = None if y is None else covariance[:n] @ (x.T @ cho_solve(factor, y))
    return beta, covariance[:n, :n]


def oracle_and_bound(simulated: SimulatedSession) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the oracle's CdA (p,), its covariance, and the bound of leg totals; (p, p) [m^2]."""
    steps, s, draws = steps_of(simulated), simulated.scenario, simulated.draws
    legs, p = int(steps.leg[-1]) + 1, s.n_positions
    first = np.searchsorted(steps.leg, np.arange(legs))
    x = np.add.reduceat(steps.columns, first)
    y = np.add.reduceat(steps.energy, first)
    noise = leg_noise(steps, simulated)
    beta, covariance = _solve(x, steps.prior, noise, y, p)
    gusts = ou_covariance(steps, steps.wind, draws.gust_time_s) * s.gust_sd_m_s**2
    slow = ou_covariance(steps, steps.wind, draws.slow_time_s) * s.slow_sd_m_s**2
    with_wind = np.column_stack([x, np.add.reduceat(steps.wind, first)])
    _, bound = _solve(with_wind, np.append(steps.prior, FREE), noise + gusts + slow, None, p)
    assert beta is not None
    return beta, covariance, bound


def bound_of_every_second(simulated: SimulatedSession) -> np.ndarray:
    """Return the covariance of the positions' CdA that all recorded seconds leave, (p, p) [m^4]."""
    steps, s, draws = steps_of(simulated), simulated.scenario, simulated.draws
    legs = int(steps.leg[-1]) + 1
    sd = np.array([s.gust_sd_m_s, s.slow_sd_m_s, s.wobble_sd_m2])
    tau = np.array([draws.gust_time_s, draws.slow_time_s, s.wobble_time_s])
    x = np.column_stack([steps.columns, steps.wind])
    prior = np.append(steps.prior, FREE)
    unit = 1.0 / np.sqrt((x * x).sum(axis=0) + 1e-30)
    x = x * unit
    ends = _split(steps.end_sd, steps, legs)
    q = x.shape[1]
    information = np.zeros((q, q))
    # State: gust, slow wind, wobble, and the energy of the speed noise at the step's beginning.
    cov = np.diag(np.append(sd**2, 0.0))
    state = np.zeros((4, q))  # what the filter makes of each regressor
    before = None
    row = 0
    for k in range(legs):
        beginning = True
        for j in range(int((steps.leg == k).sum())):
            gap = 0.0 if before is None else steps.time_s[row] - before
            keep = np.append(np.exp(-gap / tau), 0.0 if beginning else 1.0)
            cov = cov * np.outer(keep, keep)
            cov[[0, 1, 2], [0, 1, 2]] += sd**2 * (1.0 - keep[:3] ** 2)
            if beginning:
                cov[3, 3] = ends[k][0] ** 2
            state = state * keep[:, None]
            h = np.array([steps.wind[row], steps.wind[row], steps.wobble[row], -1.0])
            new = ends[k][j + 1] ** 2  # of the speed noise at the step's end, seen here and next
            ch = cov @ h
            variance = float(h @ ch) + steps.power_sd[row] ** 2 + new
            innovation = x[row] - h @ state
            information += np.outer(innovation, innovation) / variance
            # The end's noise takes the place of the beginning's.
            ch[3] = new
            cov[3, :] = cov[:, 3] = 0.0
            cov[3, 3] = new
            state[3] = 0.0
            cov -= np.outer(ch, ch) / variance
            state += np.outer(ch, innovation) / variance
            before, beginning, row = steps.time_s[row], False, row + 1
    information += np.diag((prior / unit) ** -2.0)
    scale = 1.0 / np.sqrt(np.diag(information))
    covariance = np.linalg.inv(information * np.outer(scale, scale)) * np.outer(scale, scale)
    p = s.n_positions
    return covariance[:p, :p] * np.outer(unit[:p], unit[:p])
