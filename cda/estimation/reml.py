r"""Restricted likelihood of linear mixed models, and its posterior over variance components.

y = X beta + e, with cov(e) = fixed + sum_i theta_i^2 K_i. The restricted likelihood is that of
the error contrasts (Patterson & Thompson 1971, Biometrika 58, 545-554,
:doi:`10.1093/biomet/58.3.545`). The standard deviations theta_i may carry weak log-normal priors;
the fixed effects are then averaged over the posterior of theta, so that few runs widen the
interval instead of being plugged in as if their scatter were known.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

_NO_LIKELIHOOD = 1e12  # in place of minus the log-likelihood, where it cannot be computed


@dataclass(frozen=True, slots=True, kw_only=True)
class LogNormalPrior:
    """Weak prior of a standard deviation: its median, and the s.d. of its logarithm."""

    median: float
    log_sd: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GeneralisedLeastSquares:
    """Generalised least squares for one covariance.

    Attributes
    ----------
    beta : ndarray, shape (q,)
        Fixed effects.
    gain : ndarray, shape (q, n)
        beta = gain @ y.
    loglik : float
        Restricted log-likelihood, without its constant.
    """

    beta: Array
    gain: Array
    loglik: float


def solve_gls(y: Array, x: Array, covariance: Array) -> GeneralisedLeastSquares:
    """Solve y = x beta + e for cov(e) = `covariance`; shapes (n,), (n, q), (n, n).

    Raises
    ------
    numpy.linalg.LinAlgError
        If the covariance or the normal equations are singular.
    """
    chol = _cholesky(covariance)
    both = _triangular(chol, np.column_stack([x, y]))
    xw, yw = both[:, :-1], both[:, -1]
    q, r = np.linalg.qr(xw)
    if np.abs(np.diag(r)).min() <= 1e-12 * np.abs(np.diag(r)).max():
        raise np.linalg.LinAlgError("the fixed effects are collinear")
    beta = np.linalg.solve(r, q.T @ yw)
    residual = yw - xw @ beta
    gain = np.linalg.solve(r, _triangular(chol, q, transposed=True).T)
    loglik = -(
        np.log(np.diag(chol)).sum()
        + np.log(np.abs(np.diag(r))).sum()
        + 0.5 * float(residual @ residual)
    )
    return GeneralisedLeastSquares(beta=beta, gain=gain, loglik=float(loglik))


def _cholesky(covariance: Array) -> Array:
    """Return the lower triangular factor, shape (n, n)."""
    from scipy.linalg.lapack import dpotrf

    factor, wrong = dpotrf(covariance, lower=1, clean=1)
    if wrong:
        raise np.linalg.LinAlgError("the covariance is not positive definite")
    return np.asarray(factor)


def _triangular(factor: Array, right: Array, *, transposed: bool = False) -> Array:
    """Solve L z = right, or L' z = right: a seventh of the work of an inverse."""
    from scipy.linalg.lapack import dtrtrs

    solved, wrong = dtrtrs(factor, right, lower=1, trans=int(transposed))
    if wrong:
        raise np.linalg.LinAlgError("the covariance is singular")
    return np.asarray(solved)


def total_covariance(theta: Array, components: Sequence[Array], fixed: Array | float) -> Array:
    """Return fixed + sum theta_i^2 K_i, shape (n, n)."""
    total = np.array(np.broadcast_to(fixed, components[0].shape), dtype=np.float64)
    for sd, component in zip(theta, components, strict=True):
        total += sd * sd * component
    return total


def maximise_restricted_likelihood(
    y: Array,
    x: Array,
    components: Sequence[Array],
    *,
    fixed: Array | float = 0.0,
    start: Array,
    priors: Sequence[LogNormalPrior] | None = None,
) -> tuple[Array, Array]:
    """Return the standard deviations at the maximum, and the covariance of their logarithms.

    Parameters
    ----------
    y, x, components, fixed
        As in the module's docstring; shapes (n,), (n, q), (n, n) each.
    start : ndarray, shape (p,)
        Where to begin, above zero.
    priors : sequence of LogNormalPrior or None
        One for each component; None is plain REML, which may end on the boundary (0).

    Returns
    -------
    theta : ndarray, shape (p,)
        Standard deviations; exactly 0 where the likelihood falls from 0 on.
    log_covariance : ndarray, shape (p, p)
        Of log(theta), from the curvature; meaningful with priors.
    """
    from scipy import optimize

    minimize: Any = optimize.minimize  # its overloads want literal option types

    scale = np.asarray(start, dtype=np.float64)

    def negative(theta: Array) -> float:
        try:
            value = solve_gls(y, x, total_covariance(theta, components, fixed)).loglik
        except np.linalg.LinAlgError:
            return _NO_LIKELIHOOD
        return -value

    if priors is None:
        # The standard deviation itself, bounded at 0: the likelihood is even in it, so that a
        # boundary estimate is a flat minimum and not a run to minus infinity of a logarithm.
        best = minimize(
            lambda s: negative(s * scale),
            np.ones(len(scale)),
            method="L-BFGS-B",
            bounds=[(0.0, 1e3)] * len(scale),
            options={"ftol": 1e-14, "gtol": 1e-9, "maxiter": 500},
        )
        best = minimize(
            lambda s: negative(np.abs(s) * scale),
            best.x,
            method="Nelder-Mead",
            options={"xatol": 1e-9, "fatol": 1e-12, "maxiter": 4000},
        )
        theta = np.abs(best.x) * scale
        for i in range(len(theta)):
            trial = theta.copy()
            trial[i] = 0.0
            if negative(trial) <= negative(theta) + 1e-10:
                theta = trial
        return theta, np.full((len(theta), len(theta)), np.nan)

    centre = np.log([p.median for p in priors])
    width = np.array([p.log_sd for p in priors])

    def penalised(log_theta: Array) -> float:
        penalty = 0.5 * float((((log_theta - centre) / width) ** 2).sum())
        return negative(np.exp(log_theta)) + penalty

    def slope(log_theta: Array) -> Array:
        try:
            inside = _restricted_slope(y, x, np.exp(log_theta), components, fixed)
        except np.linalg.LinAlgError:
            inside = np.zeros(len(log_theta))
        return np.asarray((log_theta - centre) / width**2 - inside)

    with np.errstate(over="ignore", invalid="ignore"):
        best = minimize(penalised, np.log(scale), jac=slope, method="BFGS", options={"gtol": 1e-4})
    if not best.fun < _NO_LIKELIHOOD:
        # A step of the line search so far out that nothing can be computed there, and no way
        # back (1 of 32 000 simulated rides): search again where the priors leave a chance.
        bounds = list(zip(centre - 10.0 * width, centre + 10.0 * width, strict=True))
        inside = np.clip(np.log(scale), *np.transpose(bounds))
        best = minimize(penalised, inside, jac=slope, method="L-BFGS-B", bounds=bounds)
    mode = np.asarray(best.x)
    inverse = np.asarray(np.linalg.inv(_hessian(penalised, mode)), dtype=np.float64)
    return np.asarray(np.exp(mode), dtype=np.float64), inverse


def _restricted_slope(
    y: Array, x: Array, theta: Array, components: Sequence[Array], fixed: Array | float
) -> Array:
    """Return the derivatives of the restricted log-likelihood by log(theta), shape (p,).

    With P = V^-1 - V^-1 X (X' V^-1 X)^-1 X' V^-1: theta^2 (y' P K P y - tr(P K)).
    """
    from scipy.linalg.lapack import dpotri

    chol = _cholesky(total_covariance(theta, components, fixed))
    q, _ = np.linalg.qr(_triangular(chol, x))
    spanned = _triangular(chol, q, transposed=True)
    lower = np.asarray(dpotri(chol, lower=1)[0])
    projection = lower + np.tril(lower, -1).T - spanned @ spanned.T
    left = projection @ y
    return np.array(
        [
            sd * sd * (float(left @ k @ left) - float((projection * k).sum()))
            for sd, k in zip(theta, components, strict=True)
        ]
    )


def _hessian(function: object, at: Array, step: float = 0.08) -> Array:
    """Second differences of a scalar function, made positive definite."""
    assert callable(function)
    n = len(at)
    centre = function(at)
    h = np.empty((n, n))
    unit = np.eye(n) * step
    for i in range(n):
        h[i, i] = (function(at + unit[i]) - 2 * centre + function(at - unit[i])) / step**2
        for j in range(i):
            h[i, j] = h[j, i] = (
                function(at + unit[i] + unit[j])
                - function(at + unit[i] - unit[j])
                - function(at - unit[i] + unit[j])
                + function(at - unit[i] - unit[j])
            ) / (4 * step**2)
    values, vectors = np.linalg.eigh(h)
    return np.asarray((vectors * np.maximum(values, 0.05)) @ vectors.T)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class VariancePosterior:
    """Grid of variance components with weights that add up to 1; shapes (m, p), (m,)."""

    theta: Array
    weight: Array
    solutions: tuple[GeneralisedLeastSquares, ...]

    def mean(self) -> Array:
        """Return the fixed effects averaged over the posterior, shape (q,)."""
        return np.asarray(self.weight @ np.stack([s.beta for s in self.solutions]))

    def gain(self) -> Array:
        """Return the averaged gain: mean = gain @ y, shape (q, n)."""
        return np.asarray(
            np.tensordot(self.weight, np.stack([s.gain for s in self.solutions]), axes=1)
        )


_NODES = np.array([-2.4, -1.2, 0.0, 1.2, 2.4])  # in posterior s.d.; beyond them 1.6 % of the mass


def variance_posterior(
    y: Array,
    x: Array,
    components: Sequence[Array],
    priors: Sequence[LogNormalPrior],
    *,
    fixed: Array | float = 0.0,
    start: Array | None = None,
) -> VariancePosterior:
    """Average over the posterior of the standard deviations on a grid along its own axes.

    Parameters
    ----------
    y, x, components, fixed
        As in the module's docstring.
    priors : sequence of LogNormalPrior
        One for each component.
    start : ndarray, shape (p,), or None
        Where the search for the mode begins; None begins at the medians of the priors.
    """
    if start is None:
        start = np.array([p.median for p in priors])
    mode, log_covariance = maximise_restricted_likelihood(
        y, x, components, fixed=fixed, start=start, priors=priors
    )
    values, vectors = np.linalg.eigh(log_covariance)
    axes = vectors * np.sqrt(values)
    nodes = np.array(list(product(_NODES, repeat=len(priors))))
    nodes = nodes[(nodes**2).sum(axis=1) <= 2 * 2.4**2 + 1e-9]
    log_theta = np.log(mode) + nodes @ axes.T
    theta = np.exp(log_theta)
    solutions = _solve_many(y, x, theta, components, fixed)
    centre = np.log([p.median for p in priors])
    width = np.array([p.log_sd for p in priors])
    penalty = 0.5 * (((log_theta - centre) / width) ** 2).sum(axis=1)
    logs = np.array([s.loglik for s in solutions]) - penalty
    weight = np.exp(logs - logs.max())
    return VariancePosterior(theta=theta, weight=weight / weight.sum(), solutions=solutions)


_ELEMENTS_AT_ONCE = 2_000_000  # of stacked covariances: 16 MB


def _solve_many(
    y: Array, x: Array, theta: Array, components: Sequence[Array], fixed: Array | float
) -> tuple[GeneralisedLeastSquares, ...]:
    """Solve as `solve_gls` for every row of `theta`, shape (m, p), many at a time."""
    n = len(y)
    flat = np.stack([k.ravel() for k in components])
    base = np.array(np.broadcast_to(fixed, (n, n)))
    right = np.column_stack([x, y])
    at_once = max(1, _ELEMENTS_AT_ONCE // (n * n))
    answers = []
    for first in range(0, len(theta), at_once):
        some = theta[first : first + at_once]
        factors = [_cholesky(total) for total in base + ((some**2) @ flat).reshape(len(some), n, n)]
        both = np.stack([_triangular(factor, right) for factor in factors])
        xw, yw = both[:, :, :-1], both[:, :, -1:]
        q, r = np.linalg.qr(xw)
        diagonal = np.abs(np.diagonal(r, axis1=1, axis2=2))
        if (diagonal.min(axis=1) <= 1e-12 * diagonal.max(axis=1)).any():
            raise np.linalg.LinAlgError("the fixed effects are collinear")
        spanned = np.stack(
            [_triangular(f, own, transposed=True) for f, own in zip(factors, q, strict=True)]
        )
        gain = np.linalg.solve(r, spanned.transpose(0, 2, 1))
        beta = gain @ y
        rest = (yw - xw @ beta[:, :, None])[:, :, 0]
        loglik = -(
            np.array([np.log(factor.diagonal()).sum() for factor in factors])
            + np.log(diagonal).sum(axis=1)
            + 0.5 * (rest**2).sum(axis=1)
        )
        answers += [
            GeneralisedLeastSquares(beta=b, gain=g, loglik=float(v))
            for b, g, v in zip(beta, gain, loglik, strict=True)
        ]
    return tuple(answers)


def satterthwaite_from_posterior(variance: Array, weight: Array) -> tuple[float, float]:
    """Return the scale and degrees of freedom of the t that a random variance makes.

    A variance whose posterior is a scaled inverse chi-square with nu degrees of freedom and
    scale s^2 has E[1/V] = 1/s^2 and E[V] = nu s^2/(nu - 2); s and nu are matched to these two
    (the idea of Satterthwaite 1946, Biometrics 2, 110-114, :doi:`10.2307/3002019`).

    Parameters
    ----------
    variance, weight : ndarray, shape (m,)
        Variance at every node of the posterior, and the node's weight.

    Returns
    -------
    se, dof : float
        Scale of the t distribution and its degrees of freedom (1 to 1000).
    """
    mean = float(weight @ variance)
    harmonic = 1.0 / float(weight @ (1.0 / variance))
    ratio = max(mean / harmonic, 1.0 + 1e-9)
    dof = float(np.clip(2.0 * ratio / (ratio - 1.0), 1.0, 1000.0))
    return float(np.sqrt(harmonic)), dof
