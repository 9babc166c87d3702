"""What a number of runs in some wind would show: behind the tables and the answers of a plan.

Every number is that of the order that would be ridden, so that a plan and its own table agree.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Final

import numpy as np

from cda.plan.order import RunOrder, counterbalanced_order, order_of
from cda.precision import expected_precision, in_wind, smallest_together_m2

if TYPE_CHECKING:
    from cda.plan.protocol import Protocol
    from cda.precision import Before, Design, Expectation

MOST_RUNS: Final = 16  # a position; what needs more is not a morning's work
AIRSPEED_NOISE_M_S: Final = 0.3
CALM_M_S: Final = 0.4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trial:
    """A test that could be planned, but for its runs.

    Attributes
    ----------
    design : Design
        One run of each position, in the weather that is expected.
    order_kind : "mirrored" or "blocks"
    seed : int
        Chooses among equally good orders.
    first : tuple of int
        Positions in the order of their first runs; empty: any.
    before : Before or None
        What earlier days know of these positions.
    """

    design: Design
    order_kind: str = "mirrored"
    seed: int = 0
    first: tuple[int, ...] = ()
    before: Before | None = None

    @property
    def n(self) -> int:
        """Return the number of positions."""
        return self.design.n_positions

    def shortened(self, n: int) -> Trial:
        """Return the trial with the first `n` positions alone."""
        before = None if self.before is None else self.before.among(self.before.ids[:n])
        design = replace(self.design, order=tuple(range(n)))
        return replace(self, design=design, before=before, first=())


@lru_cache(maxsize=256)
def _order(kind: str, n: int, runs: int, seed: int) -> RunOrder:
    if kind == "blocks":
        return order_of(tuple(k for k in range(n) for _ in range(runs)))
    return counterbalanced_order(n, runs, seed)


@lru_cache(maxsize=256)
def expected(design: Design) -> Expectation:
    """Return the precision to expect, computed once for each design."""
    return expected_precision(design)


def ordered(trial: Trial, runs: int) -> tuple[RunOrder, Design]:
    """Return the order in which so many runs of each position are ridden, and its design."""
    n = trial.n
    order = _order(trial.order_kind, n, runs, trial.seed)
    if trial.first:  # whose run is first is free: names are given by first appearance
        seen = list(dict.fromkeys(order.positions))
        name = {seen[k]: who for k, who in enumerate(trial.first)}
        order = order_of(tuple(name[k] for k in order.positions))
    powers = trial.design.run_powers_w[:runs]
    # A round at one power, so that every position rides all of them; in blocks a power a run.
    rounds = range(runs) if trial.order_kind != "blocks" else list(range(runs)) * n
    each = n if trial.order_kind != "blocks" else 1
    in_turn = tuple(powers[r % len(powers)] for r in rounds for _ in range(each))
    return order, replace(trial.design, order=order.positions, run_powers_w=in_turn)


def design_in(trial: Trial, runs: int, wind_m_s: float | None) -> Design:
    """Return the design of so many runs in a wind; None: in the weather expected."""
    design = ordered(trial, runs)[1]
    return design if wind_m_s is None else in_wind(design, wind_m_s)


def smallest_m2(trial: Trial, runs: int, wind_m_s: float | None = None) -> float:
    """Return the smallest difference resolved with 80 % power [m^2], earlier days included."""
    answer = smallest_together_m2(expected(design_in(trial, runs, wind_m_s)), trial.before)
    assert answer is not None  # never for a comparison
    return answer


def minutes_of(trial: Trial, runs: int) -> float:
    """Return the time of so many runs of each position [min]."""
    return ordered(trial, runs)[1].duration_min


def runs_in(trial: Trial, minutes: float) -> int:
    """Return how many runs of each position fit into a time, two at the least."""
    of_round = trial.n * trial.design.run_s
    runs = int(np.clip((minutes * 60.0 + trial.design.rest_s) // of_round, 2, MOST_RUNS))
    # Of three rounds at two powers two are ridden at the lower one: a little longer than the mean.
    return runs - 1 if runs > 2 and minutes_of(trial, runs) > minutes else runs


def runs_needed(trial: Trial, resolve_m2: float, wind_m_s: float | None = None) -> int | None:
    """Return the runs of each position that resolve a difference, None if MOST_RUNS do not."""
    if smallest_m2(trial, MOST_RUNS, wind_m_s) > resolve_m2:
        return None
    low, high = 1, MOST_RUNS
    while high - low > 1:
        middle = (low + high) // 2
        enough = smallest_m2(trial, middle, wind_m_s) <= resolve_m2
        low, high = (low, middle) if enough else (middle, high)
    return high


def wind_limit(trial: Trial, runs: int, question_m2: float, most_m_s: float) -> float | None:
    """Return the mean wind up to which the plan answers the question, None if in no wind."""

    def good(wind: float) -> bool:
        return smallest_m2(trial, runs, wind) <= question_m2

    if good(most_m_s):
        return most_m_s
    if not good(0.0):
        return None
    low, high = 0.0, most_m_s
    while high - low > 0.1:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if good(middle) else (low, middle)
    return round(low, 1)


def what_it_takes(
    trial: Trial, protocol: Protocol, resolve_m2: float, wind_m_s: float | None, runs: int | None
) -> tuple[str, ...]:
    """Return in words what resolving a difference takes, or what would help."""
    windy = trial.design.course != "track"
    now = trial.design.wind_m_s if wind_m_s is None else wind_m_s
    what = f"A difference of {resolve_m2:.4f} m²" + (f" in wind of {now:.2g} m/s" if windy else "")
    together = "" if trial.before is None else ", last time's runs counted in"
    most = protocol.max_minutes
    if runs is None:
        lines = [
            f"{what} cannot be shown with {MOST_RUNS} runs of each position{together}. "
            "What would help:"
        ]
    else:
        time = minutes_of(trial, runs)
        lines = [f"{what} takes {runs} runs of each position, {time:.0f} min{together}."]
        if time <= most:
            return tuple(lines)
        lines.append(
            f"That is {int(np.ceil(time / most))} mornings of {most:g} min at most, fitted "
            "together. What would help:"
        )
    for words, other, wind in _remedies(trial, wind_m_s, windy and now > CALM_M_S):
        needed = runs_needed(other, resolve_m2, wind)
        if needed is None:
            reach = smallest_m2(other, MOST_RUNS, wind)
            lines.append(f"  {words}: not enough alone ({MOST_RUNS} runs show {reach:.4f} m²)")
        else:
            time = minutes_of(other, needed)
            lines.append(f"  {words}: {needed} runs of each position, {time:.0f} min")
    if runs is None:
        lines.append("  test on several days and fit them together")
    return tuple(lines)


def _remedies(
    trial: Trial, wind_m_s: float | None, windy: bool
) -> list[tuple[str, Trial, float | None]]:
    found: list[tuple[str, Trial, float | None]] = []
    if windy:
        found.append((f"ride earlier, in wind of {CALM_M_S:g} m/s", trial, CALM_M_S))
    # On a loop the wind along the way is not common to two directions; indoors there is none.
    if trial.design.airspeed_noise_m_s is None and not trial.design.round:
        design = replace(trial.design, airspeed_noise_m_s=AIRSPEED_NOISE_M_S)
        sensor = replace(trial, design=design)
        found.append(("carry an airspeed sensor", sensor, wind_m_s))
        if windy:
            found.append(("both", sensor, CALM_M_S))
    if trial.n > 2:
        found.append(("shorten the list to two positions", trial.shortened(2), wind_m_s))
    return found
