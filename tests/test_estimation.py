"""The claim of the estimate: its stated errors are its errors. And the algebra it rests on."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy.stats import chi2, norm
from scipy.stats import t as student

import cda.estimation.day
from cda.analysis import estimate_cda
from cda.comparison import compare, welch_satterthwaite
from cda.elevation import end_weights
from cda.errors import EstimationError
from cda.estimation import DayInputs, Fit, fit_days
from cda.estimation.fit import PRIORS, SLOW_WIND_TIMES_S
from cda.estimation.model import build_system
from cda.estimation.reml import (
    LogNormalPrior,
    _restricted_slope,
    maximise_restricted_likelihood,
    satterthwaite_from_posterior,
    solve_gls,
    total_covariance,
    variance_posterior,
)
from cda.simulate import simulate_session
from tests.leg_totals import Design, draw_day
from tests.studies.scenarios import SCENARIOS, seed_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

POSITIONS = ("a", "b", "c")
TRUTH = np.array(Design().cda_m2)
SETS, FEW_SETS, SEED = 400, 40, 20_260_411


# -- standardised errors ---------------------------------------------------------------------------


def draw_sets(n: int) -> Iterator[DayInputs]:
    """Draw test days of 3 positions and 4 runs; variance components come from their priors."""
    rng = np.random.default_rng(SEED)
    for _ in range(n):
        sd = {
            name: PRIORS[name].median * np.exp(PRIORS[name].log_sd * rng.standard_normal())
            for name in ("run", "leg_wind", "slow_wind")
        }
        design = Design(
            run_sd_m2=sd["run"],
            # a morning of more wind than this is not ridden; gusts squared are a bias of their own
            leg_wind_sd_m_s=min(sd["leg_wind"], 0.8),
            slow_wind_sd_m_s=min(sd["slow_wind"], 1.0),
        )
        yield draw_day(design, rng)


def fit_sets(n: int) -> list[Fit]:
    start = np.array([*TRUTH, 1.0, 1.5, 0.0045])  # spares the global fit, which has its own test
    return [fit_days([day], POSITIONS, start=start) for day in draw_sets(n)]


def standardised(fits: list[Fit]) -> dict[str, np.ndarray]:
    """Return normal scores of CdA's mean level and of two differences that share nothing."""
    contrasts = {
        "CdA": [1 / 3, 1 / 3, 1 / 3],
        "difference": [-1.0, 1.0, 0.0],
        "third against both": [-0.5, -0.5, 1.0],
    }
    scores: dict[str, list[float]] = {name: [] for name in contrasts}
    for fit in fits:
        for name, weights in contrasts.items():
            contrast = np.array([*weights, 0.0, 0.0, 0.0])
            statistical, dof = fit.replication(contrast)
            other = float(np.sqrt(contrast @ fit.systematic_cov @ contrast))
            t = float(contrast @ fit.beta - contrast[:3] @ TRUTH) / np.hypot(statistical, other)
            both = welch_satterthwaite([(statistical, dof), (other, None)])
            scores[name].append(float(norm.ppf(student.cdf(t, both))))
    return {name: np.array(z) for name, z in scores.items()}


def outside_band(scores: dict[str, np.ndarray], band: float = 0.001) -> list[str]:
    """Return what lies outside the two-sided chi-square band: CdA, and both differences."""
    groups = {
        "CdA": scores["CdA"],
        "differences": np.concatenate([scores["difference"], scores["third against both"]]),
    }
    found = []
    for name, z in groups.items():
        total = float((z**2).sum())
        low, high = chi2.ppf([band / 2, 1 - band / 2], len(z))
        if not low <= total <= high:
            found.append(
                f"{name}: {total / len(z):.3f} not in {low / len(z):.3f}..{high / len(z):.3f}"
            )
    return found


@pytest.fixture(scope="module")
def fits() -> list[Fit]:
    return fit_sets(SETS)


def test_errors_are_as_large_as_stated(fits: list[Fit]) -> None:
    scores = standardised(fits)
    assert outside_band(scores) == []
    for name, z in scores.items():
        assert abs(z.mean()) < 3.3 / np.sqrt(len(z)), f"{name} is biased"
        covered = np.mean(np.abs(z) < norm.ppf(0.975))
        assert 0.915 < covered < 0.98, f"{name}: {covered}"


def test_standard_errors_too_small_by_15_percent_are_caught(
    fits: list[Fit], monkeypatch: pytest.MonkeyPatch
) -> None:
    honest = Fit.replication
    systematic = Fit.systematic_cov.fget
    assert systematic is not None

    def smaller(self: Fit, contrast: np.ndarray) -> tuple[float, float]:
        se, dof = honest(self, contrast)
        return 0.85 * se, dof

    monkeypatch.setattr(Fit, "replication", smaller)
    monkeypatch.setattr(Fit, "systematic_cov", property(lambda self: 0.85**2 * systematic(self)))
    caught = outside_band(standardised(fits))
    assert any(line.startswith("CdA") for line in caught), caught
    assert any(line.startswith("differences") for line in caught), caught


def test_crosswind_left_out_is_caught(monkeypatch: pytest.MonkeyPatch) -> None:
    honest = cda.estimation.day.air_path_integrals
    monkeypatch.setattr(
        cda.estimation.day,
        "air_path_integrals",
        lambda energies, headwind, crosswind, scale: honest(energies, headwind, 0.0, scale),
    )
    assert outside_band(standardised(fit_sets(FEW_SETS)))


def test_turned_wind_sign_is_caught(monkeypatch: pytest.MonkeyPatch) -> None:
    honest = cda.estimation.day.air_path_integrals
    monkeypatch.setattr(
        cda.estimation.day,
        "air_path_integrals",
        lambda energies, headwind, crosswind, scale: honest(energies, -headwind, crosswind, scale),
    )
    try:
        scores = standardised(fit_sets(FEW_SETS))
    except EstimationError:
        return  # refused: caught as well
    assert outside_band(scores)


# -- what the model is made of ---------------------------------------------------------------------


def test_slow_wind_fades_with_time_turns_with_the_leg_and_ends_with_the_day() -> None:
    rng = np.random.default_rng(1)
    days = [draw_day(Design(), rng, key=key) for key in ("s1", "s2")]
    beta = np.array([*TRUTH, 1.0, 1.5, 0.0045, 1.0, 1.5, 0.0045])
    system = build_system(days, POSITIONS, beta, slow_times_s=SLOW_WIND_TIMES_S, slow_variance=0.0)
    slow = system.components[system.component_names.index("slow_wind")]
    gusts = system.components[system.component_names.index("leg_wind")]
    e, n = days[0].energies, len(days[0].run)
    # By brute force: weighted means over legs of a process with each correlation time.
    at = (np.arange(200) + 0.5) / 200
    weight, duration = end_weights(at)[0] / 200, round(e.duration_s.mean())

    def means(i: int, j: int, times: Sequence[float]) -> float:
        lag = np.abs(np.subtract.outer(duration * at + e.start_s[i], duration * at + e.start_s[j]))
        sign = float(e.direction[i] * e.direction[j])
        return sign * float(np.mean([weight @ np.exp(-lag / t) @ weight for t in times]))

    for i, j in ((0, 0), (0, 1), (2, 9), (4, 6)):
        assert slow[i, j] == pytest.approx(means(i, j, SLOW_WIND_TIMES_S), rel=1e-4)
    short = np.geomspace(8.0, 60.0, 5)[1::2]
    assert gusts[0, 0] == pytest.approx(1.0)  # gusts are told by what is left of them over a leg
    expected = means(2, 3, short) / means(2, 2, short)
    assert -0.3 < expected < -0.02
    assert gusts[2, 3] == pytest.approx(expected, rel=2e-3)
    assert not gusts[:n, n : 2 * n].any()
    assert not slow[:n, n : 2 * n].any()
    assert not slow[2 * n :].any()  # beliefs are not blown about


def test_drift_is_nothing_at_the_first_leg_and_as_declared_an_hour_on() -> None:
    rng = np.random.default_rng(2)
    day = draw_day(Design(order=(0, 1, 2) * 16), rng)
    beta = np.array([*TRUTH, 1.0, 1.5, 0.0045])
    system = build_system([day], POSITIONS, beta, slow_times_s=(900.0,), slow_variance=0.0)
    zero = system.fixed[system.fixed_names.index("power zero drift")][
        : len(day.run), : len(day.run)
    ]
    per_watt = system.equations[0].offset_w
    drift = zero / np.outer(per_watt, per_watt)  # [W^2]
    span = (day.energies.start_s[-1] - day.energies.start_s[0]) / 3600.0
    assert span > 1.0
    assert drift[0] == pytest.approx(0.0)  # the meter was zeroed just before
    # 1 W/h declared; 0.8 of an hour's variance is a straight line, the rest a random walk
    assert drift[-1, -1] == pytest.approx(0.8 * span**2 + 0.2 * span, rel=1e-6)
    half = len(drift) // 2
    there = (day.energies.start_s[half] - day.energies.start_s[0]) / 3600.0
    assert drift[half, -1] == pytest.approx(0.8 * span * there + 0.2 * there, rel=1e-6)


def test_the_regressors_say_what_moves_the_residual_also_with_airspeed_in_gusts() -> None:
    # A gain that the residual does not follow makes the stated error too small by that factor.
    rng = np.random.default_rng(3)
    design = Design(airspeed=True, leg_wind_sd_m_s=1.0, slow_wind_sd_m_s=0.42, run_sd_m2=0.0004)
    for _ in range(3):
        day = draw_day(design, rng)
        fit = fit_days([day], POSITIONS)
        gain, x = fit.posterior.gain(), fit.system.x
        jacobian = np.empty_like(x)
        for k in range(x.shape[1]):
            y = []
            for step in (1e-5, -1e-5):
                moved = fit.beta.copy()
                moved[k] += step
                y.append(
                    build_system(
                        [day],
                        POSITIONS,
                        moved,
                        slow_times_s=SLOW_WIND_TIMES_S,
                        slow_variance=fit.slow_variance,
                    ).y
                )
            jacobian[:, k] = (y[1] - y[0]) / 2e-5
        left = np.abs(np.linalg.eigvals(np.eye(x.shape[1]) - gain @ jacobian)).max()
        assert left < 0.3


def test_the_same_bicycle_has_the_same_rolling_resistance_error_on_both_days() -> None:
    rng = np.random.default_rng(4)
    pooled = {}
    for same in (True, False):
        days = [
            draw_day(
                Design(),
                np.random.default_rng(5 + k),
                key=f"s{k}",
                instrument={"rolling_resistance": "bike" if same else f"bike {k}"},
            )
            for k in (1, 2)
        ]
        fit = fit_days(days, POSITIONS)
        pooled[same] = float(np.sqrt(fit.source_cov["rolling resistance"][0, 0]))
    single = fit_days([draw_day(Design(), rng)], POSITIONS)
    alone = float(np.sqrt(single.source_cov["rolling resistance"][0, 0]))
    assert pooled[True] == pytest.approx(alone, rel=0.1)
    assert pooled[False] == pytest.approx(alone / np.sqrt(2.0), rel=0.1)


def test_a_windy_day_does_not_blur_the_calm_one_nor_borrow_its_precision() -> None:
    rng = np.random.default_rng(10)
    calm = Design(order=(0, 1, 1, 0, 0, 1, 1, 0), leg_wind_sd_m_s=0.06, slow_wind_sd_m_s=0.1)
    windy = Design(order=(0, 2, 2, 0, 0, 2, 2, 0), leg_wind_sd_m_s=0.6, slow_wind_sd_m_s=0.6)
    days = [draw_day(calm, rng, key="s1"), draw_day(windy, rng, key="s2")]
    fit = fit_days(days, POSITIONS)
    se = [
        fit.replication(np.array([*weights, *np.zeros(6)]))[0]
        for weights in ((-1.0, 1.0, 0.0), (-1.0, 0.0, 1.0))
    ]
    assert se[0] < 0.0065  # its own day alone: 0.003, and 0.003 for another day of each position
    assert se[1] > 1.6 * se[0]


def test_a_single_position_and_a_single_run() -> None:
    design = Design(order=(0,), cda_m2=(0.28,))
    fit = fit_days([draw_day(design, np.random.default_rng(6))], ("a",))
    assert np.isfinite(fit.beta).all()
    assert compare(fit, ("a",), "a", 0.95, [1]) == ()
    se, dof = fit.replication(np.array([1.0, 0.0, 0.0, 0.0]))
    assert se > 0.004  # one taking of a position, two legs: nothing to average
    assert dof >= 1.0


def test_neither_altimeter_nor_wind_reading_still_settles() -> None:
    # Height and wind then look alike: plain steps overshoot to and fro for ever.
    for seed in (0, 6, 7):
        day = draw_day(Design(wind_m_s=1.0), np.random.default_rng(seed))
        bare = replace(
            day,
            height_difference_m=None,
            height_difference_sd_m=30.0,
            headwind_m_s=None,
            headwind_sd_m_s=5.0,
        )
        fit = fit_days([bare], POSITIONS)
        difference = np.array([-1.0, 1.0, 0.0, 0.0, 0.0, 0.0])
        error = float(difference @ fit.beta) - (TRUTH[1] - TRUTH[0])
        assert abs(error) < 4.0 * np.sqrt(difference @ fit.covariance @ difference)


def test_nonsense_is_refused_and_not_computed_on() -> None:
    day = draw_day(Design(), np.random.default_rng(7))
    wrong = replace(day, energies=replace(day.energies, work_j=-day.energies.work_j))
    with pytest.raises(EstimationError, match=r"out of this world|no drag to be measured"):
        fit_days([wrong], POSITIONS, start=np.array([*TRUTH, 1.0, 1.5, 0.0045]))


# -- restricted likelihood -------------------------------------------------------------------------


def balanced(groups: np.ndarray) -> tuple[np.ndarray, np.ndarray, list[np.ndarray]]:
    n_groups, n_each = groups.shape
    blocks = np.kron(np.eye(n_groups), np.ones((n_each, n_each)))
    return groups.ravel(), np.ones((groups.size, 1)), [blocks, np.eye(groups.size)]


@pytest.mark.parametrize("seed", range(6))
def test_balanced_layout_agrees_with_the_analysis_of_variance(seed: int) -> None:
    # Closed form of REML for one-way balanced data (Searle, Casella & McCulloch 1992, Variance
    # Components, 3.8): within = MSE; between = (MSA - MSE) / n, or 0 and the pooled mean square.
    rng = np.random.default_rng(seed)
    between_sd = 0.0 if seed == 0 else 1.5
    groups = rng.normal(0.0, between_sd, (5, 1)) + rng.standard_normal((5, 4)) + 3.0
    a, n = groups.shape
    means = groups.mean(axis=1)
    ss_between = n * ((means - groups.mean()) ** 2).sum()
    ss_within = ((groups - means[:, None]) ** 2).sum()
    msa, mse = ss_between / (a - 1), ss_within / (a * (n - 1))
    if msa < mse:
        expected = (0.0, (ss_between + ss_within) / (a * n - 1))
    else:
        expected = ((msa - mse) / n, mse)
    y, x, components = balanced(groups)
    theta, _ = maximise_restricted_likelihood(y, x, components, start=np.ones(2))
    assert theta**2 == pytest.approx(expected, rel=1e-4, abs=1e-6)
    covariance = total_covariance(theta, components, 0.0)
    solution = solve_gls(y, x, covariance)
    assert solution.beta[0] == pytest.approx(groups.mean(), rel=1e-10)
    variance = (solution.gain @ covariance @ solution.gain.T)[0, 0]
    assert variance == pytest.approx((n * expected[0] + expected[1]) / (a * n), rel=1e-4)


def test_search_of_variances_that_steps_out_of_this_world_comes_back() -> None:
    """One ride of 32 000 sent the line search where exp overflows, and the fit with it."""
    name = "breeze, gusts of 8 s"
    ride = simulate_session(SCENARIOS[name], seed_of(name, 678))
    estimate = estimate_cda(ride.session)
    for position in estimate.positions:
        error = position.cda_m2 - ride.truth["cda_m2"][position.id]
        assert 0.001 < position.se_m2 < 0.02
        assert abs(error) < 4.0 * position.se_m2


def test_slope_of_the_restricted_likelihood() -> None:
    rng = np.random.default_rng(8)
    y, x, components = balanced(rng.normal(0.0, 1.5, (5, 1)) + rng.standard_normal((5, 4)))
    x = np.column_stack([x, rng.standard_normal(len(y))])
    fixed = 0.1 * np.eye(len(y))
    log_theta = np.log([0.8, 1.1])

    def likelihood(at: np.ndarray) -> float:
        return solve_gls(y, x, total_covariance(np.exp(at), components, fixed)).loglik

    slope = _restricted_slope(y, x, np.exp(log_theta), components, fixed)
    for i in range(2):
        step = np.eye(2)[i] * 1e-5
        difference = (likelihood(log_theta + step) - likelihood(log_theta - step)) / 2e-5
        assert slope[i] == pytest.approx(difference, rel=1e-6)


def test_a_mean_of_independent_readings_gets_student_s_interval() -> None:
    # With next to no prior the posterior of one variance is scaled inverse chi-square:
    # se s/sqrt(n), n - 1 degrees of freedom.
    n = 9
    y = np.random.default_rng(9).normal(2.0, 0.7, n)
    x, component = np.ones((n, 1)), np.eye(n)
    posterior = variance_posterior(y, x, [component], [LogNormalPrior(median=0.7, log_sd=20.0)])
    assert posterior.weight.sum() == pytest.approx(1.0)
    assert posterior.mean()[0] == pytest.approx(y.mean())
    assert posterior.gain()[0] == pytest.approx(np.full(n, 1.0 / n))
    for theta, solution in zip(posterior.theta, posterior.solutions, strict=True):
        one = solve_gls(y, x, total_covariance(theta, [component], 0.0))
        assert solution.loglik == pytest.approx(one.loglik, rel=1e-10)
        assert solution.gain == pytest.approx(one.gain, rel=1e-10)
    variance = posterior.theta[:, 0] ** 2 / n
    se, dof = satterthwaite_from_posterior(variance, posterior.weight)
    assert se == pytest.approx(np.std(y, ddof=1) / np.sqrt(n), rel=0.02)
    assert dof == pytest.approx(n - 1, rel=0.15)


@pytest.mark.parametrize(("dof", "scale"), [(4.0, 0.003), (12.0, 1.0), (60.0, 20.0)])
def test_satterthwaite_finds_the_inverse_chi_square_again(dof: float, scale: float) -> None:
    shares = (np.arange(200_000) + 0.5) / 200_000
    variance = dof * scale**2 / chi2.ppf(shares, dof)
    se, found = satterthwaite_from_posterior(variance, np.full(len(shares), 1 / len(shares)))
    assert se == pytest.approx(scale, rel=1e-3)
    assert found == pytest.approx(dof, rel=0.02)


def test_a_variance_known_exactly_has_no_lack_of_degrees_of_freedom() -> None:
    se, dof = satterthwaite_from_posterior(np.full(3, 4.0), np.full(3, 1 / 3))
    assert (se, dof) == (pytest.approx(2.0), 1000.0)
