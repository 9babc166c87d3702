"""Time saved per position at one race, and the order to practise in."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from cda.comparison import more_runs
from cda.errors import SessionError
from cda.ledger import ledger_lines
from cda.priority.candidate import Candidate, candidates_of, joint_of_bare_values
from cda.priority.choice import shrunk_differences
from cda.race import course_profile, joint_draws, race_times
from cda.results import Finding, OrderEntry, PositionSavings, RaceSummary, Savings
from cda.results.numbers import saving, saving_interval
from cda.results.words import more_runs_words, savings_headline, sentences

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from cda.race import Draws, Race
    from cda.results import Estimate, Joint, LedgerLine

SHARES_SHOWN = (0.3, 0.5, 0.7, 1.0)


def time_savings(estimate: Estimate, race: Race, *, level: float | None = None) -> Savings:
    """Compute what each position is worth at a race, from the joint distribution alone.

    Parameters
    ----------
    estimate : Estimate
        `joint` carries everything that is computed with; labels, hold shares and power costs
        come from `positions`.
    race : Race
        From `load_race`.
    level : float, optional
        Of the intervals; the estimate's own by default.

    Returns
    -------
    Savings

    Raises
    ------
    SessionError
        If the race file names a position that was not tested.
    """
    return _savings(
        estimate.joint,
        candidates_of(estimate, race),
        race,
        level=estimate.level if level is None else level,
        known=True,
    )


def savings_from_cda(
    cda_m2: Mapping[str, float],
    race: Race,
    *,
    includes_wheels: bool = False,
    level: float = 0.95,
) -> Savings:
    """Compute what positions are worth whose CdA came without a test; the first is the reference.

    The uncertainty of bare numbers is not known: the intervals hold what the race is uncertain
    about alone, and the probabilities, `decided` and the correction for choice are None.

    Parameters
    ----------
    cda_m2 : mapping of str to float
        Drag area by position id. [m^2]
    race : Race
        With `[rider]` and `[bike]` masses.
    includes_wheels : bool
        The values hold the drag of the turning wheels already, as tunnel values do.
    level : float
        Of the intervals.
    """
    if not cda_m2:
        raise SessionError("no position is given", where="--cda", fix="give --cda tall=0.276")
    said = {p.id: p for p in race.settings.positions}
    missing = [name for name in said if name not in cda_m2]
    if missing:
        raise SessionError(
            f"position {missing[0]!r} has no drag area (given: {', '.join(cda_m2)})",
            where="race file, positions",
            fix=f"add --cda {missing[0]}=..., or take it out of the race file",
        )
    candidates = []
    for index, name in enumerate(cda_m2):
        own = said.get(name) if index else None
        candidates.append(
            Candidate(
                id=name,
                label=name,
                reference=index == 0,
                hold_share=own.hold_share if own else None,
                power_cost_w=own.power_cost_w if own else None,
                power_cost_sd_w=own.power_cost_sd_w if own else None,
            )
        )
    joint = joint_of_bare_values(cda_m2, race, includes_wheels=includes_wheels)
    return _savings(joint, tuple(candidates), race, level=level, known=False)


def _savings(
    joint: Joint, candidates: tuple[Candidate, ...], race: Race, *, level: float, known: bool
) -> Savings:
    if not 0.5 <= level < 1.0:
        raise SessionError(f"level {level:g} is outside 0.5 to 1", where="level", fix="give 0.95")
    ids = tuple(c.id for c in candidates)
    reference = next(i for i, c in enumerate(candidates) if c.reference)
    costs = {
        c.id: (c.power_cost_w, c.power_cost_sd_w or 0.0)
        for c in candidates
        if c.power_cost_w is not None
    }
    draws = joint_draws(joint, race, positions=ids, power_costs=costs)
    times = race_times(
        race,
        draws,
        reference=reference,
        corrected_cda_m2=_corrected(joint, draws, reference) if known else None,
    )
    held, break_even = times.held_s, times.break_even_w
    today = held[reference]
    saved_throughout = today - held  # column 0 is the value at the mean of everything
    shares = np.array([1.0 if c.hold_share is None else c.hold_share for c in candidates])
    saved = shares[:, None] * saved_throughout
    corrected = None if times.corrected_s is None else (today[0] - times.corrected_s) * shares

    def interval(values: NDArray[np.float64]) -> tuple[float, float]:
        low, high = np.quantile(values[1:], ((1.0 - level) / 2.0, (1.0 + level) / 2.0))
        return float(low), float(high)

    fastest = np.bincount(np.argmax(saved[:, 1:], axis=0), minlength=len(ids)) / (
        saved.shape[1] - 1
    )
    rows = []
    for i, c in enumerate(candidates):
        span = (0.0, 0.0) if c.reference else interval(saved[i])
        listed = sorted({*SHARES_SHOWN, *([] if c.hold_share is None else [c.hold_share])})
        rows.append(
            PositionSavings(
                id=c.id,
                label=c.label,
                reference=c.reference,
                hold_share=c.hold_share,
                time_s=float(today[0] - saved[i, 0]),
                time_interval_s=interval(today - saved[i]),
                saved_s=float(saved[i, 0]),
                saved_interval_s=span,
                saved_if_held_throughout_s=float(saved_throughout[i, 0]),
                saved_corrected_for_choice_s=None if corrected is None else float(corrected[i]),
                saved_by_hold_share_s={str(s): float(s * saved_throughout[i, 0]) for s in listed},
                probability_faster=(
                    None if c.reference or not known else float(np.mean(saved[i, 1:] > 0.0))
                ),
                probability_fastest=float(fastest[i]) if known else None,
                break_even_power_w=break_even[i],
                saved_se_s=None if c.reference else float(np.std(saved[i, 1:])),
                saved_interval_by_hold_share_s={
                    str(s): (0.0, 0.0) if c.reference else interval(s * saved_throughout[i])
                    for s in listed
                },
                power_cost_w=c.power_cost_w,
                power_cost_sd_w=c.power_cost_sd_w,
                decided=None if not known else (span[0] > 0.0 or span[1] < 0.0),
                cue=c.cue,
            )
        )
    needed, ties = (
        _undecided(joint, candidates, saved, draws.cda_m2, interval, level) if known else ({}, [])
    )
    mean_ride = draws.rides(
        draws.cda_m2[reference, :1], reference=reference, only_mean=True
    ).with_values(wind_m_s=np.zeros(1))
    ledger = ledger_lines(race.settings, mean_ride)
    order = _order(rows, ledger)
    density, _ = race.density()
    summary = RaceSummary(
        name=race.settings.name,
        distance_km=race.distance_m / 1000.0,
        power_w=race.settings.power_w,
        power_sd_w=race.settings.power_sd_w,
        course=race.course.name if race.course else None,
        ascent_m=race.course.ascent_m * race.settings.laps if race.course else None,
        air_density_kg_m3=density,
        wind_speed_m_s=race.settings.wind.speed_m_s if race.settings.wind else None,
    )
    savings = Savings(
        race=summary,
        level=level,
        reference=ids[reference],
        positions=tuple(rows),
        undecided=tuple(needed),
        more_runs={f"{b}-{a}": runs for (a, b), runs in needed.items()} if known else None,
        order=order,
        ledger=ledger,
        findings=(
            *race.findings,
            *times.findings,
            *_findings(candidates, draws, race, known=known),
            *ties,
        ),
        settings=race.settings.model_dump(mode="json", exclude_none=True),
        course=course_profile(race) if race.course else None,
    )
    said = sentences(savings)
    return replace(
        savings,
        positions=tuple(replace(row, sentence=said[row.id]) for row in rows),
        headline=savings_headline(savings),
    )


def _corrected(joint: Joint, draws: Draws, reference: int) -> NDArray[np.float64]:
    """Return the drag areas with their differences shrunk, shape (positions,) [m^2]."""
    names = list(joint.names)
    at = [names.index(name) for name in draws.positions]
    others = [i for i in range(len(at)) if i != reference]
    mean = draws.cda_m2[:, 0].copy()
    if others:
        contrast = np.zeros((len(others), len(at)))
        contrast[np.arange(len(others)), others] = 1.0
        contrast[:, reference] = -1.0
        covariance = contrast @ np.asarray(joint.covariance)[np.ix_(at, at)] @ contrast.T
        mean[others] = mean[reference] + shrunk_differences(contrast @ mean, covariance)
    return mean


def _undecided(
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


def _order(rows: list[PositionSavings], ledger: tuple[LedgerLine, ...]) -> tuple[OrderEntry, ...]:
    """Return decided and faster positions and lines of the ledger, by what they are worth."""
    entries = [
        (row.saved_s, OrderEntry(kind="position", id=row.id))
        for row in rows
        if not row.reference and row.decided is not False and row.saved_s > 0.0
    ]
    middles = [(0.5 * (line.saved_low_s + line.saved_high_s), line.item) for line in ledger]
    entries += [(worth, OrderEntry(kind="ledger", item=item)) for worth, item in middles]
    entries.sort(key=lambda entry: -entry[0])
    return tuple(entry for _, entry in entries)


def _findings(
    candidates: tuple[Candidate, ...], draws: Draws, race: Race, *, known: bool
) -> list[Finding]:
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
                message="how much of the ride it can be held is not given: minutes are for "
                "holding it throughout",
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
