"""The tool's nonlinear least squares against certified fits of NIST StRD, standard errors too.

The tool never rescales its covariance by the scatter of the residuals (they are whitened
beforehand); NIST's standard deviations do carry that scatter.  So the residual standard deviation
is estimated here, by hand and in the open, and multiplied on.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from cda.estimation.nonlinear import least_squares

if TYPE_CHECKING:
    from collections.abc import Callable

# Data from memory; the certified residual sums of squares, met to nine digits, confirm them.
MISRA1A_X = [77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8]
MISRA1A_X += [378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0]
MISRA1A_Y = [10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02]
MISRA1A_Y += [44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78]
DANWOOD_X = [1.309, 1.471, 1.490, 1.565, 1.611, 1.680]
DANWOOD_Y = [2.138, 3.421, 3.597, 4.340, 4.882, 5.660]


def misra1a(b: np.ndarray, x: np.ndarray) -> np.ndarray:
    return b[0] * (1.0 - np.exp(-b[1] * x))


def danwood(b: np.ndarray, x: np.ndarray) -> np.ndarray:
    return b[0] * x ** b[1]


@pytest.mark.parametrize(
    ("model", "x", "y", "start", "certified", "certified_sd", "certified_rss"),
    [
        (
            misra1a,
            MISRA1A_X,
            MISRA1A_Y,
            start,
            (238.94212918, 5.5015643181e-4),
            (2.7070075241, 7.2668688436e-6),
            0.12455138894,
        )
        for start in ((500.0, 0.0001), (250.0, 0.0005))  # NIST's starts 1 and 2
    ]
    + [
        (
            danwood,
            DANWOOD_X,
            DANWOOD_Y,
            start,
            (0.76886226176, 3.8604055871),
            (0.018281973860, 0.051726610913),
            0.0043173084083,
        )
        for start in ((1.0, 5.0), (0.7, 4.0))
    ],
)
def test_certified_values_of_nist_strd(
    model: Callable[[np.ndarray, np.ndarray], np.ndarray],
    x: list[float],
    y: list[float],
    start: tuple[float, float],
    certified: tuple[float, float],
    certified_sd: tuple[float, float],
    certified_rss: float,
) -> None:
    place, reading = np.array(x), np.array(y)
    fit = least_squares(lambda b: reading - model(b, place), {"b1": start[0], "b2": start[1]}, {})
    # Six digits of the estimates are what such a fit can be held to (a parameter's error is the
    # square root of the error of the sum of squares); derivatives by forward differences leave
    # four or more in the standard deviations.
    assert fit.value == pytest.approx(certified, rel=1e-6)
    assert fit.sum_of_squares == pytest.approx(certified_rss, rel=1e-9)
    assert fit.covariance is not None
    scatter = fit.sum_of_squares / (len(x) - 2)
    sd = np.sqrt(np.diag(fit.covariance) * scatter)
    assert sd == pytest.approx(certified_sd, rel=1e-4)
    # Unscaled, the covariance is that of readings with s.d. 1: not NIST's.
    assert np.sqrt(fit.covariance[0, 0]) != pytest.approx(certified_sd[0], rel=0.5)
