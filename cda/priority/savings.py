"""Time saved per position at one race, and the order to practise in."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from cda.errors import SessionError
from cda.ledger import ledger_lines
from cda.priority.candidate import Candidate, candidates_of, joint_of_bare_values
from cda.priority.choice import shrunk_differences
from cda.priority.findings import assumptions, turns_beside_limits, undecided
from cda.race import course_profile, joint_draws, race_times
from cda.results import OrderEntry, PositionSavings, RaceSummary, Savings, Total
from cda.results.words import savings_headline, sentences

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from cda.race import Draws, Race, RaceTimes
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
    draws, held, break_even = times.draws, times.held_s, times.break_even_w
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
                break_even_power_interval_w=(
                    None
                    if break_even[i] is None
                    else interval(_break_even(times, draws, saved_throughout, i))
                ),
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
        undecided(joint, candidates, saved, draws.cda_m2, interval, level) if known else ({}, [])
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
            *assumptions(candidates, draws, race, known=known),
            *turns_beside_limits(race),
            *ties,
        ),
        settings=race.settings.model_dump(mode="json", exclude_none=True),
        course=course_profile(race) if race.course else None,
        total=_total(rows, order, ledger),
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
        statistical = np.asarray(joint.statistical_covariance)[np.ix_(at, at)]
        systematic = np.asarray(joint.covariance)[np.ix_(at, at)] - statistical
        mean[others] = mean[reference] + shrunk_differences(
            contrast @ mean,
            contrast @ statistical @ contrast.T,
            contrast @ systematic @ contrast.T,
            joint.statistical_dof,
        )
    return mean


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


def _break_even(
    times: RaceTimes, draws: Draws, saved_s: NDArray[np.float64], position: int
) -> NDArray[np.float64]:
    """Return what holding may cost in every draw, shape (1 + draws,) [W].

    A watt is worth nearly the same in all of them (3 % for a power 5 % off): that of the mean.
    """
    watts = times.break_even_w[position]
    assert watts is not None
    s_per_w = times.free_gain_s[position] / watts
    return np.asarray(saved_s[position] / s_per_w + draws.power_cost_w[position])


def _total(
    rows: list[PositionSavings], order: tuple[OrderEntry, ...], ledger: tuple[LedgerLine, ...]
) -> Total | None:
    """Return the first position decided to be faster and the ledger, ends added up."""
    by_id = {row.id: row for row in rows}
    first = next(
        (by_id[e.id] for e in order if e.id is not None and by_id[e.id].decided is True), None
    )
    if first is None and not ledger:
        return None
    low, high = (0.0, 0.0) if first is None else first.saved_interval_s
    return Total(
        position=None if first is None else first.id,
        saved_low_s=low + sum(line.saved_low_s for line in ledger),
        saved_high_s=high + sum(line.saved_high_s for line in ledger),
    )
