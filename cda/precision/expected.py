"""The standard uncertainty of a test before it is ridden: the analysis' equations without data."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from cda.elevation import leg_mean_share
from cda.errors import EstimationError
from cda.estimation.day import SYSTEMATIC_INPUTS, shifted
from cda.estimation.fit import SLOW_WIND_TIMES_S
from cda.estimation.model import GUST_TIMES_S, System, build_system
from cda.estimation.reml import solve_gls, total_covariance
from cda.precision.design import Design, along_m_s, hypothetical_day
from cda.precision.process import mean_share, round_share

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from cda.estimation import DayInputs

    Array = NDArray[np.float64]

POWER_OF_TEST: Final = 0.80  # chance that a true difference of the stated size is resolved
# Of the legs' degrees of freedom, what is left after slow wind and scatter are learnt from them
# too: simulated rides of 6 to 24 runs are estimated with 8, 17, 17, 30 where this gives 7 to 38.
_SHARE_OF_LEGS: Final = 0.8
_TIMES_OF_MIXTURE: Final = 3
_OWN: Final = (0.1, 0.1)  # [s] gusts of no duration: what a lap leaves of them is the lap's own


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Expectation:
    """What a design can be expected to show; standard uncertainties are k = 1.

    Attributes
    ----------
    position_se_m2 : ndarray, shape (positions,)
        With systematic inputs. [m^2]
    difference_se_m2 : float
        Root mean square over all pairs, with what systematic inputs leave in them. [m^2]
        None where there is one position.
    dof : float
        Of `difference_se_m2`, from runs and legs; for one position the runs beyond the first.
    smallest_resolvable_m2 : float or None
        Difference that a 95 % interval keeps apart from 0 in 80 of 100 tests. [m^2]
    covariance_m4 : ndarray, shape (positions, positions)
        Of the positions, systematic inputs included. [m^4]
    """

    design: Design
    position_se_m2: Array
    difference_se_m2: float | None
    dof: float
    smallest_resolvable_m2: float | None
    covariance_m4: Array


def expected_precision(design: Design) -> Expectation:
    """Return the uncertainty that the analysis of this design would be expected to have.

    Parameters
    ----------
    design : Design

    Returns
    -------
    Expectation

    Raises
    ------
    EstimationError
        If there is one run of each position only: scatter cannot be learnt.
    """
    from scipy.stats import t as student

    n = design.n_positions
    if len(design.order) - n < 1:
        raise EstimationError(
            f"{len(design.order)} runs of {n} positions show no scatter",
            where="Design(order=...)",
            fix="ride every position at least twice, better three times",
        )
    day, beta = hypothetical_day(design), np.array([design.cda_m2] * n + [0.0, 0.0])
    beta[-1] = along_m_s(design)
    beta = np.append(beta, design.rolling_resistance)
    positions = [str(k) for k in range(n)]
    system = _system(design, day, positions, beta)
    theta = _theta(design, system, day)
    fixed = np.sum(np.stack(system.fixed), axis=0)
    gain = solve_gls(system.y, system.x, total_covariance(theta, system.components, fixed)).gain
    # The estimator averages over correlation times of the wind; the morning may have others.
    ridden = build_system(
        [day],
        positions,
        beta,
        slow_times_s=np.geomspace(*design.slow_time_s, 2 * _TIMES_OF_MIXTURE + 1)[1::2].tolist(),
        gust_times_s=_OWN if design.round else design.gust_time_s,
        slow_variance=0.0,
    )
    # Wobble and power noise are each leg's own: where the model takes them for gusts, it believes
    # that they last across a turn as gusts do.
    alone = _theta(design, ridden, day, drag_in_gusts=False)
    truth = total_covariance(alone, ridden.components, fixed)
    legs = np.arange(ridden.n_legs)
    truth[legs, legs] += theta[0] ** 2 - alone[0] ** 2
    covariance = gain @ truth @ gain.T
    here = gain @ system.y
    for name in SYSTEMATIC_INPUTS:
        if not day.systematic_sd.get(name):
            continue
        moved = shifted(day, name, day.systematic_sd[name])
        effect = gain @ _system(design, moved, positions, beta).y - here
        covariance = covariance + np.outer(effect, effect)
    cda = covariance[:n, :n]
    by_run = theta[system.component_names.index("run")] ** 2 * (
        gain @ system.components[system.component_names.index("run")] @ gain.T
    )
    dof = float(len(design.order) - n)
    if n == 1:
        se, smallest = None, None
    else:
        variance = _mean_variance_of_pairs(cda)
        dof = _degrees_of_freedom(design, variance, _mean_variance_of_pairs(by_run[:n, :n]))
        se = float(np.sqrt(variance))
        smallest = se * float(student.ppf(0.975, dof) + student.ppf(POWER_OF_TEST, dof))
    return Expectation(
        design=design,
        position_se_m2=np.sqrt(np.diag(cda)),
        difference_se_m2=se,
        dof=dof,
        smallest_resolvable_m2=smallest,
        covariance_m4=cda,
    )


def _mean_variance_of_pairs(covariance: Array) -> float:
    """Return the variance of a difference, averaged over all pairs."""
    n = len(covariance)
    total = n * np.trace(covariance) - covariance.sum()
    return float(2.0 * total / (n * (n - 1)))


def _degrees_of_freedom(design: Design, variance: float, by_run: float) -> float:
    """Return the degrees of freedom of a difference: of runs and of legs together.

    Satterthwaite 1946, Biometrics 2, 110-114, :doi:`10.2307/3002019`.
    """
    runs, n = len(design.order), design.n_positions
    of_runs = float(runs - n)
    of_legs = max(_SHARE_OF_LEGS * (runs * design.legs_per_run - n - 2), 1.0)
    by_leg = max(variance - by_run, 0.0)
    return variance**2 / (by_run**2 / of_runs + by_leg**2 / of_legs)


def _system(design: Design, day: DayInputs, positions: list[str], beta: Array) -> System:
    return build_system(
        [day],
        positions,
        beta,
        slow_times_s=SLOW_WIND_TIMES_S,
        gust_times_s=_OWN if design.round else GUST_TIMES_S,
        slow_variance=0.0,
    )


def _theta(design: Design, system: System, day: DayInputs, *, drag_in_gusts: bool = True) -> Array:
    """Return the standard deviations of the system's variance components, gusts first."""
    duration = float(day.energies.duration_s.mean())
    speed = float(day.energies.step_speed_m_s.mean())
    area = design.cda_m2 + day.wheel_drag_area_m2
    share = round_share if design.round else leg_mean_share
    gust = design.gust_sd_m_s * _root_share(share, duration, design.gust_time_s)
    slow = design.slow_sd_m_s
    if design.round:
        # Round a loop slow wind nearly cancels; what is left is new in every lap. Its square does
        # not: the change of 3/4 w^2 is felt like a wind along the road of that over 2 v.
        turned = design.slow_sd_m_s * _root_share(round_share, duration, design.slow_time_s)
        gust = float(np.hypot(gust, turned))
        slow *= 0.75 * float(np.hypot(design.wind_m_s, design.slow_sd_m_s)) / speed
    wobble = design.wobble_sd_m2 * np.sqrt(mean_share(duration, design.wobble_time_s))
    watts = design.drivetrain_efficiency * float(np.mean(design.run_powers_w))
    # Work that is wrong by so much is taken for drag: A = 2 P / (rho v^3).
    noise = 2.0 * watts / (design.density_kg_m3 * speed**3) * design.power_noise
    drag = float(np.hypot(wobble, noise / np.sqrt(duration)))
    # Drag area and wind both act on u^2: dA/A has the effect of 2 du/u.
    drag_as_wind = drag * speed / (2.0 * area)
    apart = bool(design.airspeed_noise_m_s) or not drag_in_gusts
    sds = {
        "leg_wind": gust if apart else float(np.hypot(gust, drag_as_wind)),
        "run": design.run_to_run_sd_m2,
        "slow_wind": slow,
        "leg_drag": drag,
    }
    return np.array([sds[name] for name in system.component_names])


def _root_share(
    share: Callable[[float, float], float], duration_s: float, times_s: tuple[float, float]
) -> float:
    """Return the part of a standard deviation that a leg's mean keeps, over unknown times."""
    return float(np.sqrt(np.mean([share(duration_s, t) for t in np.geomspace(*times_s, 9)])))
