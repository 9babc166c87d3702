"""Differences: intervals, families of comparisons, degrees of freedom, what more runs would buy."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from scipy import stats

from cda.comparison import compare, pairs, welch_satterthwaite
from cda.results import Difference

IDS = ("a", "b", "c", "d")


@dataclass(frozen=True, kw_only=True)
class KnownFit:
    """A posterior with known covariances, in place of a fitted one."""

    beta: np.ndarray
    replication_cov: np.ndarray
    systematic_cov: np.ndarray
    dof: float
    names: tuple[str, ...] = IDS

    @property
    def covariance(self) -> np.ndarray:
        return self.replication_cov + self.systematic_cov

    def replication(self, contrast: np.ndarray) -> tuple[float, float]:
        return math.sqrt(contrast @ self.replication_cov @ contrast), self.dof


def known(
    values: tuple[float, ...] = (0.280, 0.272, 0.276, 0.284), sd: float = 0.002, dof: float = 12.0
) -> Any:
    common = np.full((4, 4), 0.004**2)  # an error that moves all positions together
    return KnownFit(
        beta=np.array(values), replication_cov=sd**2 * np.eye(4), systematic_cov=common, dof=dof
    )


def differences(fit: Any, level: float = 0.95, n_runs: int = 6) -> tuple[Difference, ...]:
    return compare(fit, IDS, "a", level, [n_runs] * 4)


# --- effective degrees of freedom


def test_welch_satterthwaite_of_gum_g4() -> None:
    # JCGM 100:2008, G.4.1 example (value from memory): relative u of 0.25 %, 0.57 %, 0.82 % with
    # 9, 4 and 14 degrees of freedom: 1.0295 % and 19.0.
    assert welch_satterthwaite([(0.25, 9.0), (0.57, 4.0), (0.82, 14.0)]) == pytest.approx(
        19.0, abs=0.05
    )


def test_welch_satterthwaite_of_gum_h1() -> None:
    # JCGM 100:2008, H.1: u_c = 32 nm and 16 degrees of freedom (table H.1 components).
    parts = [(25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0)]
    assert math.sqrt(sum(u * u for u, _ in parts)) == pytest.approx(31.7, abs=0.1)
    assert math.floor(welch_satterthwaite(parts)) == 16


def test_an_exactly_known_input_adds_no_doubt_about_the_uncertainty() -> None:
    # 0.57 with 9 degrees of freedom and 0.25 exactly known: 9 ((0.57² + 0.25²)/0.57²)² = 12.8
    assert welch_satterthwaite([(0.57, 9.0), (0.25, None)]) == pytest.approx(12.8, abs=0.05)
    assert welch_satterthwaite([(0.57, 9.0), (0.0, None)]) == pytest.approx(9.0)
    assert welch_satterthwaite([(0.57, None)]) == 1e5


# --- pairs


def test_every_pair_once_later_minus_earlier_the_reference_first() -> None:
    assert pairs(("a", "b", "c"), "a") == [("b", "a"), ("c", "a"), ("c", "b")]
    assert pairs(("a", "b", "c", "d"), "b") == [
        ("a", "b"), ("c", "b"), ("d", "b"), ("c", "a"), ("d", "a"), ("d", "c"),
    ]  # fmt: skip
    assert len(pairs(tuple("abcdefgh"), "c")) == 28


# --- one comparison


def test_what_is_common_cancels_in_a_difference() -> None:
    for d in differences(known()):
        assert d.se_m2 == pytest.approx(0.002 * math.sqrt(2.0))
        assert d.systematic_se_m2 == pytest.approx(0.0, abs=1e-12)
        assert d.dof == pytest.approx(12.0)


def test_an_interval_is_student_s_and_resolved_means_zero_is_outside() -> None:
    fit = known()
    for level in (0.8, 0.95):
        for d in differences(fit, level):
            value = fit.beta[IDS.index(d.position)] - fit.beta[IDS.index(d.reference)]
            half = stats.t.ppf(0.5 + level / 2, 12.0) * d.se_m2
            assert d.delta_cda_m2 == pytest.approx(value)
            np.testing.assert_allclose(d.interval_m2, (value - half, value + half))
            assert d.resolved == (abs(value) > half)
    low = differences(fit)[0]
    assert low.resolved
    assert "lower drag" in low.verdict
    unresolved = next(d for d in differences(fit) if not d.resolved)
    assert unresolved.verdict.startswith("not resolved")


def test_the_probability_of_less_drag_is_a_tail_of_t() -> None:
    d = differences(known())[0]
    assert d.probability_lower_drag == pytest.approx(stats.t.cdf(0.008 / d.se_m2, 12.0))
    even = differences(known((0.28, 0.28, 0.28, 0.28)))[0]
    assert even.probability_lower_drag == 0.5


def test_the_smallest_resolvable_difference_has_power_80_percent() -> None:
    # (t at 0.975 + t at 0.80) se: 2.1788 + 0.8726 at 12 degrees of freedom (printed t tables)
    d = differences(known())[0]
    assert d.smallest_resolvable_m2 == pytest.approx((2.1788 + 0.8726) * d.se_m2, rel=1e-4)


# --- all comparisons together


def test_the_simultaneous_interval_is_tukey_s_for_balanced_positions() -> None:
    # All pairs of 4 positions with equal, independent errors: the largest |t| is the studentized
    # range over sqrt(2). 2 % for 20 000 draws.
    for d in differences(known()):
        half = 0.5 * (d.simultaneous_interval_m2[1] - d.simultaneous_interval_m2[0])
        exact = stats.studentized_range.ppf(0.95, 4, 12.0) / math.sqrt(2.0)
        assert half / d.se_m2 == pytest.approx(exact, rel=0.02)
        assert half > 0.5 * (d.interval_m2[1] - d.interval_m2[0])


def test_the_adjusted_p_is_tukey_s_and_never_below_the_single_one() -> None:
    for d in differences(known()):
        t = abs(d.delta_cda_m2) / d.se_m2
        exact = stats.studentized_range.sf(t * math.sqrt(2.0), 4, 12.0)
        assert d.adjusted_p == pytest.approx(exact, abs=0.01)
        assert d.adjusted_p >= 2.0 * stats.t.sf(t, 12.0)


def test_in_a_family_every_difference_keeps_its_own_degrees_of_freedom() -> None:
    class Uneven(KnownFit):
        def replication(self, contrast: np.ndarray) -> tuple[float, float]:
            se, _ = super().replication(contrast)
            return se, 40.0 if contrast[3] == 0.0 else 3.0  # "d" was ridden too seldom

    even = known()
    fit: Any = Uneven(
        beta=even.beta, replication_cov=even.replication_cov,
        systematic_cov=even.systematic_cov, dof=12.0,
    )  # fmt: skip
    share = []
    for d in differences(fit):
        assert d.adjustment == "single-step max-t, 6 comparisons"
        half = 0.5 * (d.simultaneous_interval_m2[1] - d.simultaneous_interval_m2[0])
        share.append(2.0 * stats.t.sf(half / d.se_m2, d.dof))
    assert np.ptp(share) < 1e-6  # one level for each, whatever its degrees of freedom
    # Dearer than Tukey's for well known differences, cheaper than Bonferroni.
    tukey = stats.studentized_range.ppf(0.95, 4, 40.0) / math.sqrt(2.0)
    assert 0.05 / 6 < share[0] < 2.0 * stats.t.sf(0.97 * tukey, 40.0)


def test_one_comparison_is_a_family_of_one() -> None:
    fit = KnownFit(
        beta=np.array([0.28, 0.274]), replication_cov=4e-6 * np.eye(2),
        systematic_cov=np.zeros((2, 2)), dof=8.0, names=("a", "b"),
    )  # fmt: skip
    (d,) = compare(fit, ("a", "b"), "a", 0.95, [3, 3])  # type: ignore[arg-type]
    single = d.interval_m2[1] - d.interval_m2[0]
    family = d.simultaneous_interval_m2[1] - d.simultaneous_interval_m2[0]
    assert family == pytest.approx(single, rel=0.03)
    assert family >= single


def test_probabilities_of_being_best_add_up_to_one_and_follow_the_normal() -> None:
    best = {d.position: d.probability_best for d in differences(known())}
    # against the reference every other position is listed; the rest is the reference's own
    total = sum(best[p] or 0.0 for p in "bcd")
    assert 0.9 < total <= 1.0
    fit = KnownFit(
        beta=np.array([0.28, 0.277]), replication_cov=4e-6 * np.eye(2),
        systematic_cov=1.6e-5 * np.ones((2, 2)), dof=1000.0, names=("a", "b"),
    )  # fmt: skip
    (d,) = compare(fit, ("a", "b"), "a", 0.95, [3, 3])  # type: ignore[arg-type]
    wanted = stats.norm.cdf(0.003 / (0.002 * math.sqrt(2.0)))
    assert d.probability_best == pytest.approx(wanted, abs=0.01)


def test_few_degrees_of_freedom_leave_more_room_for_the_other_to_be_best() -> None:
    fit = KnownFit(
        beta=np.array([0.28, 0.277]), replication_cov=4e-6 * np.eye(2),
        systematic_cov=1.6e-5 * np.ones((2, 2)), dof=3.0, names=("a", "b"),
    )  # fmt: skip
    (d,) = compare(fit, ("a", "b"), "a", 0.95, [3, 3])  # type: ignore[arg-type]
    wanted = stats.t.cdf(0.003 / (0.002 * math.sqrt(2.0)), 3.0)
    assert d.probability_best == pytest.approx(wanted, abs=0.01)  # the normal says 0.04 more
    assert d.probability_best == pytest.approx(d.probability_lower_drag, abs=0.01)


def test_the_same_input_gives_the_same_digits() -> None:
    assert differences(known()) == differences(known())


# --- more runs


def test_more_runs_fall_with_the_square_of_the_difference_and_stop_at_the_systematic_part() -> None:
    wide = differences(known(sd=0.004))[0].more_runs
    assert wide is not None
    for power, z in (("80", 0.8416), ("90", 1.2816)):
        # have * 1.15 * (se (z975 + z))² / delta², rounded up
        exact = 6 * 1.15 * (0.004 * math.sqrt(2.0) * (1.95996 + z) / 0.008) ** 2
        assert wide[f"runs_each_for_{power}_percent_power"] == math.ceil(exact)
    none = KnownFit(
        beta=np.array([0.28, 0.2795]), replication_cov=4e-6 * np.eye(2),
        systematic_cov=1e-6 * np.eye(2), dof=8.0, names=("a", "b"),
    )  # fmt: skip
    (d,) = compare(none, ("a", "b"), "a", 0.95, [3, 3])  # type: ignore[arg-type]
    assert d.more_runs is not None
    assert set(d.more_runs.values()) == {None}  # no number of runs shows 0.0005 m²
