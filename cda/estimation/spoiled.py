"""Runs and legs that do not fit with their fellows, and what leaving a run out would change.

A run (or one leg of it) is given a drag area of its own beside its position's: the mean shift
that says how far it lies from what all others predict (Cook & Weisberg 1982, Residuals and
Influence in Regression, section 2.2). For those in question the variance components are estimated
anew with the shift in the model, so that the run does not widen what it is compared with: the
externally studentised residual. Nothing is left out here.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from cda.estimation.fit import PRIORS, total_of
from cda.estimation.reml import total_covariance, variance_posterior

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from numpy.typing import NDArray

    from cda.estimation.day import DayInputs
    from cda.estimation.fit import Fit

    Array = NDArray[np.float64]
    RunKey = tuple[str, int]  # session, run

FALSE_ALARM: Final = 0.01  # of rides in which nothing happened: probability that a run is named
_MOST: Final = 4  # runs looked at closely; more than these is a day, not a run


@dataclass(frozen=True, slots=True, kw_only=True)
class RunInQuestion:
    """A run that may be spoiled.

    Attributes
    ----------
    session, run, position : str, int, str
    leg : str or None
        "way out", "way back" or "lap 2" where one leg stands out more than the run.
    shift_m2, se_m2 : float
        How far its drag area lies from what all others predict, and the standard error of that.
    t, dof : float
        Externally studentised, with its degrees of freedom.
    looked_at : int
        Runs and legs that were tested.
    adjusted_p : float
        Two-sided, times `looked_at` (Bonferroni), at most 1.
    left_out : mapping of str to (before, after)
        CdA and statistical standard error of the position with and without the run, and of its
        difference from every other position ("later-earlier", file order).
    """

    session: str
    run: int
    position: str
    leg: str | None
    shift_m2: float
    se_m2: float
    t: float
    dof: float
    looked_at: int
    adjusted_p: float
    left_out: Mapping[str, tuple[tuple[float, float], tuple[float, float]]]

    @property
    def stands_out(self) -> bool:
        """Say whether the leg totals alone name it."""
        return self.adjusted_p < FALSE_ALARM


def runs_in_question(
    days: Sequence[DayInputs],
    positions: Sequence[str],
    fit: Fit,
    named: Collection[RunKey] = (),
) -> tuple[RunInQuestion, ...]:
    """Return the runs that stand out, and those that are named for other reasons.

    Parameters
    ----------
    days, positions, fit
        As estimated.
    named : collection of (session, run)
        Runs that something else speaks against; they are answered whatever their t is.

    Returns
    -------
    tuple of RunInQuestion
        In the order of the runs. The only run of a position has no fellows and is never in it.
    """
    keys = [(day.key, int(run)) for day in days for run in day.run]
    position_of = dict(zip(keys, np.concatenate([day.position for day in days]), strict=True))
    taken = Counter(position_of.values())
    runs = [key for key, position in position_of.items() if taken[position] > 1]
    if len(runs) < len(positions) + 3:
        return ()  # too few to know what fits
    scores = _Scores(days, fit, keys, runs)
    close = [key for key in runs if key in named]
    others = sorted((k for k in runs if k not in named), key=scores.rough_p)
    close += [key for key in others if scores.rough_p(key) < 5.0 * FALSE_ALARM]
    answers = [_look(days, positions, fit, key, scores) for key in close[:_MOST]]
    found = [a for a in answers if a.stands_out or (a.session, a.run) in named]
    return tuple(sorted(found, key=lambda a: (a.session, a.run)))


class _Scores:
    """Studentised mean shifts of all runs and legs at the fitted variance components."""

    def __init__(
        self, days: Sequence[DayInputs], fit: Fit, keys: list[RunKey], runs: list[RunKey]
    ) -> None:
        system = fit.system
        theta = np.sqrt(fit.posterior.weight @ fit.posterior.theta**2)
        covariance = total_covariance(theta, system.components, total_of(system.fixed))
        inverse = np.linalg.inv(covariance)
        spanned = inverse @ system.x
        projection = inverse - spanned @ np.linalg.solve(system.x.T @ spanned, spanned.T)
        self.drag = np.concatenate([q.cda for q in system.equations])
        self.keys, self.runs = keys, runs
        self.direction = np.concatenate([day.energies.direction for day in days])
        rows = np.arange(len(keys))
        one_leg = np.zeros((len(system.y), len(keys)))
        one_leg[rows, rows] = self.drag
        one_run = [one_leg[:, self.legs(key)].sum(axis=1) for key in runs]
        self.leg_of = [i for i, key in enumerate(keys) if key in runs]  # rows of the leg columns
        self.columns = np.column_stack([*one_run, one_leg[:, self.leg_of]])
        information = np.einsum("ij,ij->j", self.columns, projection @ self.columns)
        self.t = (self.columns.T @ projection @ system.y) / np.sqrt(np.maximum(information, 1e-30))
        free = len(runs) - len(fit.names) + 2  # a run's two legs share its deviation
        self.dof = float(max(free, 2))
        self.looked_at = self.columns.shape[1]

    def legs(self, key: RunKey) -> list[int]:
        return [i for i, k in enumerate(self.keys) if k == key]

    def candidates(self, key: RunKey) -> list[int]:
        """Return the columns that belong to a run: the run itself, then each of its legs."""
        return [self.runs.index(key), *self.leg_columns(key)]

    def leg_columns(self, key: RunKey) -> list[int]:
        return [len(self.runs) + self.leg_of.index(i) for i in self.legs(key)]

    def rough_p(self, key: RunKey) -> float:
        """Return the adjusted p of a run's largest shift, externally studentised in closed form."""
        from scipy.stats import t as student

        largest = max(abs(float(self.t[c])) for c in self.candidates(key))
        left = max(self.dof + 1.0 - largest**2, 1e-3)
        external = largest * np.sqrt(self.dof / left)
        return float(min(1.0, self.looked_at * 2.0 * student.sf(external, self.dof)))


def _look(
    days: Sequence[DayInputs], positions: Sequence[str], fit: Fit, key: RunKey, scores: _Scores
) -> RunInQuestion:
    from scipy.stats import t as student

    column = max(scores.candidates(key), key=lambda c: abs(float(scores.t[c])))
    shifted = _with_columns(fit, scores.columns[:, [column]])
    contrast = np.zeros(shifted.system.x.shape[1])
    contrast[-1] = 1.0
    se, dof = shifted.replication(contrast)
    prior = contrast @ shifted.posterior.gain()
    se = float(np.sqrt(se**2 + prior @ total_of(fit.system.fixed) @ prior))
    shift = float(shifted.posterior.mean()[-1])
    p = float(2.0 * student.sf(abs(shift) / se, dof))
    day = next(d for d in days if d.key == key[0])
    index = int(day.position[np.flatnonzero(day.run == key[1])[0]])
    leg = None
    if column >= len(scores.runs):
        row = scores.leg_of[column - len(scores.runs)]
        if np.ptp(scores.direction) > 0.0:
            leg = "way out" if scores.direction[row] > 0.0 else "way back"
        else:
            leg = f"lap {scores.legs(key).index(row) + 1}"
    return RunInQuestion(
        session=key[0],
        run=key[1],
        position=positions[index],
        leg=leg,
        shift_m2=shift,
        se_m2=se,
        t=shift / se,
        dof=dof,
        looked_at=scores.looked_at,
        adjusted_p=min(1.0, scores.looked_at * p),
        left_out=_left_out(positions, fit, key, scores, index),
    )


def _left_out(
    positions: Sequence[str],
    fit: Fit,
    key: RunKey,
    scores: _Scores,
    index: int,
) -> dict[str, tuple[tuple[float, float], tuple[float, float]]]:
    """Compare the fit with one in which every leg of the run has a drag of its own."""
    without = _with_columns(fit, scores.columns[:, scores.leg_columns(key)])
    answer = {}
    names = {positions[index]: {index: 1.0}}
    for other in range(len(positions)):
        if other != index:
            later, earlier = max(index, other), min(index, other)
            names[f"{positions[later]}-{positions[earlier]}"] = {later: 1.0, earlier: -1.0}
    for name, weights in names.items():
        both = []
        for one in (fit, without):
            contrast = np.zeros(one.system.x.shape[1])
            contrast[list(weights)] = list(weights.values())
            both.append((float(contrast[: len(one.beta)] @ one.beta), one.replication(contrast)[0]))
        answer[name] = (both[0], both[1])
    return answer


def _with_columns(fit: Fit, columns: Array) -> Fit:
    """Return the fit with further fixed effects; `beta` keeps those it had."""
    system = fit.system
    x = np.column_stack([system.x, columns])
    posterior = variance_posterior(
        system.y,
        x,
        system.components,
        [PRIORS[c] for c in system.component_names],
        fixed=total_of(system.fixed),
    )
    # The system is written down about the fixed effects before the last step.
    before = fit.beta - fit.posterior.mean()
    return replace(
        fit,
        beta=before + posterior.mean()[: len(fit.beta)],
        posterior=posterior,
        system=replace(system, x=x),
    )
