"""What the savings say beside their numbers: pairs not decided, and what was assumed."""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from cda.comparison import more_runs
from cda.results import Finding
from cda.results.numbers import saving, saving_interval
from cda.results.words import more_runs_words

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from cda.priority.candidate import Candidate
    from cda.race import Draws, Race
    from cda.results import Joint

ALIKE_M_S = 1.0  # speeds of the course's limits and of [turns] that need no word


def undecided(
    joint: Joint,
    candidates: tuple[Candidate, ...],
    saved: NDArray[np.float64],
    cda_m2: NDArray[np.float64],
    interval: Callable[[NDArray[np.float64]], tuple[float, float]],
    level: float,
) -> tuple[dict[tuple[str, str], dict[str, object]], list[Finding]]:
    """Return the pairs that cannot be told apart, and for each what would decide it."""
    pairs: dict[tuple[str, str], dict[str, object]] = {}
    findings = []
    names = list(joint.names)
    rows = [names.index(c.id) for c in candidates]
    at = np.ix_(rows, rows)
    dof = joint.statistical_dof  # the draws are Student's t, whose variance is larger by this
    wider = dof / (dof - 2.0) if np.isfinite(dof) and dof > 2.0 else 1.0
    reference = next(i for i, c in enumerate(candidates) if c.reference)
    shares = [
        0.0 if c.reference else 1.0 if c.hold_share is None else c.hold_share for c in candidates
    ]
    for i, j in combinations(range(len(candidates)), 2):
        low, high = interval(saved[j] - saved[i])
        if low > 0.0 or high < 0.0:
            continue
        a, b = candidates[i], candidates[j]
        # Runs shrink what replication leaves uncertain of the drag areas and nothing else (not
        # what holding costs, not the race's power); the race turns it into time nearly linearly.
        weights = np.zeros(len(candidates))
        weights[j] += shares[j]
        weights[i] -= shares[i]
        weights[reference] += shares[i] - shares[j]
        replicated = float(weights @ np.asarray(joint.statistical_covariance)[at] @ weights)
        drag, time = weights @ cda_m2[:, 1:], (saved[j] - saved[i])[1:]
        moment = np.cov(drag, time)
        slope = float(moment[0, 1] / moment[0, 0]) if moment[0, 0] > 0.0 else 0.0
        gain = float(saved[j, 0] - saved[i, 0])
        statistical = abs(slope) * np.sqrt(max(replicated, 0.0))
        rest = float(moment[1, 1]) - wider * statistical**2
        needed = more_runs(
            gain,
            float(statistical),
            float(np.sqrt(max(rest, 0.0))),
            (a.runs, b.runs),
            level=level,
        )
        pairs[a.id, b.id] = needed
        advice = ""
        if needed["runs_each_for_80_percent_power"] is None:
            without = more_runs(gain, float(statistical), 0.0, (a.runs, b.runs), level=level)
            advice = (
                "; what holding costs is too uncertain: find that out"
                if (a.power_cost_sd_w or b.power_cost_sd_w)
                and without["runs_each_for_80_percent_power"] is not None
                else "; choose by comfort"
            )
        findings.append(
            Finding(
                severity="note",
                code="undecided-pair",
                where=f"{a.id}, {b.id}",
                message=(
                    f"“{b.label}” {saving(gain, like=(low, high))} against “{a.label}” "
                    f"({saving_interval((low, high))}): not decided"
                ),
                fix=more_runs_words(needed) + advice,
            )
        )
    return pairs, findings


def assumptions(
    candidates: tuple[Candidate, ...], draws: Draws, race: Race, *, known: bool
) -> list[Finding]:
    """Return what was taken as given where the files do not say."""
    findings = []
    if not known:
        findings.append(
            Finding(
                severity="note",
                code="cda-uncertainty-unknown",
                where="--cda",
                message="the drag areas came without uncertainty: the intervals hold only what "
                "the race is uncertain about, and nothing says whether a difference is real",
                fix="test the positions and give the session",
            )
        )
    others = [c for c in candidates if not c.reference]
    without = [c.id for c in others if c.hold_share is None]
    if without:
        findings.append(
            Finding(
                severity="note",
                code="hold-share-unknown",
                where=", ".join(without),
                message="how much of the ride it can be held is not given: minutes, and the place "
                "in the order, are for holding it throughout",
                fix="give hold_share, 0 to 1; the table shows 30, 50, 70 and 100 %",
            )
        )
    unpriced = [c.id for c in others if c.power_cost_w is None]
    if unpriced:
        findings.append(
            Finding(
                severity="note",
                code="power-cost-unknown",
                where=", ".join(unpriced),
                message="what holding it costs is not known and is left out",
                fix="compare the cost you find with the break-even power",
            )
        )
    exact = [c.id for c in others if c.power_cost_w is not None and c.power_cost_sd_w is None]
    if exact:
        findings.append(
            Finding(
                severity="note",
                code="power-cost-exact",
                where=", ".join(exact),
                message="power_cost_w without power_cost_sd_w is taken as exact",
                fix="give power_cost_sd_w",
            )
        )
    if race.settings.meter == "other":
        findings.append(
            Finding(
                severity="note",
                code="other-meter",
                where="race file",
                message="another power meter than in the test: its errors are drawn apart, as "
                "large as those of the test's meter",
            )
        )
    if draws.floored:
        findings.append(
            Finding(
                severity="warning",
                code="cda-hardly-known",
                message=f"{draws.floored} of {draws.cda_m2.size} drawn drag areas were below "
                "0.05 m² and taken as that: the test hardly determines them",
                fix="ride more runs, in calmer air",
            )
        )
    return findings


def turns_beside_limits(race: Race) -> list[Finding]:
    """Say how the ledger's turns and the course's own limits of speed go together.

    Every time over the course has its limits in; the ledger's line is what practice changes in
    turns and is added to none of them.  Counted twice it would be only where the two mean the
    same turns and disagree about them.
    """
    turns, course = race.settings.turns, race.course
    if turns is None or course is None:
        return []
    limit = course.limit_m_s
    bound = np.isfinite(limit)
    if not np.any(bound):
        return []
    starts = np.flatnonzero(bound & ~np.concatenate([[False], bound[:-1]]))
    ends = np.flatnonzero(bound & ~np.concatenate([bound[1:], [False]]))
    slowest = np.array([limit[a : b + 1].min() for a, b in zip(starts, ends, strict=True)])
    met = slowest < turns.entry_speed_m_s[0]
    places, laps = int(np.sum(met)), race.settings.laps
    low, high = turns.speed_now_m_s
    away = [v for v in slowest[met] if not low - ALIKE_M_S <= v <= high + ALIKE_M_S]
    differs = []
    if places * laps != turns.count:
        differs.append(
            f"the course slows the rider in {places * laps} places, [turns] counts {turns.count}"
        )
    if away:
        speeds = sorted({f"{v:.1f}" for v in away}, key=float)
        allowed = speeds[0] if len(speeds) == 1 else f"{speeds[0]} to {speeds[-1]}"
        today = f"{low:g}" if low == high else f"{low:g} to {high:g}"
        differs.append(
            f"the course allows {allowed} m/s in {len(away)} of them a lap, [turns] says {today} "
            "m/s today"
        )
    return [
        Finding(
            severity="warning" if differs else "note",
            code="turns-beside-limits",
            where="race file, turns",
            message="the course's limits of speed are in the time of every position alike; the "
            "ledger's turns are only what practice would change, so nothing is counted twice"
            + (f"; but {', and '.join(differs)}" if differs else ""),
            fix="make the course's limits the speeds of today, and count the same turns"
            if differs
            else "",
        )
    ]
