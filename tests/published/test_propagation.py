"""Propagation of uncertainty, linear (GUM) and by drawing (JCGM 101), against published examples.

`propagated_covariance` and `summary_of_draws` are what the budget and `--monte-carlo` use.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import t as student

from cda.budget import propagated_covariance, summary_of_draws
from cda.comparison import welch_satterthwaite

# JCGM 100:2008 (GUM) H.1, end gauge of 50 mm: l = l_s + d - l_s (delta_alpha theta + alpha_s
# delta_theta). Nanometres, degrees of freedom; contributions 25, 9.7, 2.9 and 16.6 nm read,
# inputs from memory: alpha_s 11.5e-6/K +- 2e-6 (rectangular), theta -0.1 with 0.41 K,
# delta_alpha +- 1e-6/K and delta_theta +- 0.05 K (rectangular).
STANDARD_NM, COMPARED_NM = 50_000_623.0, 215.0
ALPHA, THETA = 11.5e-6, -0.1
U_STANDARD, U_ALPHA, U_THETA = 25.0, 2e-6 / 3**0.5, 0.41
U_DIFFERENCE = (5.8**2 + 3.9**2 + 6.7**2) ** 0.5
U_DELTA_ALPHA, U_DELTA_THETA = 1e-6 / 3**0.5, 0.05 / 3**0.5


def test_gum_h1_length_budget_adds_up() -> None:
    names = ["standard", "comparator", "alpha", "theta", "delta alpha", "delta theta"]
    # delta_alpha and delta_theta are expected to be 0, so alpha and theta themselves drop out.
    jacobian = np.array([[1.0, 1.0, 0.0, 0.0, -STANDARD_NM * THETA, -STANDARD_NM * ALPHA]])
    u = np.array([U_STANDARD, U_DIFFERENCE, U_ALPHA, U_THETA, U_DELTA_ALPHA, U_DELTA_THETA])
    parts = dict(zip(names, np.abs(jacobian[0]) * u, strict=True))
    assert parts["comparator"] == pytest.approx(9.7, abs=0.05)
    assert parts["delta alpha"] == pytest.approx(2.9, abs=0.05)
    assert parts["delta theta"] == pytest.approx(16.6, abs=0.05)
    variance = propagated_covariance(jacobian, np.diag(u**2))
    assert variance.shape == (1, 1)
    combined = float(variance[0, 0]) ** 0.5
    assert combined == pytest.approx(sum(p**2 for p in parts.values()) ** 0.5, rel=1e-12)
    assert combined == pytest.approx(31.66, abs=0.02)  # GUM prints 32
    dof = welch_satterthwaite(
        [(25.0, 18), (parts["comparator"], 25.6), (parts["delta alpha"], 50),
         (parts["delta theta"], 2)]
    )  # fmt: skip
    assert int(dof) == 16
    assert float(student.ppf(0.995, 16)) * combined == pytest.approx(93.0, abs=0.7)
    assert STANDARD_NM + COMPARED_NM == 50_000_838.0


def test_gum_h1_drawn_holds_the_second_order_terms_that_the_linear_budget_leaves_out() -> None:
    # GUM H.1.7: with second-order terms 34 nm (33.9 computed) instead of 32.
    rng = np.random.default_rng(1)
    m = 400_000
    standard = STANDARD_NM + U_STANDARD * rng.standard_normal(m)
    compared = COMPARED_NM + U_DIFFERENCE * rng.standard_normal(m)
    alpha = ALPHA + U_ALPHA * 3**0.5 * rng.uniform(-1, 1, m)
    theta = THETA + U_THETA * rng.standard_normal(m)
    delta_alpha = U_DELTA_ALPHA * 3**0.5 * rng.uniform(-1, 1, m)
    delta_theta = U_DELTA_THETA * 3**0.5 * rng.uniform(-1, 1, m)
    length = standard + compared - standard * (delta_alpha * theta + alpha * delta_theta)
    mean, sd, _ = summary_of_draws(length[:, None], 0.99)
    assert mean[0] == pytest.approx(50_000_838.0, abs=0.3)  # 33.9/sqrt(400 000) = 0.05
    assert sd[0] == pytest.approx(33.9, abs=0.2)  # sd/sqrt(2 m) = 0.04


# JCGM 100:2008 (GUM) H.2: amplitude V, current I, phase, five simultaneous observations each.
H2 = np.array(
    [
        [5.007, 4.994, 5.005, 4.990, 4.999],
        [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3],
        [1.0456, 1.0438, 1.0468, 1.0428, 1.0433],
    ]
)


def test_gum_h2_resistance_reactance_impedance_and_their_correlations() -> None:
    mean, covariance = H2.mean(axis=1), np.cov(H2) / 5.0
    u = np.sqrt(np.diag(covariance))
    assert mean == pytest.approx([4.9990, 0.019661, 1.04446], abs=5.1e-7)
    assert u == pytest.approx([0.0032094, 9.4710e-6, 0.00075206], rel=1e-4)
    r_in = covariance / np.outer(u, u)
    assert r_in[[0, 0, 1], [1, 2, 2]] == pytest.approx([-0.3553, 0.8576, -0.6451], abs=5.1e-5)
    v, i, phase = mean
    z, cos, sin = v / i, np.cos(phase), np.sin(phase)
    jacobian = np.array(
        [
            [cos / i, -z / i * cos, -z * sin],
            [sin / i, -z / i * sin, z * cos],
            [1.0 / i, -z / i, 0.0],
        ]
    )
    out = propagated_covariance(jacobian, covariance)
    u_out = np.sqrt(np.diag(out))
    assert [z * cos, z * sin, z] == pytest.approx([127.73217, 219.84651, 254.25970], abs=5.1e-6)
    # GUM, table H.4, prints 0.071, 0.295 and 0.236; unrounded inputs make the second 0.2956.
    assert u_out == pytest.approx([0.07107, 0.29558, 0.23634], abs=5.1e-6)
    assert u_out == pytest.approx([0.071, 0.295, 0.236], abs=1e-3)
    r = out / np.outer(u_out, u_out)
    assert r[[0, 0, 1], [1, 2, 2]] == pytest.approx([-0.58843, -0.48526, 0.99251], abs=5.1e-6)
    # GUM prints -0.588, -0.485, 0.993.
    assert r[[0, 0, 1], [1, 2, 2]] == pytest.approx([-0.588, -0.485, 0.993], abs=6e-4)


def test_gum_h2_evaluated_for_every_observation() -> None:
    # Approach 2 of H.2.4: R, X and Z of each set of observations, then means and their s.d.
    v, i, phase = H2
    each = np.array([v / i * np.cos(phase), v / i * np.sin(phase), v / i])
    mean = each.mean(axis=1)
    averaging = np.full((1, 5), 0.2)
    u = [float(propagated_covariance(averaging, np.eye(5) * np.var(e, ddof=1))[0, 0]) for e in each]
    assert mean == pytest.approx([127.73163, 219.84689, 254.26005], abs=5.1e-6)
    assert np.sqrt(u) == pytest.approx([0.07127, 0.29549, 0.23625], abs=5.1e-6)


# JCGM 101:2008, 9.2: Y = X1 + X2 + X3 + X4. One million draws, as the document's tables; the
# end of a 95 % interval is then known to 2.7 u / 1000, the standard uncertainty to u / 1400.
DRAWS = 1_000_000


@pytest.mark.parametrize(
    ("what", "u", "end", "gum_end"),
    [
        ("normal", 2.0, 3.92, 3.92),  # 9.2.2, table 2
        ("rectangular", 2.0, 3.879407, 3.92),  # 9.2.3: prints 3.88; exact from Irwin and Hall
        ("one dominates", 10.149, 17.02, 19.89),  # 9.2.4: half widths 1, 1, 1 and 10 times 3**0.5
    ],
)
def test_jcgm_101_additive_model(what: str, u: float, end: float, gum_end: float) -> None:
    rng = np.random.default_rng(9)
    if what == "normal":
        x = rng.standard_normal((DRAWS, 4))
    else:
        x = rng.uniform(-(3**0.5), 3**0.5, (DRAWS, 4))
    scale = np.array([1.0, 1.0, 1.0, 10.0 if what == "one dominates" else 1.0])
    mean, sd, interval = summary_of_draws((x * scale).sum(axis=1)[:, None], 0.95)
    assert mean[0] == pytest.approx(0.0, abs=4.0 * u / 1000.0)
    assert sd[0] == pytest.approx(u, rel=3e-3)
    assert interval[:, 0] == pytest.approx([-end, end], rel=4e-3)
    # The linear propagation knows the s.d., and takes the distribution for normal.
    linear = float(propagated_covariance(np.ones((1, 4)), np.diag(scale**2))[0, 0]) ** 0.5
    assert linear == pytest.approx(u, rel=1e-3)
    assert 1.959964 * linear == pytest.approx(gum_end, rel=1e-3)


def test_logarithm_of_a_rectangular_input_is_not_where_the_linear_budget_puts_it() -> None:
    # NPL report DEM-ES-011, 9.2: ln x with x uniform on 0.1 to 1.1. Linear: -0.511 with 0.481;
    # true mean -0.66490, standard deviation 0.60623.
    x = np.random.default_rng(2).uniform(0.1, 1.1, DRAWS)
    mean, sd, _ = summary_of_draws(np.log(x)[:, None], 0.95)
    assert mean[0] == pytest.approx(-0.66490, abs=2.5e-3)
    assert sd[0] == pytest.approx(0.60623, abs=2.5e-3)
    linear = float(propagated_covariance(np.array([[1 / 0.6]]), np.array([[1 / 12]]))[0, 0]) ** 0.5
    assert (np.log(0.6), linear) == pytest.approx((-0.511, 0.481), abs=5.1e-4)
