"""The one place where lmfit is called: bounded nonlinear least squares with whitened residuals."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from cda.errors import EstimationError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LeastSquaresFit:
    """Answer of a nonlinear least-squares fit.

    Attributes
    ----------
    value : ndarray, shape (q,)
    covariance : ndarray, shape (q, q), or None
        For residuals of unit variance: never rescaled by the scatter of the residuals.
        None where it could not be computed.
    sum_of_squares : float
    at_bound : tuple of str
        Parameters that sit on a bound: the data did not determine them inside it.
    """

    value: Array
    covariance: Array | None
    sum_of_squares: float
    at_bound: tuple[str, ...]


def least_squares(
    residual: Callable[[Array], Array],
    start: Mapping[str, float],
    bounds: Mapping[str, tuple[float, float]],
    *,
    relative_tolerance: float = 1e-10,
    jacobian: Callable[[Array], Array] | None = None,
) -> LeastSquaresFit:
    """Minimise the sum of squares of `residual`, prior beliefs among the residuals.

    Parameters
    ----------
    residual : callable
        Takes the parameters, shape (q,), in the order of `start`; returns residuals divided by
        their standard deviation (whitened), shape (n,).
    start : mapping of name to value
        Names are free text.
    bounds : mapping of name to (low, high)
        For those that have any.
    relative_tolerance : float
        Of the sum of squares and of the parameters.
    jacobian : callable or None
        Derivatives of `residual`, shape (n, q), where they are at hand; None takes differences.

    Raises
    ------
    EstimationError
        If the optimiser gives up.
    """
    import lmfit

    names = list(start)
    keys = [f"p{i}" for i in range(len(names))]  # lmfit wants identifiers
    parameters = lmfit.Parameters()
    for key, name in zip(keys, names, strict=True):
        low, high = bounds.get(name, (-np.inf, np.inf))
        parameters.add(key, value=start[name], min=low, max=high)

    def of_parameters(trial: object) -> Array:
        assert isinstance(trial, lmfit.Parameters)
        return residual(np.array([float(trial[key].value) for key in keys]))

    def derivatives(trial: object) -> Array:
        assert isinstance(trial, lmfit.Parameters)
        assert jacobian is not None
        return jacobian(np.array([float(trial[key].value) for key in keys]))

    exact = {} if jacobian is None else {"Dfun": derivatives, "col_deriv": False}
    answer = lmfit.minimize(
        of_parameters,
        parameters,
        method="leastsq",
        scale_covar=False,
        ftol=relative_tolerance,
        xtol=relative_tolerance,
        max_nfev=20_000,
        **exact,
    )
    if not answer.success:
        raise EstimationError(
            f"the fit does not settle: {answer.message}",
            fix="look at the runs with cda check: one of them may be spoiled",
        )
    value = np.array([float(answer.params[key].value) for key in keys])
    at_bound = tuple(
        name
        for name, v in zip(names, value, strict=True)
        if name in bounds
        and min(abs(v - b) for b in bounds[name]) < 1e-6 * (bounds[name][1] - bounds[name][0])
    )
    covariance = None
    if getattr(answer, "covar", None) is not None and not at_bound:
        covariance = np.asarray(answer.covar, dtype=np.float64)
    return LeastSquaresFit(
        value=value,
        covariance=covariance,
        sum_of_squares=float((answer.residual**2).sum()),
        at_bound=at_bound,
    )
