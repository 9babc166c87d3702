"""Runs proposed to be left out, with the evidence and what would change; the user decides."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from cda.results import Finding

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from cda.estimation import RunInQuestion

# Findings about single legs that speak against a run, in words.
SPEAKS_AGAINST: Final = {
    "vehicle-passing": "something drew the rider along",
    "vehicle-oncoming": "something came the other way",
    "sat-up": "the rider sat up",
    "coasting": "no pedalling inside the timed stretch",
    "braking": "something slowed the rider",
    "power-frozen": "power stands still",
    "leg-out-of-line": "the energy of a leg is out of line",
}
_FEW: Final = 1 / 3  # of the runs; what speaks against more is a fault of the day


def runs_spoken_against(
    findings: Iterable[Finding], runs: Sequence[tuple[str, int]]
) -> dict[tuple[str, int], tuple[str, ...]]:
    """Return the runs that findings name, and what is said of each.

    Parameters
    ----------
    findings : iterable of Finding
    runs : sequence of (session, run)
        All runs in the estimate.

    Returns
    -------
    dict
        Empty where more than a third of all runs is named.
    """
    said: dict[tuple[str, int], list[str]] = {}
    for finding in findings:
        words = SPEAKS_AGAINST.get(finding.code)
        if words is None:
            continue
        for number in re.findall(r"\d+", finding.where):
            key = (finding.session or "", int(number))
            if key in runs and words not in said.setdefault(key, []):
                said[key].append(words)
    if len(said) > _FEW * len(runs):
        return {}
    return {key: tuple(words) for key, words in said.items()}


def propose_leaving_out(
    questioned: Iterable[RunInQuestion], said: dict[tuple[str, int], tuple[str, ...]]
) -> tuple[Finding, ...]:
    """Return one proposal for each run in question; nothing is left out by it.

    Parameters
    ----------
    questioned : iterable of RunInQuestion
    said : dict
        Of `runs_spoken_against`.
    """
    found = []
    for one in questioned:
        reasons = list(said.get((one.session, one.run), ()))
        what = f"its {one.leg}" if one.leg else "it"
        side = "above" if one.shift_m2 > 0.0 else "below"
        reasons.append(
            f"{what} reads {abs(one.shift_m2):.4f} m² {side} what all other runs say (t = "
            f"{one.t:.1f} with {one.dof:.0f} degrees of freedom; p = {_p(one.adjusted_p)}, "
            f"corrected for {one.looked_at} runs and legs looked at)"
        )
        message = f"run {one.run} ({one.position}) may be spoiled: {'; '.join(reasons)}. "
        changes = [
            f"{name} {before[0]:.4f} ± {before[1]:.4f} → {after[0]:.4f} ± {after[1]:.4f} m²"
            for name, (before, after) in one.left_out.items()
        ]
        message += f"Without it (statistical, k = 1): {', '.join(changes)}. "
        found.append(
            Finding(
                severity="warning",
                code="run-spoiled",
                where=f"run {one.run}",
                session=one.session,
                message=message + "It is still in the estimate",
                fix=f"if you know what happened, set use = no for run {one.run} in runs.csv, and "
                "ride it again; do not leave it out only because of its number",
            )
        )
    return tuple(found)


def _p(value: float) -> str:
    return "below 0.001" if value < 0.001 else f"{value:.3f}" if value < 0.1 else f"{value:.2f}"
