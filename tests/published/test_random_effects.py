"""Variance between runs by restricted maximum likelihood against published analyses."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import scipy.stats

from cda.comparison import welch_satterthwaite
from cda.estimation.reml import maximise_restricted_likelihood, solve_gls, total_covariance

NIST = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_anova"


class Answer:
    """Balanced one-way layout: variances, mean, its se, -2 log restricted likelihood."""

    def __init__(self, groups: np.ndarray, unit: float = 1.0) -> None:
        n_groups, n_each = groups.shape
        # The tool's own numbers are near 1; a data set far from that is counted in its own unit.
        y = groups.ravel() / unit
        x = np.ones((y.size, 1))
        block = np.kron(np.eye(n_groups), np.ones((n_each, n_each)))
        components = [block, np.eye(y.size)]
        start = np.full(2, float(np.std(y)))
        theta, _ = maximise_restricted_likelihood(y, x, components, start=start)
        covariance = total_covariance(theta, components, 0.0)
        solution = solve_gls(y, x, covariance)
        self.between, self.within = theta**2 * unit**2
        self.mean = float(solution.beta[0]) * unit
        self.se = float((solution.gain @ covariance @ solution.gain.T)[0, 0]) ** 0.5 * unit
        self.criterion = -2.0 * solution.loglik + (y.size - 1) * np.log(2.0 * np.pi * unit**2)


def test_nist_sematech_handbook_7_4_4() -> None:
    # NIST/SEMATECH e-Handbook of Statistical Methods, 7.4.4 (and prc section 4): printed
    # components 11.71 and 1.80 from mean squares 36.935 and 1.799; exact 11.7111 and 1.8.
    batches = np.array([[74, 76, 75], [68, 71, 72], [75, 77, 77], [72, 74, 73], [79, 81, 79.0]])
    answer = Answer(batches)
    assert answer.between == pytest.approx(11.7111, rel=1e-4)
    assert answer.within == pytest.approx(1.8, rel=1e-4)
    assert answer.between == pytest.approx(11.71, abs=0.01)  # as printed
    assert answer.mean == pytest.approx(74.8667, abs=5.1e-5)
    assert answer.se == pytest.approx(1.5691, rel=1e-4)


DYESTUFF = np.array(
    [
        (1545, 1440, 1440, 1520, 1580),
        (1540, 1555, 1490, 1560, 1495),
        (1595, 1550, 1605, 1510, 1560),
        (1445, 1440, 1595, 1465, 1545),
        (1595, 1630, 1515, 1635, 1625),
        (1520, 1455, 1450, 1480, 1445),
    ],
    dtype=float,
)


def test_dyestuff() -> None:
    # O. L. Davies, P. L. Goldsmith, Statistical Methods in Research and Production, 4th ed. 1972,
    # table 6.3; data and maximum-likelihood values read in lecture notes by D. Bates (2014), REML
    # values computed: for balanced data they are those of the analysis of variance.
    answer = Answer(DYESTUFF, unit=50.0)
    assert answer.between == pytest.approx(1764.05, rel=1e-4)
    assert answer.within == pytest.approx(2451.25, rel=1e-4)
    assert answer.mean == pytest.approx(1527.5, abs=1e-6)
    assert answer.se == pytest.approx(19.3834, rel=1e-4)
    assert answer.criterion == pytest.approx(319.654, abs=5.1e-4)


# G. E. P. Box, G. C. Tiao, Bayesian Inference in Statistical Analysis, 1973, table 5.1.4 (as
# "Dyestuff2" in lme4); data from memory, which the published mean and residual variance confirm.
DYESTUFF2 = np.array(
    [
        (7.298, 3.846, 2.434, 9.566, 7.990),
        (5.220, 6.556, 0.608, 11.788, -0.892),
        (0.110, 10.386, 13.434, 5.510, 8.166),
        (2.212, 4.852, 7.092, 9.288, 4.980),
        (0.282, 9.014, 4.458, 9.446, 7.198),
        (1.722, 4.782, 8.106, 0.758, 3.758),
    ]
)


def test_dyestuff2_ends_on_the_boundary() -> None:
    answer = Answer(DYESTUFF2)
    assert answer.between == 0.0
    # Published by maximum likelihood: residual 13.346099, mean 5.6656; on the boundary restricted
    # likelihood divides the same sum of squares by 29 instead of 30.
    assert answer.within == pytest.approx(13.346099 * 30.0 / 29.0, rel=1e-5)
    assert answer.mean == pytest.approx(5.6656, abs=5.1e-5)


def nist_groups(name: str) -> np.ndarray:
    lines = (NIST / f"{name}.dat").read_text().splitlines()[60:]
    table = np.array([[float(v) for v in line.split()] for line in lines if line.strip()])
    return np.array([table[table[:, 0] == g, 1] for g in np.unique(table[:, 0])])


def test_sirstv_of_nist_strd() -> None:
    # Certified mean squares 1.27865654e-2 and 1.08318280e-2 (5 instruments x 5); from them
    # s_between 0.0197724 and u(mean) 0.0226155, computed.
    answer = Answer(nist_groups("SiRstv"))
    assert answer.within == pytest.approx(1.08318280e-2, rel=1e-4)
    assert answer.between**0.5 == pytest.approx(0.0197724, rel=1e-3)
    assert answer.se == pytest.approx(0.0226155, rel=1e-4)


def test_atmwtag_of_nist_strd_keeps_its_digits() -> None:
    # Certified mean squares 3.63834187500e-9 and 2.28155932971e-10 (2 x 24): seven constant
    # leading digits.
    # The tool fits what is left after its last step, so the leading digits are taken off first; in
    # double precision that is exact.
    answer = Answer(nist_groups("AtmWtAg") - 107.868, unit=1e-5)
    between = (3.638341875e-9 - 2.28155932971014e-10) / 24.0
    assert answer.within == pytest.approx(2.28155932971014e-10, rel=1e-3)
    assert answer.between == pytest.approx(between, rel=1e-3)


# JCGM 100:2008 (GUM) H.5: ten days, five readings each; day means above 10 V and their
# experimental standard deviations [uV].
H5_MEAN_UV = np.array([172, 116, 13, 144, 106, 31, 60, 125, 163, 41.0])
H5_S_UV = np.array([60, 77, 111, 101, 67, 93, 80, 73, 88, 86.0])


def test_gum_h5_between_days() -> None:
    # Balanced layouts depend on the readings through day means and s.d.s alone, so five readings
    # with the printed mean and s.d. stand for those not printed.
    pattern = np.array([-2.0, -1.0, 0.0, 1.0, 2.0]) / np.sqrt(2.5)
    readings = H5_MEAN_UV[:, None] + H5_S_UV[:, None] * pattern
    answer = Answer(readings, unit=100.0)
    assert answer.mean == pytest.approx(97.1, abs=1e-4)
    assert answer.between**0.5 == pytest.approx(42.64, abs=0.01)  # computed
    assert answer.within**0.5 == pytest.approx(84.89, abs=0.01)  # GUM prints 85
    assert answer.se == pytest.approx(18.05, abs=0.01)  # GUM: 57 / sqrt(10) = 18
    f = (answer.within + 5.0 * answer.between) / answer.within
    assert f == pytest.approx(2.2615, abs=2e-3)  # GUM 2.25, with its rounded 57 and 85


def test_gum_h5_from_day_means_with_the_reading_noise_known() -> None:
    # The same through the `fixed` covariance: within-day noise of a mean given, days estimated.
    noise = np.mean(H5_S_UV**2) / 5.0 / 100.0**2
    theta, _ = maximise_restricted_likelihood(
        H5_MEAN_UV / 100.0,
        np.ones((10, 1)),
        [np.eye(10)],
        fixed=noise * np.eye(10),
        start=np.array([0.5]),
    )
    assert theta[0] * 100.0 == pytest.approx(42.64, abs=0.01)


@pytest.mark.parametrize(
    ("parts", "u", "dof"),
    [
        # GUM H.1, end gauge [nm]; 9.7 with 25.6 degrees of freedom is the comparator: GUM prints
        # u_c = 32 and nu_eff = 16 (16.75 cut).
        ([(25.0, 18), (9.7, 25.6), (2.9, 50), (16.6, 2)], 31.66, 16.75),
        # Its comparator: 5.8 (24), 3.9 (5), 6.7 (8) make 9.7; GUM prints 25.6 (unrounded 25.45).
        ([(5.8, 24), (3.9, 5), (6.7, 8)], 9.682, 25.45),
        # GUM G.4: relative 0.25 % (9), 0.57 % (4), 0.82 % (14): 1.03 %, 19.0 (inputs from memory).
        ([(0.25, 9), (0.57, 4), (0.82, 14)], 1.0295, 18.9987),
        # One part with 9 degrees of freedom, one taken as known: 12.8.
        ([(0.57, 9), (0.25, None)], 0.6224, 12.8),
        # GUM H.3 with a common u of 0.005 known exactly: intercept 0.0057689, 145.4.
        ([(0.0028776, 9), (0.005, None)], 0.0057689, 145.4),
    ],
)
def test_welch_satterthwaite(parts: list[tuple[float, float | None]], u: float, dof: float) -> None:
    assert sum(p**2 for p, _ in parts) ** 0.5 == pytest.approx(u, rel=5e-4)
    assert welch_satterthwaite(parts) == pytest.approx(dof, rel=4e-3)  # three printed digits


def test_gum_h1_expanded_uncertainty() -> None:
    # U99 = t99(16) 32 = 93 nm (printed figure from memory), t99(16) = 2.92.
    parts = [(25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0)]
    dof = int(welch_satterthwaite(parts))
    assert dof == 16
    t = float(scipy.stats.t.ppf(0.995, dof))
    assert t == pytest.approx(2.9208, abs=5e-5)
    assert t * sum(p**2 for p, _ in parts) ** 0.5 == pytest.approx(93.0, abs=0.7)
