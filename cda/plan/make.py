"""From a protocol and a list of positions to a plan: runs in order, and what to expect of them."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from cda.errors import SessionError
from cda.plan.content import (
    TABLE_RUNS,
    TABLE_WIND_M_S,
    LengthRow,
    ListRow,
    Plan,
    PlannedPosition,
    PlannedRun,
    TableRow,
)
from cda.plan.questions import question_lines, questions_dict
from cda.plan.reach import (
    AIRSPEED_NOISE_M_S,
    Trial,
    expected,
    minutes_of,
    ordered,
    runs_in,
    runs_needed,
    smallest_m2,
    what_it_takes,
    wind_limit,
)
from cda.precision import TURN_S, Design, in_wind, smallest_together_m2
from cda.results import Finding

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from cda.plan.earlier import LastTime
    from cda.plan.protocol import Protocol

USUAL_DIFFERENCE_M2: Final = 0.008  # most that is usually sought: 3 % of CdA
USUAL_WIND_M_S: Final = 1.0
CURVE_RUNS: Final = (2, 3, 4, 5, 6, 8, 10, 12)  # for the picture
FEWEST_RUNS: Final = 3  # from which scatter is learnt well enough
_EASY_M_S: Final = 9.0  # an easy lap between two runs


def make_plan(
    protocol: Protocol,
    positions: Sequence[PlannedPosition],
    *,
    minutes: float = 75.0,
    runs: int | None = None,
    length_m: float | None = None,
    wind_m_s: float | None = None,
    airspeed: bool = False,
    resolve_m2: float | None = None,
    seconds_per_m2: float | None = None,
    race_name: str | None = None,
    seed: int = 0,
    like: LastTime | None = None,
    curve: bool = False,
) -> Plan:
    """Plan a test.

    Parameters
    ----------
    protocol : Protocol
    positions : sequence of PlannedPosition
        The first is the reference. With `like`, positions that are new.
    minutes : float
        Time to use, from the first start to the last end. [min]  Not used with `runs`.
    runs : int, optional
        Runs of each position.
    length_m : float, optional
        Of the timed stretch or lap; last time's or the protocol's where not given. [m]
    wind_m_s : float, optional
        Expected mean wind at rider height; last time's weather, or 1 m/s, where not given. [m/s]
    airspeed : bool
        Whether an airspeed sensor is carried.
    resolve_m2 : float, optional
        Difference to be shown: the runs that takes are planned where it can be had. [m^2]
    seconds_per_m2, race_name : float, str, optional
        What CdA is worth at the race.
    seed : int
        Chooses among equally good orders.
    like : LastTime, optional
        An earlier test: its scatter, instruments and positions, and what it left undecided.
    curve : bool
        Fill the table with more rows, enough for a picture.

    Raises
    ------
    SessionError
        If there is no position, two are the same, or the length does not fit the protocol.
    """
    if wind_m_s is None and (like is None or not like.knows_weather):
        wind_m_s = USUAL_WIND_M_S
    length = length_m or (like.length_m if like is not None else None) or protocol.length_m
    if like is not None:
        positions = like.positions(positions)
    _check(protocol, positions, length)
    trial = _trial(protocol, len(positions), length, airspeed, seed)
    if like is not None:
        trial = like.trial(trial, [p.id for p in positions])
        if runs is None and resolve_m2 is None:
            trial, positions, like = _that_fit(trial, positions, like, minutes)
    if wind_m_s is not None:
        trial = replace(trial, design=in_wind(trial.design, wind_m_s))
    answer: tuple[str, ...] = ()
    comparable = len(positions) > 1
    if runs is None and resolve_m2 is not None and comparable:
        runs = runs_needed(trial, resolve_m2)
        answer = what_it_takes(trial, protocol, resolve_m2, wind_m_s, runs)
    lengths: tuple[LengthRow, ...] = ()
    lists: tuple[ListRow, ...] = ()
    if runs is None:
        runs = runs_in(trial, minutes)
        if comparable:
            lengths = _lengths(trial, protocol, minutes)
            lists = _lists(trial, minutes)
    order, design = ordered(trial, runs)
    expectation = expected(design) if comparable and runs > 1 else None
    reach = smallest_together_m2(expectation, trial.before) if expectation is not None else None
    # Nobody asked: the question is what the plan shows in the wind it is made for.
    unasked = USUAL_DIFFERENCE_M2 if reach is None else max(np.ceil(1000.0 * reach) / 1000.0, 0.001)
    question = float(unasked) if resolve_m2 is None else resolve_m2
    windy, winds = protocol.course != "track", _winds(trial, wind_m_s)
    plan = Plan(
        protocol=protocol,
        positions=tuple(positions),
        order=order,
        runs=tuple(
            PlannedRun(
                run=k + 1,
                position=positions[who].id,
                power_w=design.run_powers_w[k],
                minute=k * design.run_s / 60.0,
            )
            for k, who in enumerate(order.positions)
        ),
        runs_per_position=runs,
        length_m=length,
        duration_min=design.duration_min,
        wind_m_s=design.wind_m_s,
        seed=seed,
        expectation=expectation,
        smallest_resolvable_m2=reach,
        table=(
            _table(trial, {*TABLE_RUNS, *(CURVE_RUNS if curve else ()), max(runs, 2)}, winds)
            if comparable
            else ()
        ),
        table_wind_m_s=winds,
        question_m2=question,
        asked=resolve_m2 is not None,
        wind_limit_m_s=(
            wind_limit(trial, runs, question, protocol.max_wind_m_s)
            if expectation and windy
            else None
        ),
        answer=answer,
        lengths=lengths,
        lists=lists,
        seconds_per_m2=seconds_per_m2,
        race_name=race_name,
        settings=None if like is None else like.tables,
        last_time=() if like is None else question_lines(like, trial),
        questions=() if like is None else questions_dict(like, trial),
    )
    findings = _findings(plan, like)
    if airspeed and protocol.course != "out-and-back":
        findings.append(
            Finding(
                severity="note",
                code="airspeed-not-counted",
                where="plan",
                message="what an airspeed sensor adds is worked out for out and back only: the "
                "precision to expect is that without it",
            )
        )
    return replace(plan, findings=tuple(findings))


def _check(protocol: Protocol, positions: Sequence[PlannedPosition], length_m: float) -> None:
    ids = [p.id for p in positions]
    double = sorted({i for i in ids if ids.count(i) > 1})
    if not ids or double or len(ids) > 12:
        raise SessionError(
            f"{', '.join(double)}: a position stands twice" if double
            else "no position to test" if not ids else f"{len(ids)} positions are too many to tell",
            where="--position",
            fix="name each once, as in --position 'tall=Head up'; 2 to 4 fit into a morning",
        )  # fmt: skip
    low, high = protocol.length_range_m
    if not low <= length_m <= high:
        raise SessionError(
            f"{length_m:.0f} m is outside the {low:g} to {high:g} m of {protocol.id}",
            where="--length-m",
            fix="take another length, or another protocol: cda plan --list",
        )


def _trial(protocol: Protocol, n: int, length_m: float, airspeed: bool, seed: int) -> Trial:
    out_and_back = protocol.course == "out-and-back"
    design = Design(
        order=tuple(range(n)),
        course=protocol.course,
        length_m=length_m,
        legs_per_run=protocol.legs_per_run if out_and_back else protocol.laps_per_run,
        turn_s=TURN_S if out_and_back else 0.0,
        run_powers_w=protocol.powers_w,
        # An easy lap before a run and one after go with the rest.
        rest_s=protocol.rest_s if out_and_back else protocol.rest_s + 2.0 * length_m / _EASY_M_S,
        airspeed_noise_m_s=AIRSPEED_NOISE_M_S if airspeed and out_and_back else None,
    )
    return Trial(design=design, order_kind=protocol.order.kind, seed=seed)


def _that_fit(
    trial: Trial, positions: Sequence[PlannedPosition], like: LastTime, minutes: float
) -> tuple[Trial, Sequence[PlannedPosition], LastTime]:
    """Leave out the questions with least at stake until each position gets enough runs."""
    while trial.n > 2 and runs_in(trial, minutes) < FEWEST_RUNS:
        fewer = like.without_last(positions)
        if fewer is None:
            break
        like, positions = fewer
        trial = like.trial(
            replace(trial, design=replace(trial.design, order=tuple(range(len(positions))))),
            [p.id for p in positions],
        )
    return trial, positions, like


def _winds(trial: Trial, wind_m_s: float | None) -> tuple[float | None, ...]:
    """Return the columns of the table; None is the weather of last time."""
    if trial.design.course == "track":
        return (0.0,)
    return TABLE_WIND_M_S if wind_m_s is not None else (None, *TABLE_WIND_M_S)


def _table(
    trial: Trial, runs: Collection[int], winds: Sequence[float | None]
) -> tuple[TableRow, ...]:
    return tuple(
        TableRow(
            runs=r,
            minutes=minutes_of(trial, r),
            smallest_m2=tuple(smallest_m2(trial, r, wind) for wind in winds),
        )
        for r in sorted(runs)
    )


def _lengths(trial: Trial, protocol: Protocol, minutes: float) -> tuple[LengthRow, ...]:
    """Return what other lengths of the stretch, or laps of a run, would make of the same time."""
    design = trial.design
    if design.round:
        own = design.legs_per_run
        designs = [
            replace(design, legs_per_run=laps)
            for laps in sorted({max(own // 2, 1), own, own + max(own // 2, 1), 2 * own})
        ]
    else:
        low, high = protocol.length_range_m
        lengths = sorted({low, design.length_m, 0.5 * (low + high), high})
        designs = [replace(design, length_m=length) for length in lengths]
    rows = []
    for one in designs:
        other = replace(trial, design=one)
        runs = runs_in(other, minutes)
        if minutes_of(other, runs) <= minutes or one == design:
            rows.append(
                LengthRow(
                    length_m=one.length_m,
                    laps_per_run=one.legs_per_run if design.round else None,
                    runs=runs,
                    smallest_m2=smallest_m2(other, runs),
                )
            )
    return tuple(rows) if len(rows) > 1 else ()


def _lists(trial: Trial, minutes: float) -> tuple[ListRow, ...]:
    """Return what shorter lists of positions would make of the same time."""
    if trial.n < 3:
        return ()
    rows = []
    for n in range(2, trial.n + 1):
        other = trial if n == trial.n else trial.shortened(n)
        runs = runs_in(other, minutes)
        rows.append(ListRow(positions=n, runs=runs, smallest_m2=smallest_m2(other, runs)))
    return tuple(rows)


def _findings(plan: Plan, like: LastTime | None) -> list[Finding]:
    found = []

    def add(severity: str, code: str, message: str, fix: str) -> None:
        assert severity in ("note", "warning")
        found.append(
            Finding(severity=severity, code=code, where="plan", message=message, fix=fix)  # type: ignore[arg-type]
        )

    most = plan.protocol.max_minutes
    if plan.duration_min > most:
        add(
            "warning",
            "long-plan",
            f"the plan takes {plan.duration_min:.0f} min: calm air and freshness do not last "
            f"{most:.0f} min",
            "fewer positions or runs, or two mornings fitted together",
        )
    if plan.runs_per_position < FEWEST_RUNS:
        add(
            "warning",
            "few-runs",
            f"{plan.runs_per_position} run{'s' * (plan.runs_per_position > 1)} of each position "
            "say little of how alike it is taken",
            "a shorter list of positions, or more minutes",
        )
    if len(plan.positions) == 1:
        add("note", "one-position", "with one position there is nothing to compare", "add another")
    if like is not None and not like.questions:
        add(
            "note",
            "nothing-undecided",
            "last time left nothing undecided: this plan rides the best position once more "
            "against today's",
            "add a new position to try, as in --position 'narrow=Elbows narrow'",
        )
    reach, windy = plan.smallest_resolvable_m2, plan.protocol.course != "track"
    if reach is None:
        return found
    if not plan.asked and reach > USUAL_DIFFERENCE_M2:
        add(
            "note",
            "shows-little",
            f"the plan shows differences from {reach:.4f} m² on; most that are sought are smaller "
            f"than {USUAL_DIFFERENCE_M2:.3f} m²",
            "more runs, fewer positions, calmer air, an airspeed sensor, or several mornings "
            "fitted together; --resolve 0.008 says what it takes",
        )
    elif plan.asked and reach > plan.question_m2 and plan.wind_limit_m_s is None:
        add(
            "warning",
            "question-too-fine",
            f"a difference of {plan.question_m2:.4f} m² is not shown by this plan"
            + (" even in calm air" if windy else "")
            + f"; it shows {reach:.4f} m²"
            + (f" in wind of {plan.wind_m_s:.2g} m/s" if windy else ""),
            "more runs, fewer positions, an airspeed sensor, or several mornings fitted together",
        )
    elif reach > plan.question_m2 and plan.wind_limit_m_s is not None:
        add(
            "warning",
            "wind-over-limit",
            f"wind of {plan.wind_m_s:.2g} m/s is above the {plan.wind_limit_m_s:g} m/s up to which "
            f"this plan shows a difference of {plan.question_m2:.4f} m²",
            "ride earlier, or plan more runs",
        )
    return found
