"""From the days' legs to the posterior of CdA, wind, height, Crr and variance components."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from cda.errors import EstimationError
from cda.estimation.day import SYSTEMATIC_INPUTS, DayInputs, shifted
from cda.estimation.model import System, build_system, fixed_effect_names
from cda.estimation.nonlinear import least_squares
from cda.estimation.reml import (
    LogNormalPrior,
    VariancePosterior,
    satterthwaite_from_posterior,
    solve_gls,
    total_covariance,
    variance_posterior,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

SLOW_WIND_TIMES_S = (404.0, 735.0, 1334.0)  # middles of three equal parts of log 300 to log 1800

# Weak priors of the standard deviations: a factor of two to three either way.
PRIORS = {
    "leg_wind": LogNormalPrior(median=0.20, log_sd=1.0),  # [m/s] mean of the gusts over a leg
    "run": LogNormalPrior(median=0.002, log_sd=0.6),  # [m^2] 0.001 to 0.004 between takings
    "slow_wind": LogNormalPrior(median=0.30, log_sd=0.8),  # [m/s]
    "leg_drag": LogNormalPrior(median=0.0015, log_sd=0.7),  # [m^2] wobble and power noise of a leg
    "position_by_day": LogNormalPrior(median=0.002, log_sd=0.6),  # [m^2] bars, clothes, fit
    "day": LogNormalPrior(median=0.003, log_sd=0.7),  # [m^2]
}

CDA_RANGE = (0.02, 2.0)  # [m^2] wider than any rider
_ITERATIONS = 40  # six are usual; gusts near 1 m/s over whole legs ask for more


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fit:
    """Posterior of the fixed effects, and what each source contributes to it.

    Attributes
    ----------
    names : tuple of str, length q
        Fixed effects: positions, then height, wind and crr of each day.
    beta : ndarray, shape (q,)
    replication_cov : ndarray, shape (q, q)
        From legs and runs: gusts, slow wind, run-to-run scatter.
    source_cov : dict of str to ndarray, shape (q, q)
        Drifts, prior beliefs and systematic inputs, each apart.
    posterior : VariancePosterior
    system : System
        At the solution.
    systematic_effect : dict of (input, instrument) to ndarray, shape (q,)
        Change of the fixed effects for one standard uncertainty of the input.
    slow_variance : float
        Variance of the slow wind that drag feels beside the mean. [m^2/s^2]
    wind_scale : mapping of day to (gusts, slow wind)
        How strong the day's wind is against the components, which are of all days together.
    """

    names: tuple[str, ...]
    beta: Array
    replication_cov: Array
    source_cov: dict[str, Array]
    posterior: VariancePosterior
    system: System
    systematic_effect: dict[tuple[str, str], Array]
    slow_variance: float = 0.0
    wind_scale: Mapping[str, tuple[float, float]] = field(default_factory=dict)

    @property
    def covariance(self) -> Array:
        """Return everything together, shape (q, q)."""
        return self.replication_cov + self.systematic_cov

    @property
    def systematic_cov(self) -> Array:
        """Return all sources but replication together, shape (q, q)."""
        return total_of(list(self.source_cov.values()))

    def replication(self, contrast: Array) -> tuple[float, float]:
        """Return the statistical se and its degrees of freedom of a contrast, shape (q,)."""
        weights = np.stack([contrast @ s.gain for s in self.posterior.solutions])
        means = np.stack([s.beta for s in self.posterior.solutions]) @ contrast
        variance = np.zeros(len(means))
        for sd, component in zip(self.posterior.theta.T, self.system.components, strict=True):
            variance += sd**2 * ((weights @ component) * weights).sum(axis=1)
        spread = means - float(self.posterior.weight @ means)
        # The estimate also moves with the unknown variances: that belongs to its variance.
        moved = float(self.posterior.weight @ spread**2)
        return satterthwaite_from_posterior(variance + moved, self.posterior.weight)

    def component(self, name: str) -> float | None:
        """Return the posterior median-like (geometric mean) standard deviation, or None."""
        if name not in self.system.component_names:
            return None
        column = self.posterior.theta[:, self.system.component_names.index(name)]
        return float(np.exp(self.posterior.weight @ np.log(column)))


def fit_days(
    days: Sequence[DayInputs],
    positions: Sequence[str],
    *,
    rounds: int = 2,
    start: Array | None = None,
    before: Fit | None = None,
    systematic: bool = True,
) -> Fit:
    """Estimate CdA of each position from one or more days.

    Parameters
    ----------
    days : sequence of DayInputs
    positions : sequence of str
        Ids; `DayInputs.position` indexes them.
    rounds : int
        How often variance components and fixed effects are settled in turn.
    start : ndarray, shape (q,), or None
        Fixed effects to begin with; None begins with the global fit.
    before : Fit or None
        An earlier fit of the same legs: its fixed effects and variances are where this one begins,
        and count as a round.
    systematic : bool
        Work out what the systematic inputs contribute; a fit that only looks for the wind need not.

    Raises
    ------
    EstimationError
        If legs in both directions are missing or the fit does not settle.
    """
    for day in days:
        if day.laps is None and len(np.unique(day.energies.direction)) < 2:
            raise EstimationError(
                "all usable legs go in one direction: wind and height cannot be told from drag",
                where=f"session {day.key}",
                fix="ride every run out and back over the same stretch",
            )
    if len(days) > 1:
        scaled = (
            _own_winds(days, positions)
            if before is None
            else [(day, before.wind_scale[day.key]) for day in days]
        )
        days = [_with_own_wind_scale(day, *own) for day, own in scaled]
    names = fixed_effect_names(days, positions)
    slow_variance = 0.0
    posterior: VariancePosterior | None = None
    if before is None:
        beta, at_bound = _global_fit(days, positions, names) if start is None else (start, ())
        if at_bound:
            raise EstimationError(
                f"the legs ask for a value out of this world: {', '.join(at_bound)}",
                fix="check masses, the power meter's zero, the air and the runs' laps or times",
            )
    else:
        beta, posterior = before.beta, before.posterior
        slow_variance = _slow_variance(before.system, before.posterior)
        rounds -= 1
    for last in [False] * (rounds - 1) + [True]:
        theta = None if posterior is None else np.exp(posterior.weight @ np.log(posterior.theta))
        beta, system = _settle(days, positions, beta, theta, slow_variance)
        posterior = variance_posterior(
            system.y,
            system.x,
            system.components,
            [PRIORS[c] for c in system.component_names],
            fixed=total_of(system.fixed),
            start=theta,
        )
        if last:
            beta = beta + posterior.mean()
        else:
            slow_variance = _slow_variance(system, posterior)
    assert posterior is not None
    gain = posterior.gain()
    mean_components = np.asarray(posterior.weight @ posterior.theta**2)
    replication = total_of(
        [v * (gain @ c @ gain.T) for v, c in zip(mean_components, system.components, strict=True)]
    )
    source = {
        name: gain @ block @ gain.T
        for name, block in zip(system.fixed_names, system.fixed, strict=True)
    }
    effects = _systematic_effects(days, positions, beta, gain, slow_variance) if systematic else {}
    for (name, _), effect in effects.items():
        label = SYSTEMATIC_INPUTS[name]
        source[label] = source.get(label, 0.0) + np.outer(effect, effect)
    return Fit(
        names=names,
        beta=beta,
        replication_cov=replication,
        source_cov=source,
        posterior=posterior,
        system=system,
        systematic_effect=effects,
        slow_variance=slow_variance,
        wind_scale={day.key: (day.leg_wind_scale, day.slow_wind_scale) for day in days},
    )


def _slow_variance(system: System, posterior: VariancePosterior) -> float:
    """Return the slow wind's variance that drag feels [m^2/s^2].

    Capped: a day of violent wind must not turn into a drag of its own.
    """
    slow = posterior.theta[:, system.component_names.index("slow_wind")]
    return min(float(posterior.weight @ slow**2), 1.0)


def _own_winds(
    days: Sequence[DayInputs], positions: Sequence[str]
) -> list[tuple[DayInputs, tuple[float, float]]]:
    """Return each day with its gusts and slow wind over the geometric mean of all days.

    A calm morning and a windy one share no variance: pooled as if they did, the calm day's
    precision is lost and the windy day's is overstated.
    """
    winds = []
    for day in days:
        used = np.unique(day.position)
        alone = replace(day, position=np.searchsorted(used, day.position).astype(np.intp))
        try:
            names = [positions[i] for i in used]
            fit = fit_days([alone], names, rounds=1, systematic=False)
        except EstimationError:
            winds.append([np.nan, np.nan])  # too little for a wind of its own: taken as the others
            continue
        winds.append(
            [
                (fit.component("leg_wind") or np.nan) * day.leg_wind_scale,
                (fit.component("slow_wind") or np.nan) * day.slow_wind_scale,
            ]
        )
    log = np.log(np.array(winds))
    known = np.asarray(np.isfinite(log[:, 0]))
    middle = log[known].mean(axis=0) if known.any() else np.zeros(2)
    ratio = np.exp(np.where(known[:, None], log - middle, 0.0))
    return [(day, (float(r[0]), float(r[1]))) for day, r in zip(days, ratio, strict=True)]


def _with_own_wind_scale(day: DayInputs, leg_wind: float, slow_wind: float) -> DayInputs:
    return replace(day, leg_wind_scale=leg_wind, slow_wind_scale=slow_wind)


def total_of(blocks: Sequence[Array]) -> Array:
    """Add up covariance blocks of the same shape."""
    return np.asarray(np.sum(np.stack(list(blocks)), axis=0))


def _global_fit(
    days: Sequence[DayInputs], positions: Sequence[str], names: tuple[str, ...]
) -> tuple[Array, tuple[str, ...]]:
    """Fit CdA, height, wind and Crr together, bounded, at the prior's typical scatter."""
    start = _start(days, len(positions))
    first = build_system(days, positions, start, slow_times_s=SLOW_WIND_TIMES_S, slow_variance=0.0)
    typical = np.array([PRIORS[c].median for c in first.component_names])
    chol = np.linalg.cholesky(total_covariance(typical, first.components, total_of(first.fixed)))
    n_pos = len(positions)
    bounds = {name: CDA_RANGE for name in names[:n_pos]}
    for name in names[n_pos:]:
        kind = name.rsplit(":", 1)[1]
        bounds[name] = {"height": (-500.0, 500.0), "wind": (-20.0, 20.0), "crr": (0.0, 0.05)}[kind]

    whiten = np.linalg.inv(chol)
    tried: list[tuple[Array, System]] = []

    def system_at(beta: Array) -> System:
        if not (tried and np.array_equal(tried[-1][0], beta)):
            built = build_system(
                days, positions, beta, slow_times_s=SLOW_WIND_TIMES_S, slow_variance=0.0
            )
            tried[:] = [(beta, built)]
        return tried[-1][1]

    def residual(beta: Array) -> Array:
        try:
            return np.asarray(whiten @ system_at(beta).y)
        except EstimationError:
            return np.full(len(first.y), 1e4)  # a trial step too far: the optimiser turns back

    def jacobian(beta: Array) -> Array:
        # Smoothed over what is not wind: near enough for the direction of a step.
        return np.asarray(-whiten @ system_at(beta).x)

    answer = least_squares(
        residual,
        dict(zip(names, start, strict=True)),
        bounds,
        relative_tolerance=1e-6,
        jacobian=jacobian,
    )
    return answer.value, answer.at_bound


def _settle(
    days: Sequence[DayInputs],
    positions: Sequence[str],
    beta: Array,
    theta: Array | None,
    slow_variance: float,
) -> tuple[Array, System]:
    """Iterate generalised least squares with the smoothed regressors until CdA stands still."""
    pace, before = 1.0, np.zeros_like(beta)
    for _ in range(_ITERATIONS):
        system = build_system(
            days, positions, beta, slow_times_s=SLOW_WIND_TIMES_S, slow_variance=slow_variance
        )
        use = (
            np.array([PRIORS[c].median for c in system.component_names]) if theta is None else theta
        )
        step = _gls_step(system, use)
        # Height and wind alike (neither altimeter nor reading) make the step overshoot and come
        # back: half a step settles it.
        if float(step @ before) < 0.0 and np.abs(step).max() > 0.3 * np.abs(before).max():
            pace = max(0.5 * pace, 0.25)
        before = step
        beta = beta + pace * step
        areas = beta[: len(positions)]
        if not (
            np.isfinite(beta).all() and CDA_RANGE[0] < areas.min() <= areas.max() < CDA_RANGE[1]
        ):
            wrong = ", ".join(f"{p} {a:.3g} m²" for p, a in zip(positions, areas, strict=True))
            raise EstimationError(
                f"the legs ask for a CdA out of this world: {wrong}",
                fix="check masses, the power meter's zero, the wind and the runs' laps or times",
            )
        if np.abs(step[: len(positions)]).max() < 1e-7:  # a thousandth of what is printed
            break
    else:
        raise EstimationError(
            f"the estimate does not settle (last step {np.abs(step).max():.2g})",
            fix="look at the runs with cda check: one of them may be spoiled",
        )
    return beta, build_system(
        days, positions, beta, slow_times_s=SLOW_WIND_TIMES_S, slow_variance=slow_variance
    )


def _start(days: Sequence[DayInputs], n_positions: int) -> Array:
    beta = [0.28] * n_positions  # a usual CdA; the first step leaves it
    for day in days:
        height = 0.0 if day.height_difference_m is None else day.height_difference_m
        beta += [height, day.headwind_m_s or 0.0, day.rolling_resistance]
    return np.array(beta)


def _gls_step(system: System, theta: Array) -> Array:
    covariance = total_covariance(theta, system.components, total_of(system.fixed))
    try:
        return solve_gls(system.y, system.x, covariance).beta
    except np.linalg.LinAlgError as error:
        raise EstimationError(
            "the legs do not determine CdA of every position",
            fix="every position needs at least one usable run out and back",
        ) from error


def _systematic_effects(
    days: Sequence[DayInputs],
    positions: Sequence[str],
    beta: Array,
    gain: Array,
    slow_variance: float,
) -> dict[tuple[str, str], Array]:
    """Shift every systematic input by its standard uncertainty and see what the fit answers.

    Central differences, one Gauss-Newton step from the solution: the step is exact to second
    order because the solution is stationary.
    """
    keys = {
        (name, day.instrument.get(name, day.key))
        for day in days
        for name in SYSTEMATIC_INPUTS
        if day.systematic_sd.get(name, 0.0) > 0.0
    }
    effects = {}
    for name, owner in sorted(keys):
        answers = []
        for sign in (1.0, -1.0):
            moved = [
                shifted(day, name, sign * day.systematic_sd[name])
                if day.instrument.get(name, day.key) == owner and day.systematic_sd.get(name)
                else day
                for day in days
            ]
            system = build_system(
                moved,
                positions,
                beta,
                slow_times_s=SLOW_WIND_TIMES_S,
                slow_variance=slow_variance,
            )
            answers.append(gain @ system.y)
        effects[(name, owner)] = 0.5 * (answers[0] - answers[1])
    return effects
