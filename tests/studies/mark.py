"""The mark: a plain estimator on leg totals between the true gates, for paired comparison.

Energy of each whole leg; CdA of each position, mean wind and height difference as fixed effects
(altimeter difference as an observation, 0.25 m); run effect, white leg noise and a slow
exponential wind process entering with the leg's sign as random effects; REML with log-normal
priors. It shares no code with the tool beyond numpy and scipy.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import LinAlgError, cho_factor, cho_solve
from scipy.optimize import minimize

SLOW_TIME_S = 900.0


@dataclass
class MarkAnswer:
    cda_m2: dict[str, float]
    covariance: np.ndarray


def mark_estimate(simulated) -> MarkAnswer:
    """Estimate CdA of every position from a simulated session, given its true gates."""
    session, truth = simulated.session, simulated.truth
    rec, s = session.recordings[0], session.settings
    t = rec.time_s
    power = np.interp(t, t[np.isfinite(rec.power_w)], rec.power_w[np.isfinite(rec.power_w)])
    work = np.cumsum(power * np.diff(t, prepend=t[0]))
    legs = truth["legs"]
    position_of = {r["run"]: r["position"] for r in truth["runs"]}
    names = [p.id for p in s.positions]
    n, length = len(legs), truth["gates_along_m"][1] - truth["gates_along_m"][0]
    mass = s.rider.mass_kg + s.bike.mass_kg
    effective = mass + s.bike.wheel_inertia_kg_m2 / s.bike.wheel_radius_m**2
    g, rho = 9.80665, _density(s.air)
    energy, a1, a2, sign, climb, start = (np.empty(n) for _ in range(6))
    pos, run = np.empty(n, int), np.empty(n, int)
    for k, leg in enumerate(legs):
        t0, t1 = leg["entry_s"], leg["exit_s"]
        inside = t[(t > t0) & (t < t1)]
        grid = np.concatenate([[t0], inside, [t1]])
        v = np.interp(grid, t, rec.speed_m_s)
        mid, dt = 0.5 * (v[1:] + v[:-1]), np.diff(grid)
        w = np.interp(t1, t, work) - np.interp(t0, t, work)
        energy[k] = (
            s.bike.drivetrain_efficiency * w
            - 0.5 * effective * (v[-1] ** 2 - v[0] ** 2)
            - (s.bike.rolling_resistance * mass * g + s.bike.bearing_drag_n) * length
            - s.bike.bearing_drag_n_s_m * (mid**2 * dt).sum()
        )
        a2[k] = (mid**3 * dt).sum()  # integral of v^2 dx
        a1[k] = (mid**2 * dt).sum()  # integral of v dx
        sign[k] = leg["direction"]
        climb[k] = np.interp(t1, t, rec.altitude_m) - np.interp(t0, t, rec.altitude_m)
        start[k], pos[k], run[k] = t0, names.index(position_of[leg["run"]]), leg["run"]
    p = len(names)
    height_seen = float(np.mean(sign * climb))
    beta = np.array([0.28] * p + [height_seen, 0.0])
    theta = np.log([0.2, 0.002, 0.3])
    median, log_sd = np.log([0.2, 0.002, 0.3]), np.array([1.0, 0.6, 0.8])
    same_run = run[:, None] == run[None, :]
    slow = np.exp(-np.abs(start[:, None] - start[None, :]) / SLOW_TIME_S)

    def rows(beta):
        area = beta[pos] + s.bike.wheel_drag_area_m2
        w = sign * beta[-1]
        air = a2 + 2 * w * a1 + w * w * length
        y = energy - 0.5 * rho * area * air - sign * mass * g * beta[p]
        x = np.zeros((n, p + 2))
        x[np.arange(n), pos] = 0.5 * rho * air
        x[:, p] = sign * mass * g
        per_wind = rho * area * (a1 + w * length) * sign
        x[:, p + 1] = per_wind
        return y, x, per_wind, 0.5 * rho * air

    def covariance(theta, per_wind, per_area):
        white, of_run, of_slow = np.exp(2 * theta)
        v = np.diag(white * per_wind**2)
        v += of_run * np.outer(per_area, per_area) * same_run
        v += of_slow * np.outer(per_wind, per_wind) * slow
        return v

    def gls(theta, y, x, per_wind, per_area, beta):
        v = covariance(theta, per_wind, per_area)
        factor = cho_factor(v, lower=True, check_finite=False)
        seen = np.zeros(p + 2)
        seen[p] = 1.0
        solved = cho_solve(factor, np.column_stack([x, y]), check_finite=False)
        info = x.T @ solved[:, :-1] + np.outer(seen, seen) / 0.25**2
        rhs = x.T @ solved[:, -1] + seen * (height_seen - beta[p]) / 0.25**2
        step = np.linalg.solve(info, rhs)
        logdet = 2 * np.log(np.diag(factor[0])).sum() + np.linalg.slogdet(info)[1]
        quad = (y - x @ step) @ (solved[:, -1] - solved[:, :-1] @ step)
        quad += (height_seen - beta[p] - step[p]) ** 2 / 0.25**2
        return step, 0.5 * (logdet + quad), info

    def objective(theta, *args):
        try:
            fit = gls(theta, *args)[1]
        except LinAlgError:  # a step of the line search far out, from which it must turn back
            fit = 1e9
        return fit + 0.5 * (((theta - median) / log_sd) ** 2).sum()

    info = np.eye(p + 2)
    for _ in range(6):
        y, x, per_wind, per_area = rows(beta)
        args = (y, x, per_wind, per_area, beta)
        best = minimize(
            objective,
            theta,
            args,
            method="BFGS",
            options={"gtol": 1e-3, "eps": 1e-5},
        )
        theta = best.x
        step, _, info = gls(theta, *args)
        beta = beta + step
        if np.abs(step[:p]).max() < 1e-6:
            break
    return MarkAnswer(
        cda_m2={name: float(beta[i]) for i, name in enumerate(names)},
        covariance=np.linalg.inv(info)[:p, :p],
    )


def _density(air) -> float:
    """Ideal moist air with Magnus vapour pressure: 4e-4 low at most."""
    e = (
        air.relative_humidity
        * 611.2
        * np.exp(17.62 * air.temperature_c / (243.12 + air.temperature_c))
    )
    k = air.temperature_c + 273.15
    return float((air.pressure_hpa * 100 - 0.378 * e) / (287.05 * k))
