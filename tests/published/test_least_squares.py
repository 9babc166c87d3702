"""The tool's least-squares step against certified and published fits, standard errors too.

`solve_gls` is the linear algebra of every estimate; for a model that is not linear the tool
repeats it on the linearised model (Gauss-Newton), as is done here.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import scipy.stats

from cda.estimation.reml import solve_gls

NIST = Path(scipy.stats.__file__).parent / "tests" / "data"
Function = Callable[[np.ndarray, np.ndarray], np.ndarray]


def least_squares(y: np.ndarray, x: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
    """Fit with unit weights; estimates, covariance with the residual variance, residual s.d."""
    solution = solve_gls(y, x, np.eye(len(y)))
    residual = y - x @ solution.beta
    s2 = float(residual @ residual) / (len(y) - x.shape[1])
    return solution.beta, s2 * solution.gain @ solution.gain.T, s2**0.5


def gauss_newton(
    model: Function, jacobian: Function, x: np.ndarray, y: np.ndarray, start: np.ndarray
) -> tuple[np.ndarray, np.ndarray, float]:
    """Repeat the linear step until it no longer moves."""
    b = start
    for _ in range(60):
        step, covariance, s = least_squares(y - model(b, x), jacobian(b, x))
        b = b + step
        if np.all(np.abs(step) <= 1e-13 * np.abs(b)):
            break
    return b, covariance, s


def test_norris_of_nist_strd() -> None:
    # NIST StRD linear regression, data set Norris (36 points, lower level of difficulty), data
    # file as shipped with scipy; certified estimates, standard deviations, residual s.d.
    lines = (NIST / "nist_linregress" / "Norris.dat").read_text().splitlines()
    y, x = np.array([[float(v) for v in line.split()] for line in lines[60:96]]).T
    beta, covariance, s = least_squares(y, np.column_stack([np.ones_like(x), x]))
    assert beta == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-10)
    assert np.sqrt(np.diag(covariance)) == pytest.approx(
        [0.232818234301152, 0.429796848199937e-3], rel=1e-10
    )
    assert s == pytest.approx(0.884796396144373, rel=1e-10)


def test_line_through_the_origin_of_nist_strd() -> None:
    # NIST StRD NoInt1: y 130 to 140 on x 60 to 70 without intercept, certified values.
    y, x = np.arange(130.0, 141.0), np.arange(60.0, 71.0)
    beta, covariance, s = least_squares(y, x[:, None])
    assert beta[0] == pytest.approx(2.07438016528926, rel=1e-12)
    assert covariance[0, 0] ** 0.5 == pytest.approx(0.0165289256198347, rel=1e-12)
    assert s == pytest.approx(3.56753034006338, rel=1e-12)


def test_longley_of_nist_strd() -> None:
    # NIST StRD linear regression, data set Longley (16 points, six nearly collinear regressors;
    # higher level of difficulty): certified estimates, standard deviations, residual s.d.; data
    # as shipped with statsmodels. Seven digits are what its condition leaves of double precision.
    from statsmodels.datasets import longley

    data = longley.load_pandas().data.to_numpy(dtype=float)
    y, x = data[:, 0], np.column_stack([np.ones(16), data[:, 1:]])
    beta, covariance, s = least_squares(y, x)
    certified = [-3482258.63459582, 15.0618722713733, -0.0358191792925910, -2.02022980381683]
    certified += [-1.03322686717359, -0.0511041056535807, 1829.15146461355]
    assert beta == pytest.approx(certified, rel=1e-7)
    certified_sd = [890420.383607373, 84.9149257747669, 0.0334910077722432, 0.488399681651699]
    certified_sd += [0.214274163161675, 0.226073200069370, 455.478499142212]
    assert np.sqrt(np.diag(covariance)) == pytest.approx(certified_sd, rel=1e-7)
    assert s == pytest.approx(304.854073561965, rel=1e-9)


def test_misra1a_of_nist_strd() -> None:
    # NIST StRD nonlinear regression, Misra1a: y = b1 (1 - exp(-b2 x)), start 1.  Certified values
    # to all digits; data from memory, which the certified residual sum of squares confirms.
    x = np.array(
        [
            77.6,
            114.9,
            141.1,
            190.8,
            239.9,
            289.0,
            332.8,
            378.4,
            434.8,
            477.3,
            536.8,
            593.1,
            689.1,
            760.0,
        ]
    )
    y = np.array(
        [
            10.07,
            14.73,
            17.94,
            23.93,
            29.61,
            35.18,
            40.02,
            44.82,
            50.76,
            55.05,
            61.01,
            66.40,
            75.47,
            81.78,
        ]
    )
    b, covariance, s = gauss_newton(
        lambda b, x: b[0] * (1.0 - np.exp(-b[1] * x)),
        lambda b, x: np.column_stack([1.0 - np.exp(-b[1] * x), b[0] * x * np.exp(-b[1] * x)]),
        x,
        y,
        np.array([250.0, 0.0005]),  # certified start 2
    )
    assert b == pytest.approx([238.94212918, 5.5015643181e-4], rel=1e-9)
    assert np.sqrt(np.diag(covariance)) == pytest.approx([2.7070075241, 7.2668688436e-6], rel=1e-8)
    assert s == pytest.approx(0.10187876330, rel=1e-9)
    assert s**2 * 12 == pytest.approx(0.12455138894, rel=1e-9)


def test_danwood_of_nist_strd() -> None:
    # NIST StRD nonlinear regression, DanWood: y = b1 x^b2, start 2.  As above.
    x = np.array([1.309, 1.471, 1.490, 1.565, 1.611, 1.680])
    y = np.array([2.138, 3.421, 3.597, 4.340, 4.882, 5.660])
    b, covariance, s = gauss_newton(
        lambda b, x: b[0] * x ** b[1],
        lambda b, x: np.column_stack([x ** b[1], b[0] * x ** b[1] * np.log(x)]),
        x,
        y,
        np.array([0.7, 4.0]),
    )
    assert b == pytest.approx([0.76886226176, 3.8604055871], rel=1e-9)
    assert np.sqrt(np.diag(covariance)) == pytest.approx([0.018281973860, 0.051726610913], rel=1e-8)
    assert s**2 * 4 == pytest.approx(0.0043173084083, rel=1e-9)


# JCGM 100:2008 (GUM) H.3, calibration of a thermometer: t and correction b [degC], t0 = 20.
GUM_T = np.array(
    [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
)
GUM_B = -np.array([171, 169, 166, 159, 164, 165, 156, 157, 159, 161, 160]) / 1000.0


def test_gum_h3_line_with_its_covariance_and_prediction() -> None:
    x = np.column_stack([np.ones(11), GUM_T - 20.0])
    beta, covariance, s = least_squares(GUM_B, x)
    se = np.sqrt(np.diag(covariance))
    # Values to GUM's digits; further ones computed by another library.
    assert beta == pytest.approx([-0.17120379, 0.00218270], abs=5.1e-9)
    assert se == pytest.approx([0.0028776, 0.00066794], abs=5.1e-8)
    assert covariance[0, 1] / (se[0] * se[1]) == pytest.approx(-0.930430, abs=5.1e-7)
    assert s == pytest.approx(0.00349756, abs=5.1e-9)
    at_30 = np.array([1.0, 10.0])
    assert at_30 @ beta == pytest.approx(-0.14937681, abs=5.1e-9)
    assert (at_30 @ covariance @ at_30) ** 0.5 == pytest.approx(0.00413860, abs=5.1e-9)


def test_gum_h3_with_an_error_common_to_all_readings() -> None:
    # A systematic u = 0.005 in every b moves the intercept alone: 0.0057689, slope unchanged
    # (computed).  The same shape as a power meter's scale over all runs.
    x = np.column_stack([np.ones(11), GUM_T - 20.0])
    s2 = 0.00349756**2
    covariance = s2 * np.eye(11) + 0.005**2
    solution = solve_gls(GUM_B, x, covariance)
    assert solution.beta == pytest.approx([-0.17120379, 0.00218270], abs=5.1e-9)
    se = np.sqrt(np.diag(solution.gain @ covariance @ solution.gain.T))
    assert se == pytest.approx([0.0057689, 0.00066794], abs=5.1e-8)


def test_gain_gives_the_estimates_for_any_covariance() -> None:
    rng = np.random.default_rng(8)
    x = rng.standard_normal((20, 3))
    root = rng.standard_normal((20, 20))
    covariance = root @ root.T + np.eye(20)
    y = rng.standard_normal(20)
    solution = solve_gls(y, x, covariance)
    # Aitken 1935: (X' V^-1 X)^-1 X' V^-1 y, and its covariance (X' V^-1 X)^-1.
    inverse = np.linalg.inv(covariance)
    normal = np.linalg.inv(x.T @ inverse @ x)
    np.testing.assert_allclose(solution.beta, normal @ x.T @ inverse @ y, rtol=1e-9)
    np.testing.assert_allclose(solution.gain @ y, solution.beta, rtol=1e-9)
    np.testing.assert_allclose(
        solution.gain @ covariance @ solution.gain.T, normal, rtol=1e-8, atol=1e-12
    )
