r"""The season of one rider's positions: a line each, through days that scatter.

CdA of position p on day i is a_p + b_p t_i + D_i + d_ip + e_ip. D_i is what a day does to all
positions alike (power zero, air reading, tyres, clothes), d_ip what it does to one (bars, how it
was taken), both with unknown standard deviations; e_i has the statistical covariance that the test
itself found. What all days share (scale of the power meter, masses) cancels in b_p.

The restricted likelihood (Patterson & Thompson 1971, Biometrika 58, 545-554,
:doi:`10.1093/biomet/58.3.545`) of the two standard deviations times weak log-normal priors is laid
on a grid; lines are averaged over it, so that three days widen the interval instead of pretending
that their scatter is known. Days are independent given the lines: the cost is linear in days.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from cda.estimation.reml import LogNormalPrior, satterthwaite_from_posterior

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

# Weak priors: a factor of two to three either way, as for several days in one estimate.
DAY: Final = LogNormalPrior(median=0.003, log_sd=0.7)  # [m^2]
POSITION_BY_DAY: Final = LogNormalPrior(median=0.002, log_sd=0.6)  # [m^2]
DAYS_FOR_A_LINE: Final = 3  # two days always lie on one
_NODES: Final = np.linspace(-3.0, 3.0, 25)  # in standard deviations of the prior
_AT_ONCE: Final = 4_000_000  # numbers held in one array: 32 MB


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Day:
    """One test: positions ridden, as indices, their CdA and its statistical covariance."""

    time: float
    positions: tuple[int, ...]
    cda_m2: Array
    covariance: Array


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lines:
    """The lines, averaged over the standard deviations.

    Attributes
    ----------
    columns : tuple of (str, int)
        ("level", position) or ("slope", position); no slope where there are too few days.
    origin : ndarray, shape (positions,)
        Time at which the level is meant: the position's newest day.
    nodes, weight : ndarray, shape (g, 2), (g,)
        Standard deviations of D and d at every node of the grid, and their weight.
    beta : ndarray, shape (g, q)
    covariance : ndarray, shape (g, q, q)
    """

    columns: tuple[tuple[str, int], ...]
    origin: Array
    nodes: Array
    weight: Array
    beta: Array
    covariance: Array

    def contrast(self, vector: Array) -> tuple[float, float, float]:
        """Return value, standard uncertainty and degrees of freedom of a combination."""
        values = self.beta @ vector
        mean = float(self.weight @ values)
        variance = np.einsum("gij,i,j->g", self.covariance, vector, vector)
        moved = float(self.weight @ (values - mean) ** 2)
        se, dof = satterthwaite_from_posterior(variance + moved, self.weight)
        return mean, se, dof

    def value(self, vector: Array) -> float:
        """Return the value of a combination alone."""
        return float(self.weight @ (self.beta @ vector))

    def at(self, position: int, time: float) -> Array:
        """Return the combination that is the position's line at a time."""
        vector = np.zeros(len(self.columns))
        vector[self.columns.index(("level", position))] = 1.0
        if ("slope", position) in self.columns:
            vector[self.columns.index(("slope", position))] = time - self.origin[position]
        return vector

    def slope(self, position: int) -> Array | None:
        """Return the combination that is the slope, or None where there is none."""
        if ("slope", position) not in self.columns:
            return None
        vector = np.zeros(len(self.columns))
        vector[self.columns.index(("slope", position))] = 1.0
        return vector

    def scatter(self, which: int, level: float) -> tuple[float, tuple[float, float]]:
        """Return the typical standard deviation (0: day, 1: position by day) and its interval."""
        values = self.nodes[:, which]
        order = np.argsort(values, kind="stable")
        cumulated = np.cumsum(self.weight[order]) - 0.5 * self.weight[order]
        ends = np.interp([(1 - level) / 2, (1 + level) / 2], cumulated, np.log(values[order]))
        middle = float(np.exp(self.weight @ np.log(values)))
        return middle, (float(np.exp(ends[0])), float(np.exp(ends[1])))


def fit_lines(days: Sequence[Day], positions: int) -> Lines:
    """Fit all positions of one rider together.

    Parameters
    ----------
    days : sequence of Day
        At least one for every position; times in any unit.
    positions : int
        How many there are.
    """
    times = [sorted({d.time for d in days if p in d.positions}) for p in range(positions)]
    origin = np.array([t[-1] for t in times])
    columns = tuple(("level", p) for p in range(positions)) + tuple(
        ("slope", p) for p in range(positions) if len(times[p]) >= DAYS_FOR_A_LINE
    )
    y, x, covariance, ridden = _padded(days, positions, columns, origin)
    grid = np.stack(np.meshgrid(_NODES, _NODES, indexing="ij"), axis=-1).reshape(-1, 2)
    nodes = np.array([DAY.median, POSITION_BY_DAY.median]) * np.exp(
        grid * np.array([DAY.log_sd, POSITION_BY_DAY.log_sd])
    )
    step = max(1, _AT_ONCE // (len(days) * positions * (positions + len(columns))))
    parts = [
        _solve(y, x, covariance, ridden, nodes[i : i + step]) for i in range(0, len(nodes), step)
    ]
    beta, spread, loglik = (np.concatenate(part) for part in zip(*parts, strict=True))
    logs = loglik - 0.5 * (grid**2).sum(axis=1)
    weight = np.exp(logs - logs.max())
    return Lines(
        columns=columns,
        origin=origin,
        nodes=nodes,
        weight=weight / weight.sum(),
        beta=beta,
        covariance=spread,
    )


def _padded(
    days: Sequence[Day], positions: int, columns: Sequence[tuple[str, int]], origin: Array
) -> tuple[Array, Array, Array, Array]:
    """Return y (n, p), x (n, p, q), covariance (n, p, p) and a mask (n, p) of what was ridden.

    A position that was not ridden that day has a row of zeros and a variance of its own of 1:
    it adds nothing.
    """
    n, q = len(days), len(columns)
    y = np.zeros((n, positions))
    x = np.zeros((n, positions, q))
    covariance = np.tile(np.eye(positions), (n, 1, 1))
    ridden = np.zeros((n, positions))
    for i, day in enumerate(days):
        rows = list(day.positions)
        ridden[i, rows] = 1.0
        y[i, rows] = day.cda_m2
        covariance[i, rows, rows] = 0.0
        covariance[np.ix_([i], rows, rows)] += _definite(day.covariance)
        for k, (kind, p) in enumerate(columns):
            if p in rows:
                x[i, p, k] = 1.0 if kind == "level" else day.time - origin[p]
    return y, x, covariance, ridden


def _definite(covariance: Array) -> Array:
    """Return the nearest covariance without negative variances: the parts are estimates."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray((vectors * np.maximum(values, 1e-4 * values.max())) @ vectors.T)


def _solve(
    y: Array, x: Array, covariance: Array, ridden: Array, nodes: Array
) -> tuple[Array, Array, Array]:
    """Return beta (g, q), its covariance (g, q, q) and the restricted log-likelihood (g,)."""
    together = ridden[:, :, None] * ridden[:, None, :]
    alone = ridden[:, :, None] * np.eye(ridden.shape[1])
    total = (
        covariance
        + nodes[:, 0, None, None, None] ** 2 * together
        + nodes[:, 1, None, None, None] ** 2 * alone
    )
    both = np.concatenate([x, y[:, :, None]], axis=2)
    whitened = np.linalg.solve(total, np.broadcast_to(both, (*total.shape[:2], *both.shape[1:])))
    crossed = np.einsum("npa,gnpb->gab", both, whitened)
    information, right, square = crossed[:, :-1, :-1], crossed[:, :-1, -1], crossed[:, -1, -1]
    spread = np.linalg.inv(information)
    beta = np.einsum("gab,gb->ga", spread, right)
    loglik = -0.5 * (
        np.linalg.slogdet(total)[1].sum(axis=1)
        + np.linalg.slogdet(information)[1]
        + square
        - (beta * right).sum(axis=1)
    )
    return beta, spread, loglik
