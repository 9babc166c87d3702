"""In which order positions are ridden, so that what drifts favours none of them.

Every round holds each position once. Which order the rounds take is searched: first no position
may be linked to time, then no position stand beside itself, then none be linked to time squared.
What could not be had is stated, not hidden.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from cda.errors import SessionError

if TYPE_CHECKING:
    from numpy.typing import NDArray

_STEPS: Final = 1200
_GOOD_ENOUGH: Final = 0.002  # of the cost: correlations with time squared near 0.01 are left
_WEIGHT_TIME, _WEIGHT_REPEAT, _WEIGHT_SQUARE = 1000.0, 4.0, 10.0
NOTHING_LEFT: Final = 1e-9  # a correlation below this is rounding


@dataclass(frozen=True, slots=True, kw_only=True)
class RunOrder:
    """An order of runs and the imbalance left in it.

    Attributes
    ----------
    positions : tuple of int
        Position of each run, from 0.
    with_time, with_time_squared : tuple of float
        Correlation of each position's presence with time and with time squared (counted from
        the middle), over the runs.
    repeats : int
        How often a position follows itself.
    """

    positions: tuple[int, ...]
    with_time: tuple[float, ...]
    with_time_squared: tuple[float, ...]
    repeats: int

    def imbalance_words(self) -> str:
        """Return in a sentence what imbalance remains."""
        if len(self.with_time) == 1:
            return "One position: there is no order to balance."
        linear = max(abs(x) for x in self.with_time)
        square = max(abs(x) for x in self.with_time_squared)
        drift = (
            "each position is as early as it is late on average: steady drift favours none"
            if linear < NOTHING_LEFT
            else "some positions come earlier than others on average (correlation with time up to "
            f"{linear:.3f}): steady drift does not quite cancel"
        )
        bend = (
            "neither does drift that turns back"
            if square < NOTHING_LEFT
            else f"correlation with time squared (drift that turns back) up to {square:.3f}"
        )
        repeats = (
            "no position follows itself"
            if self.repeats == 0
            else f"a position follows itself {self.repeats} times: take it anew"
            if self.repeats > 1
            else "a position follows itself once: take it anew"
        )
        return f"Order: {drift}; {bend}; {repeats}."


def counterbalanced_order(n_positions: int, runs_per_position: int, seed: int = 0) -> RunOrder:
    """Return an order in which each round holds every position once.

    Parameters
    ----------
    n_positions, runs_per_position : int
        1 to 26, and 1 to 60.
    seed : int
        Chooses among orders that are equally good.

    Raises
    ------
    SessionError
        If the numbers are outside their ranges.
    """
    if not (1 <= n_positions <= 26 and 1 <= runs_per_position <= 60):
        raise SessionError(
            f"{runs_per_position} runs of {n_positions} positions cannot be put in order",
            where="plan",
            fix="take 1 to 26 positions and 1 to 60 runs of each",
        )
    rng = np.random.default_rng(seed)
    n, rounds = n_positions, runs_per_position
    forward = rng.permutation(n)
    best = np.concatenate([forward if r % 2 == 0 else forward[::-1] for r in range(rounds)])
    basis = _basis(len(best))
    cost = _cost(best, n, basis)
    current, current_cost = best.copy(), cost
    steps = _STEPS if n > 1 and rounds > 1 else 0
    # A step swaps two runs of one round, or of two: that can keep a balance which one swap breaks.
    swaps = rng.integers(1, 3, size=steps)
    blocks = rng.integers(rounds, size=(steps, 2)) * n
    first = rng.integers(n, size=(steps, 2))
    second = (first + rng.integers(1, max(n, 2), size=(steps, 2))) % n
    patience = rng.exponential(size=steps)
    for step in range(steps):
        if cost < _GOOD_ENOUGH:
            break
        trial = current.copy()
        for k in range(swaps[step]):
            i, j = blocks[step, k] + first[step, k], blocks[step, k] + second[step, k]
            trial[i], trial[j] = trial[j], trial[i]
        trial_cost = _cost(trial, n, basis)
        heat = 2.0 * (1.0 - step / _STEPS) ** 2
        if trial_cost <= current_cost + heat * patience[step]:
            current, current_cost = trial, trial_cost
            if trial_cost < cost:
                best, cost = trial.copy(), trial_cost
    return order_of(tuple(int(k) for k in best))


def order_of(positions: tuple[int, ...]) -> RunOrder:
    """Return a given order with its imbalance."""
    array = np.array(positions)
    n = int(array.max()) + 1
    time, square = _basis(len(array))
    presence = np.stack([(array == k).astype(float) for k in range(n)])
    presence -= presence.mean(axis=1, keepdims=True)
    norm = np.linalg.norm(presence, axis=1)
    norm = np.where(norm > 0.0, norm, 1.0)  # a single position is always there
    return RunOrder(
        positions=positions,
        with_time=tuple(float(x) for x in presence @ time / norm),
        with_time_squared=tuple(float(x) for x in presence @ square / norm),
        repeats=int((array[1:] == array[:-1]).sum()) if n > 1 else 0,
    )


def _basis(n_runs: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return time and time squared from the middle, without mean, of length 1."""
    time = np.arange(n_runs) - 0.5 * (n_runs - 1)
    square = time**2 - np.mean(time**2)
    return tuple(x / max(float(np.linalg.norm(x)), 1e-12) for x in (time, square))  # type: ignore[return-value]


def _cost(
    order: NDArray[np.int_], n: int, basis: tuple[NDArray[np.float64], NDArray[np.float64]]
) -> float:
    linear = np.bincount(order, weights=basis[0], minlength=n)
    square = np.bincount(order, weights=basis[1], minlength=n)
    repeats = int((order[1:] == order[:-1]).sum())
    return float(
        _WEIGHT_TIME * (linear @ linear)
        + _WEIGHT_REPEAT * repeats
        + _WEIGHT_SQUARE * (square @ square)
    )
